"""Commands around a run file: ``demo``, ``record``, ``ask``, ``import``, ``info``, ``recover``, ``offset``."""

from __future__ import annotations

from benchkit.cli.common import add_json, add_limits
from benchkit.cli.stand_commands import STAND_HELP

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace


def demo_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--out", default="demo_out", help="folder for runs and report (default demo_out)")
    parser.add_argument("--seed", type=int, default=7, help="seed of the simulated stand (default 7)")


def run_demo(args: Namespace) -> int:
    from pathlib import Path

    from benchkit.cli.demo import run

    return run(Path(args.out), args.seed)


def prove_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("stand", metavar="STAND", nargs="?", default="", help=STAND_HELP)
    parser.add_argument(
        "--port", action="append", default=[], metavar="SOURCE=PORT", help="device path, COM port or socket:// URL"
    )
    parser.add_argument("--simulated", action="store_true", help="start the simulated stand and prove against it")
    add_limits(parser)
    parser.add_argument("--who", default="", metavar="NAME", help="who proves; it is written into the record")
    parser.add_argument("--out", metavar="FILE", help="the signed record (default STAND_proof.json)")
    parser.add_argument("--new-key", action="store_true", help="make a new key for signing; the old one is kept")
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated stand (default 1)")
    add_json(parser)


def run_prove(args: Namespace) -> int:
    from benchkit.cli.proving import prove

    return prove(args)


def record_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("stand", metavar="STAND", help=STAND_HELP)
    parser.add_argument("--out", default="runs", help="folder for the run (default runs)")
    parser.add_argument(
        "--port", action="append", default=[], metavar="SOURCE=PORT", help="device path, COM port or socket:// URL"
    )
    parser.add_argument("--simulated", action="store_true", help="start the simulated stand and record from it")
    parser.add_argument("--replay", metavar="RUN", help="take the bytes of a closed run instead of the instruments")
    parser.add_argument("--speed", type=float, default=1.0, help="of the replay: 2 is twice as fast (default 1)")
    add_limits(parser)
    parser.add_argument("--proof", metavar="FILE", help="record of benchkit prove: these limits were seen to act")
    parser.add_argument("--plan", metavar="FILE", help="a plan to carry out (TOML); it begins with 'ask … plan_begin'")
    parser.add_argument("--duration", type=float, metavar="S", help="end after so many seconds")
    parser.add_argument("--operator", default="", help="who runs the stand")
    parser.add_argument("--note", default="", help="free text for the header of the run")
    parser.add_argument("--seed", type=int, default=1, help="seed of the simulated stand (default 1)")
    parser.add_argument("--time-factor", type=float, default=1.0, help="seconds of the simulated stand per second")
    parser.add_argument("--quiet", action="store_true", help="no caution and no closing line")
    parser.add_argument("--publish", default="tcp://127.0.0.1:*", help="address for dashboards (default: loopback)")
    parser.add_argument("--request", default="tcp://127.0.0.1:*", help="address for requests (default: loopback)")
    parser.add_argument("--keys", metavar="FOLDER", help="ask dashboards for their keys: the folder of benchkit keys")


def run_record(args: Namespace) -> int:
    from benchkit.cli.recording import record

    return record(args)


def ask_arguments(parser: ArgumentParser) -> None:
    parser.add_argument(
        "recorder", metavar="RUN_OR_FOLDER", help="the run that is being recorded, its folder, or a pass"
    )
    parser.add_argument(
        "request",
        metavar="REQUEST",
        help="describe, arm, disarm, start, stop, reset, set, tare, mark, note, acknowledge, shelve, unshelve, "
        "out_of_service, in_service, release, sign_checklist, cold_soak, zero_check, gates_noise, exclude, burst, "
        "plan, plan_approve, plan_begin, plan_acknowledge, plan_present, plan_leave, plan_confirm, plan_skip, "
        "plan_halt, plan_abandon",
    )
    parser.add_argument(
        "arguments",
        nargs="*",
        metavar="KEY=VALUE",
        help="alarm=NAME, reason=TEXT, minutes=N, ticked=NAME,NAME, channels=NAME,NAME, name=NAME value=N, "
        "text=TEXT, source=NAME, role=ROLE, passed=yes|no",
    )
    parser.add_argument("--who", required=True, metavar="NAME", help="who asks; it is written to the event log")
    add_json(parser)


def run_ask(args: Namespace) -> int:
    from benchkit.cli.asking import ask

    return ask(args)


def import_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("stand", metavar="STAND", help="profile that declares columns, separator and decimal mark")
    parser.add_argument("file", metavar="FILE", help="the CSV file")
    parser.add_argument("--preview", action="store_true", help="show what the file looks like, and import nothing")
    parser.add_argument("--format", metavar="TOML", help="declared format of the file, in place of that of the source")
    parser.add_argument("--rate", type=float, metavar="HZ", help="rows per second, for a file without a time column")
    parser.add_argument("--started", metavar="TIME", help="date and time of the first row, ISO 8601 with its zone")
    parser.add_argument("--source", help="source of the profile whose format the file has (default: its first)")
    parser.add_argument("--out", default="runs", help="folder for the run (default runs)")
    add_json(parser)


def run_import(args: Namespace) -> int:
    from benchkit.cli.importing import import_file

    return import_file(args)


def info_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("run_file", metavar="RUN")
    add_json(parser)


def run_info(args: Namespace) -> int:
    from benchkit.cli.recording import tell_about

    return tell_about(args)


def recover_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("run_file", metavar="RUN")
    add_json(parser)


def run_recover(args: Namespace) -> int:
    from benchkit.cli.recording import recover_run

    return recover_run(args)


def offset_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("run_file", metavar="RUN", help="run file; or the .live.json of a recorder, to measure now")
    parser.add_argument(
        "channels", metavar="CHANNEL", nargs="*", help="two channels of two sources; none: what the run says already"
    )
    parser.add_argument("--from", dest="start_s", type=float, metavar="S", help="first sample time (default: all)")
    parser.add_argument("--until", dest="stop_s", type=float, metavar="S", help="sample times before this one only")
    parser.add_argument("--last", type=float, metavar="S", help="of a recorder: so many seconds back (default 5)")
    parser.add_argument("--operator", default="", help="of a recorder: who asks")
    add_json(parser)


def run_offset(args: Namespace) -> int:
    from benchkit.cli.offset import offset

    return offset(args)
