"""The command ``benchkit``.

Only the parser of the command that was called is built, and heavy libraries are imported by the commands that use them:
help comes at once. Each command has two functions in its module, ``NAME_arguments(parser)`` and ``run_NAME(args)``.
"""

from __future__ import annotations

import argparse
import sys
from importlib import import_module

from benchkit import __version__
from benchkit.cli.threads import use_one_thread

TYPE_CHECKING = False  # typing costs milliseconds of every start; checkers take this name for True
if TYPE_CHECKING:
    from collections.abc import Sequence

COMMANDS = {
    "demo": ("record_commands", "simulated stand, recorder, analysis and report in one go"),
    "check": ("stand_commands", "check a stand profile; lists every fault with its remedy"),
    "limits": ("stand_commands", "print every limit of a stand, where it comes from and who changed it"),
    "prove": ("record_commands", "make every limit act, and see that its stop is acknowledged by the device"),
    "record": ("record_commands", "record a run: read, decode, protect, record, publish"),
    "ask": ("record_commands", "ask a recorder: arm, stop, acknowledge, shelve, sign the checklist"),
    "import": ("record_commands", "turn a CSV file into a run"),
    "info": ("record_commands", "say what a run file holds"),
    "recover": ("record_commands", "make a closed run from one whose recorder died"),
    "offset": ("record_commands", "compare the times of two sources on an edge that both have seen"),
    "verify": ("evidence_commands", "check runs, evidence packs and signed reports: is it what was recorded and made?"),
    "exclude": ("result_commands", "leave a stretch of a closed run out of maps and fits, with reason and name"),
    "export": ("export_commands", "write a run as CSV, Parquet, MDF4 or MATLAB files"),
    "analyse": ("result_commands", "print operating points, efficiencies, thrust and ratings"),
    "bursts": ("result_commands", "list the bursts of a run: THD, ripple, orders, steps, switching, dead time"),
    "heat": ("heat_commands", "where a heat run will end, while it runs; or a thermal model for the profile"),
    "report": ("result_commands", "write the report of one or more runs: one HTML page, a PDF, signatures"),
    "evidence": ("evidence_commands", "pack runs, profiles, calibrations, events and report into one signed zip"),
    "transfer": ("transfer_commands", "separate losses into terms, predict them elsewhere, test that with a run"),
    "compare": ("compare_commands", "is one firmware better than another? losses of both, with what could not be seen"),
    "plan": ("compare_commands", "write a plan: for a stand to carry out, or of the runs that a comparison needs"),
    "history": ("compare_commands", "the loss over many revisions, with control limits"),
    "runs": ("campaign_commands", "list the runs of a folder: filter, tag, watch for new ones"),
    "campaign": ("campaign_commands", "one analysis over a folder of runs: tables, and trends by firmware and hours"),
    "keys": ("keys_commands", "keys for dashboards on other machines: who may watch, who may command"),
    "dashboard": ("result_commands", "open the dashboard (needs the extra 'gui')"),
    "calibrate": ("calibrate_commands", "work through a calibration with masses; write it into the profile"),
    "simulate": ("stand_commands", "run the simulated stand on a pseudo-terminal or a TCP port"),
    "schema": ("stand_commands", "print the JSON Schema of stand profiles, for editors"),
}

EPILOG = """\
commands:
{commands}

benchkit COMMAND --help tells more. Exit codes: 0 done, 1 unexpected fault, 2 wrong use, 3 faults in a
profile, 4 data or run file that cannot be trusted, 5 a link does not answer, 6 refused by interlock or
recorder, 130 interrupted.

A software trip is not a safety function. A hard-wired emergency stop, guards and distance protect people.
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit code."""
    use_one_thread()
    top = _top_parser().parse_args(argv)
    module = import_module(f"benchkit.cli.{COMMANDS[top.command][0]}")
    parser = argparse.ArgumentParser(prog=f"benchkit {top.command}", description=_sentence(top.command))
    parser.add_argument("--debug", action="store_true", default=top.debug, help="show the traceback of an error")
    getattr(module, f"{top.command}_arguments")(parser)
    args = parser.parse_args(top.arguments)
    try:
        return int(getattr(module, f"run_{top.command}")(args))
    except KeyboardInterrupt:
        print("benchkit: interrupted", file=sys.stderr)
        return 130
    except BrokenPipeError:
        sys.stderr.close()  # the reader of our output has gone: nothing to say, and nobody to say it to
        return 0
    except Exception as error:
        if args.debug:
            raise
        return _tell(error)


def _top_parser() -> argparse.ArgumentParser:
    listed = "\n".join(f"  {name:10} {text}" for name, (_, text) in COMMANDS.items())
    parser = argparse.ArgumentParser(
        prog="benchkit",
        usage="benchkit [--help] [--version] [--debug] COMMAND ...",
        description="Record, protect and analyse bench runs of motor, inverter and propeller.",
        epilog=EPILOG.format(commands=listed),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"benchkit {__version__}")
    parser.add_argument("--debug", action="store_true", help="show the traceback of an error")
    parser.add_argument("command", choices=COMMANDS, metavar="COMMAND", help="one of the commands below")
    parser.add_argument("arguments", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    return parser


def _sentence(command: str) -> str:
    text = COMMANDS[command][1]
    return f"{text[0].upper()}{text[1:]}."


def _tell(error: Exception) -> int:
    from benchkit.errors import BenchkitError

    if isinstance(error, BenchkitError):
        print(f"benchkit: {error}", file=sys.stderr)
        return error.exit_code
    print(
        f"benchkit: unexpected fault: {type(error).__name__}: {error}\n"
        "Please report it; 'benchkit --debug …' shows where it happened.",
        file=sys.stderr,
    )
    return 1
