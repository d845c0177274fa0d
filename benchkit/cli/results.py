"""What ``analyse`` and ``report`` do."""

from __future__ import annotations

import sys
from argparse import Namespace
from pathlib import Path

from benchkit.cli.common import print_json
from benchkit.cli.duty_file import read_duty
from benchkit.cli.pages import page_of, write_beside
from benchkit.model.results import Estimate, RunResult
from benchkit.model.results_maps import Duty
from benchkit.report.gather import gather
from benchkit.report.model import RunReport, number
from benchkit.report.numbers import report_json, show
from benchkit.report.page import write_report
from benchkit.report.sections import build_report


def analyse(args: Namespace) -> int:
    """Print what the analysis says of each run."""
    reports = gather([Path(run) for run in args.runs], _tell, _duty(args))
    if args.json:
        print_json(report_json(build_report(reports)))
        return 0
    for report in reports:
        _print_run(report)
    return 0


def report(args: Namespace) -> int:
    """Write the page and the PDF, sign them; with ``--json`` print their numbers as well."""
    runs = [Path(run) for run in args.runs]
    page = page_of(args, runs[0].with_suffix(".html"), runs)
    model = write_report(runs, page.out, progress=_tell, duty=_duty(args))
    written = [page.out, *write_beside(model, page)]
    if args.json:
        print_json(report_json(model))
    else:
        print(*written, sep="\n")
    return 0


def _duty(args: Namespace) -> Duty | None:
    return read_duty(Path(args.duty)) if args.duty else None


def _tell(text: str) -> None:
    if sys.stderr.isatty():
        print(text, file=sys.stderr)


def _print_run(report: RunReport) -> None:
    result = report.result
    print(f"{report.file_name}: {report.header.stand}{', SIMULATED data' if report.header.simulated else ''}")
    if result.balances:
        print(f"  {'speed':>10} {'torque':>18} {'DC power':>20} {'inverter':>16} {'motor':>16} {'drive':>16}")
    for b in result.balances:
        shares = (b.inverter_efficiency, b.motor_efficiency, b.drive_efficiency)
        print(
            f"  {b.speed_rpm.value:6.0f} rpm {_text(b.torque_nm):>18} {_text(b.dc_power_w):>20} "
            + " ".join(f"{_text(share, in_percent=True):>16}" for share in shares)
        )
    for t in result.thrust:
        parts = (("T", t.thrust_n), ("CT", t.ct), ("CP", t.cp), ("FM", t.figure_of_merit))
        mark = f", excluded: {t.point.excluded_reason}" if t.point.is_excluded else ""
        print(f"  {t.speed_rpm.value:6.0f} rpm {', '.join(f'{name} {_text(e)}' for name, e in parts)}{mark}")
    for duty in result.duties:
        text = _text(duty.weighted_efficiency, in_percent=True)
        print(f"  duty, {duty.subject}: {text}, {100.0 * duty.covered:.3g} % of its time inside the map")
    _print_thermal(result)
    _print_heat_and_mission(result)
    for finding in result.findings:
        print(f"  {finding.severity}: {finding.message}")


def _print_thermal(result: RunResult) -> None:
    for fit in result.heating:
        print(f"  {fit.channel}: tau {_text(fit.tau_s)}, final {_text(fit.final_c)}")
    for rating in result.ratings:
        note = ", extrapolated" if rating.is_extrapolated else ""
        print(f"  continuous at {rating.speed_rpm:.0f} rpm by {rating.channel}: {_text(rating.torque_nm)}{note}")
    for limits in result.thermal:
        for network in limits.networks:
            parts = ", ".join(_text(tau) for tau in network.tau_s)
            print(f"  network of {network.channel}, over {network.loss}: {_text(network.total_k_w)}, tau {parts}")
            for note in network.notes:
                print(f"    {note}")


def _print_heat_and_mission(result: RunResult) -> None:
    for by_heat in result.calorimetry:
        print(f"  {by_heat.verdict}")
    for mission in result.endurance:
        ends = ", ".join(f"{end.cause} ({100.0 * end.share:.3g} %)" for end in mission.ends) or "nothing"
        lasts = _text(mission.endurance_s) if mission.endurance_s.is_measured else "the whole mission"
        print(f"  mission by {mission.kind}: {lasts}, ended by {ends}; {_text(mission.energy_wh)}")
        if mission.continuous_power_w is not None and mission.wanted_s is not None:
            print(f"  continuous for {mission.wanted_s / 60.0:g} min: {_text(mission.continuous_power_w)}")


def _text(estimate: Estimate, *, in_percent: bool = False) -> str:
    return str(show(number(estimate, in_percent=in_percent)))
