"""Commands around a stand: ``check``, ``limits``, ``schema``, ``simulate``."""

from __future__ import annotations

from benchkit.cli.common import add_json, add_limits, load_with_limits, print_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace

STAND_HELP = "profile (TOML), or the name of a shared example: airboat, airboat_map, airboat_small, airboat_bursts"


def check_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("stand", metavar="STAND", help=STAND_HELP)
    add_limits(parser)
    add_json(parser)


def run_check(args: Namespace) -> int:
    from benchkit.model.cautions import SOFTWARE_TRIP
    from benchkit.profiles.cautions import source_cautions
    from benchkit.protect.start_configuration import start_cautions

    loaded = load_with_limits(args)
    stand = loaded.stand
    cautions = [*source_cautions(stand.sources.values()), *(str(caution) for caution in start_cautions(stand))]
    facts = {
        "stand": stand.name,
        "title": stand.title,
        "simulated": stand.simulated,
        "sources": list(stand.sources),
        "channels": len(stand.channels),
        "limits": len(stand.limit_set.limits),
        "limit set": f"{stand.limit_set.name}, revision {stand.limit_set.revision}, {stand.limit_set.short_hash}",
        "inverter": f"{stand.inverter.id}, firmware {stand.inverter.firmware_revision}",
        "motor": stand.motor.id,
        "propeller": stand.propeller.id if stand.propeller else None,
        "files": list(loaded.texts),
    }
    if args.json:
        print_json(facts | {"cautions": cautions})
        return 0
    print(f"{stand.name}: no faults")
    for caution in cautions:
        print(f"  caution: {caution}")
    for name, value in facts.items():
        print(f"  {name:10} {', '.join(map(str, value)) if isinstance(value, list) else value}")
    print(SOFTWARE_TRIP)
    return 0


def limits_arguments(parser: ArgumentParser) -> None:
    check_arguments(parser)


def run_limits(args: Namespace) -> int:
    from benchkit.cli.limit_table import limit_facts, limit_lines

    loaded = load_with_limits(args)
    if args.json:
        print_json(limit_facts(loaded))
    else:
        print(*limit_lines(loaded), sep="\n")
    return 0


def schema_arguments(_parser: ArgumentParser) -> None:
    """``schema`` takes nothing."""


def run_schema(_args: Namespace) -> int:
    from benchkit.profiles import json_schema

    print_json(json_schema())
    return 0


def simulate_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("stand", metavar="STAND", help=STAND_HELP)
    parser.add_argument(
        "--tcp", metavar="HOST:PORT", help="serve on TCP instead of a pseudo-terminal; port 0: a free one"
    )
    parser.add_argument("--seed", type=int, default=1, help="seed of noise and calibration errors (default 1)")
    parser.add_argument(
        "--calibration-seed", type=int, metavar="N", help="seed of the calibration errors alone: the same bench again"
    )
    parser.add_argument("--time-factor", type=float, default=1.0, help="device seconds per second (default 1)")
    parser.add_argument("--rate", type=float, default=1000.0, help="lines per second on the link (default 1000)")
    parser.add_argument(
        "--watchdog", type=float, metavar="S", help="the stand drops its enable when no new 'alive N' came for so long"
    )
    parser.add_argument(
        "--bursts", metavar="HOST:PORT", help="send the packets of the burst source of the stand there (UDP)"
    )
    parser.add_argument(
        "--at",
        nargs=2,
        action="append",
        default=[],
        metavar=("S", "COMMAND"),
        help="a command the stand gives itself after S of its seconds, such as: --at 900 'fault coolant_loss on'",
    )
    add_limits(parser)


def run_simulate(args: Namespace) -> int:
    from benchkit.cli.priority import step_forward
    from benchkit.simulate.drives import Load
    from benchkit.simulate.serve import run_server

    stand = load_with_limits(args).stand  # limits are checked; the simulated stand itself has none

    step_forward()  # a real stand does not wait for the computer either

    def announce(address: str) -> None:
        print(f"simulated stand at {address}", flush=True)

    run_server(
        stand,
        load=Load.PROPELLER if stand.propeller else Load.MACHINE,
        endpoint=args.tcp,
        seed=args.seed,
        calibration_seed=args.calibration_seed,
        time_factor=args.time_factor,
        rate_hz=args.rate,
        watchdog_s=args.watchdog,
        schedule=[(float(at_s), text) for at_s, text in args.at],
        announce=announce,
        tell=lambda text: print(text, flush=True),
        bursts=args.bursts,
    )
    return 0
