"""``calibrate``: work through a calibration with masses, print what it is worth, write it into the profile."""

from __future__ import annotations

from benchkit.cli.common import add_json, print_json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from argparse import ArgumentParser, Namespace
    from pathlib import Path
    from typing import Any

    from benchkit.analysis.calibrate import LineCalibration
    from benchkit.model.worksheet import Worksheet
    from benchkit.profiles.edit import Edit


def calibrate_arguments(parser: ArgumentParser) -> None:
    parser.add_argument(
        "worksheet", metavar="WORKSHEET", nargs="?", help="TOML, or CSV with the columns mass_kg,reading in their order"
    )
    parser.add_argument(
        "--point",
        nargs=2,
        type=float,
        action="append",
        metavar=("MASS", "READING"),
        help="one step, instead of a file; repeat in the order taken, up and down again",
    )
    parser.add_argument("--method", choices=["dead_weight", "lever_arm"], help="how masses make the load")
    parser.add_argument("--gravity", nargs=2, type=float, metavar=("G", "U"), help="local gravity and its u, m/s²")
    parser.add_argument("--arm", nargs=2, type=float, metavar=("L", "U"), help="length of the lever arm and its u, m")
    parser.add_argument("--u-mass-percent", type=float, metavar="P", help="standard uncertainty of the masses, percent")
    parser.add_argument("--resolution", type=float, metavar="R", help="smallest step of the reading")
    parser.add_argument("--who", metavar="TEXT", help="who calibrated")
    parser.add_argument(
        "--certificate", nargs=3, metavar=("ID", "DATE", "DUE"), help="such as WR-7 2026-11-02 2027-11-02"
    )
    parser.add_argument("--channel", metavar="NAME", help="channel of the stand that was calibrated")
    parser.add_argument("--write", metavar="STAND", help="profile (TOML) to write into; the change is shown first")
    parser.add_argument("--dry-run", action="store_true", help="with --write: show the change and write nothing")
    parser.add_argument("--record", metavar="FILE", help="where the JSON record goes (default: beside the profile)")
    add_json(parser)


def run_calibrate(args: Namespace) -> int:
    from pathlib import Path

    from benchkit.analysis.calibrate import calibrate_line
    from benchkit.cli.calibrate_texts import lines_of, record_of
    from benchkit.errors import UsageError
    from benchkit.profiles.worksheet import read_worksheet

    if (args.worksheet is None) == (not args.point):
        raise UsageError("give either a worksheet or points", remedy="See benchkit calibrate --help.")
    sheet = read_worksheet(Path(args.worksheet) if args.worksheet else None, _given(args))
    result = calibrate_line(sheet)
    change = _change(Path(args.write), sheet, result) if args.write else None
    findings = (*result.findings, *(change.findings if change else ()))
    body = record_of(sheet, result, findings, change.tables if change else None)
    if args.json:
        print_json(body)
    else:
        for line in lines_of(sheet, result, findings):
            print(line)
    if change is not None and not args.json:
        print(f"\n{change.edit.diff or 'the profile holds these values already'}")
    if args.dry_run:
        return 0
    place = Path(args.record) if args.record else change.record if change else None
    if place is not None:
        _keep(place, body, change.edit if change else None)
        if not args.json:
            print(f"\nrecord   {place}" + (f"\nwritten  {change.edit.path}" if change else ""))
    return 0


def _given(args: Namespace) -> dict[str, Any]:
    from benchkit.profiles.worksheet import parse_date

    given: dict[str, Any] = {
        "points": [list(pair) for pair in args.point] if args.point else None,
        "method": args.method,
        "gravity": args.gravity and {"value": args.gravity[0], "u": args.gravity[1], "unit": "m/s²"},
        "arm": args.arm and {"value": args.arm[0], "u": args.arm[1], "unit": "m"},
        "u_mass_percent": args.u_mass_percent,
        "resolution": args.resolution,
        "who": args.who,
        "channel": args.channel,
    }
    if args.certificate:
        name, date, due = args.certificate
        given["certificate"] = {"id": name, "date": parse_date(date), "due": parse_date(due)}
    return {key: value for key, value in given.items() if value is not None}


