"""The analysis that a campaign does by default: operating points of a run, one plain row each.

A function for a campaign is given the path of a run and returns a row or a list of rows: dicts of texts, numbers,
truth values or None. It runs in another process, maybe on another computer: it is found by its name, and an open run
never leaves it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from benchkit.model.results import Estimate, PowerBalance, StaticThrust

Value = str | float | int | bool | None
Row = dict[str, Value]

BALANCE = (
    "speed_rpm", "torque_nm", "dc_power_w", "ac_power_w", "shaft_power_w", "inverter_loss_w", "motor_loss_w",
    "drive_loss_w", "inverter_efficiency", "motor_efficiency", "drive_efficiency",
)  # fmt: skip
THRUST = ("thrust_n", "density_kgm3", "ct", "cq", "cp", "figure_of_merit")


def points(path: Path) -> list[Row]:
    """Power balance and static thrust of every operating point, each number with ``u_`` its standard uncertainty.

    As in the report of the run, without maps, heating and data-quality checks: quick. Names and units as in
    :class:`PowerBalance` and :class:`StaticThrust`; None is not measured. ``speed_band_rpm`` and ``torque_band_nm``
    say within which drift the stand calls it one point.

    Raises:
        BenchkitError: the run or its profile cannot be read.
    """
    from benchkit.analysis.exclude import mark_excluded
    from benchkit.analysis.pipeline import BREAKING
    from benchkit.analysis.power import power_balance
    from benchkit.analysis.propeller import static_thrust
    from benchkit.analysis.steady import operating_points
    from benchkit.profiles import stand_from_json
    from benchkit.runfile.exclusions import read_exclusions
    from benchkit.runfile.reader import open_run

    rows: list[Row] = []
    with open_run(path) as run:
        stand = stand_from_json(run.header.profile_json)
        events = (*run.events(), *read_exclusions(path, run.content_sha256))
        with_role = set(stand.roles.values())
        for source in run.sources:
            channels = {channel.name for channel in run.spec(source).channels}
            if not run.rows(source) or not with_role & channels:
                continue
            stream = run.stream(source)
            breaks = [stream.time_at(event.time_s) for event in events if event.kind in BREAKING]
            found = mark_excluded(operating_points(stand, stream, breaks), stream, events)
            for point in found:
                balance, thrust = power_balance(stand, point), static_thrust(stand, point)
                rows.append(
                    {
                        "source": source,
                        "point": point.index + 1,
                        "time_start_s": point.time_start_s,
                        "time_end_s": point.time_end_s,
                        "excluded": point.is_excluded,
                        **_numbers(balance, thrust),
                        "speed_band_rpm": stand.steadiness.speed_band_rpm,
                        "torque_band_nm": stand.steadiness.torque_band_nm,
                    }
                )
    return rows


def _numbers(balance: PowerBalance, thrust: StaticThrust | None) -> Row:
    row: Row = {}
    parts: tuple[tuple[object, tuple[str, ...]], ...] = ((balance, BALANCE), (thrust, THRUST))
    for part, names in parts:
        for name in names:
            found: Estimate | None = getattr(part, name, None)
            row[name] = None if found is None else found.value
            row[f"u_{name}"] = None if found is None else found.u
    return row


NAMED: Mapping[str, str] = {"points": "benchkit.campaign.points:points"}
"""Analyses that have a short name."""