class _Change:
    """What goes into the profile, tried but not written."""

    def __init__(self, edit: Edit, tables: dict[str, dict[str, Any]], findings: list[Any], record: Path) -> None:
        self.edit, self.tables, self.findings, self.record = edit, tables, findings, record


def _change(path: Path, sheet: Worksheet, result: LineCalibration) -> _Change:
    from benchkit.analysis.calibrate import check_range
    from benchkit.errors import UsageError, did_you_mean
    from benchkit.profiles import load_stand
    from benchkit.profiles.edit import edit_channel
    from benchkit.units import BENCH_UNIT

    if not sheet.channel:
        raise UsageError("no channel named", remedy="Add --channel NAME, or channel = to the worksheet.")
    if sheet.certificate is None:
        raise UsageError(
            "a calibration in a profile needs its certificate",
            remedy="Add --certificate ID DATE DUE, or certificate = to the worksheet.",
        )
    loaded = load_stand(path)
    channels = loaded.stand.channels
    if sheet.channel not in channels:
        hint = did_you_mean(sheet.channel, channels) or f"Known: {', '.join(channels)}."
        raise UsageError("no channel of that name", where=str(path), got=sheet.channel, remedy=hint)
    channel = channels[sheet.channel]
    if BENCH_UNIT[channel.quantity] != sheet.unit:
        raise UsageError(
            f"{sheet.method.value} calibrates {'force' if sheet.unit == 'N' else 'torque'}",
            where=f"channels.{channel.name}",
            got=channel.quantity.value,
            remedy="Check channel and method.",
        )
    tables = _tables(sheet, result, loaded.unit_factor(channel.name))
    record = path.with_name(f"{path.stem}.{channel.name}.{_file_name(sheet.certificate.id)}.json")
    edit = edit_channel(path, channel.name, tables)
    return _Change(edit, tables, check_range(result, channel.low, channel.high), record)


def _tables(sheet: Worksheet, result: LineCalibration, factor: float) -> dict[str, dict[str, Any]]:
    """Numbers in the unit of the channel; uncertainties are rounded up."""
    from benchkit.cli.calibrate_texts import rounded, rounded_up

    assert sheet.certificate is not None
    certificate = sheet.certificate
    return {
        "calibration": {
            "kind": "gain_offset",
            "gain": rounded(result.gain.value / factor, 9),
            "offset": rounded(result.offset.value / factor, 9),
        },
        "accuracy": {
            "of_reading_percent": rounded_up(100.0 * result.accuracy.of_reading),
            "constant": rounded_up(result.accuracy.constant / factor),
        },
        "certificate": {"id": certificate.id, "date": certificate.date, "due": certificate.due},
    }


def _file_name(text: str) -> str:
    return "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in text)[:60] or "calibration"


def _keep(place: Path, body: dict[str, Any], edit: Edit | None) -> None:
    """The record first; it never replaces an older one. Without the profile there is no record."""
    import json

    from benchkit.cli.common import plain
    from benchkit.errors import UsageError
    from benchkit.profiles.edit import write_edit

    try:
        with place.open("x", encoding="utf-8") as file:
            json.dump(plain(body), file, indent=2, ensure_ascii=False, default=str)
            file.write("\n")
    except FileExistsError:
        raise UsageError(
            "there is a record of that name", where=str(place), remedy="Use another certificate id, or --record FILE."
        ) from None
    except OSError as error:
        raise UsageError("cannot be written", where=str(place), got=error.strerror) from error
    if edit is not None:
        try:
            write_edit(edit)
        except BaseException:
            place.unlink(missing_ok=True)
            raise
