"""A stretch of a recorded run that was chosen: its averages, in words and numbers."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.analysis.heat_balance import heat_balance
from benchkit.analysis.power import power_balance
from benchkit.analysis.propeller import static_thrust
from benchkit.analysis.stretch import stretch_point
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint, Settled, SteadyLabel
from benchkit.model.stand import Stand
from benchkit.report.model import Column, Number, Table, Text, Tone, number
from benchkit.report.numbers import mostly_from
from benchkit.report.rows import is_known
from gui.state.recorded import RecordedModel
from gui.state.wording import clock_tenths, span

AT_ONCE_ROWS = 200_000
"""A longer stretch is averaged in a process of its own."""
_MEAN = "Mean ± half-width of the 95 % interval: scatter of readings that remember, and calibration (JCGM 100)."
_TONES = {Settled.STEADY: Tone.GOOD, Settled.NOT_STEADY: Tone.CAUTION, Settled.NOT_SHOWN: Tone.NOTE}


@dataclass(frozen=True, slots=True)
class StretchResult:
    """What is said of a stretch: lines in words with their tone, then tables."""

    title: str
    lines: tuple[tuple[str, str, Tone], ...]
    tables: tuple[Table, ...]
    points: tuple[OperatingPoint, ...]


def rows_in(model: RecordedModel, start_s: float, end_s: float) -> int:
    """About how many rows a stretch has, of all streams."""
    return sum(traces.rows_in(start_s, end_s) for traces in model.traces)


def stretch_result(model: RecordedModel, start_s: float, end_s: float) -> StretchResult:
    """Averages of every stream over sample times ``start_s`` to ``end_s`` [s], and the powers that follow from them.

    Raises:
        UsageError: no stream has two rows there.
    """
    points = []
    for traces in model.traces:
        first, stop = traces.exact_rows(start_s, end_s)
        if stop - first >= 2:
            points.append(stretch_point(model.stand, traces.stream, first, stop))
    if not points:
        raise UsageError(
            "the stretch has no two rows of any source",
            got=f"{clock_tenths(start_s)} … {clock_tenths(end_s)}",
            remedy="Choose a longer one.",
        )
    lines: list[tuple[str, str, Tone]] = []
    for point in points:
        rows = f"{point.row_stop - point.row_start} rows ({point.row_start} … {point.row_stop - 1})"
        lines.append((f"Source {point.stream}", rows, Tone.PLAIN))
        lines += [_steady_line("Electrically", point.electrical), _steady_line("Thermally", point.thermal)]
        if point.periods_note:
            lines.append(("Note", point.periods_note, Tone.NOTE))
    tables = [table for point in points if (table := _powers(model.stand, point)) is not None]
    tables += [_means(model.stand, point) for point in points]
    title = f"{clock_tenths(start_s)} … {clock_tenths(end_s)} ({span(end_s - start_s)})"
    return StretchResult(title, tuple(line for line in lines if line[1]), tuple(tables), tuple(points))


def _steady_line(word: str, label: SteadyLabel | None) -> tuple[str, str, Tone]:
    if label is None:
        return (word, "", Tone.PLAIN)
    return (word, label.reason, _TONES[label.state])


def _means(stand: Stand, point: OperatingPoint) -> Table:
    rows = []
    for name, mean in point.means.items():
        channel = stand.channels.get(name)
        label = name if channel is None else channel.label
        rows.append((Text(label), number(mean), Text(mostly_from(number(mean)))))
    columns = (Column("channel", "Channel"), Column("mean", "Mean"), Column("from", "Uncertainty mostly from"))
    return Table(f"means-{point.stream}", f"Means, {point.stream}", columns, tuple(rows), _MEAN)


def _powers(stand: Stand, point: OperatingPoint) -> Table | None:
    """Powers, losses, efficiencies and what the propeller made of it, as far as this stream measures them."""
    balance, heat, thrust = power_balance(stand, point), heat_balance(stand, point), static_thrust(stand, point)
    named: list[tuple[str, Number]] = [
        (label, number(estimate, in_percent=label.endswith("efficiency")))
        for label, estimate in (
            ("DC link power", balance.dc_power_w),
            ("Inverter output power", balance.ac_power_w),
            ("Shaft power", balance.shaft_power_w),
            ("Inverter loss", balance.inverter_loss_w),
            ("Motor loss", balance.motor_loss_w),
            ("Drive loss", balance.drive_loss_w),
            ("Inverter efficiency", balance.inverter_efficiency),
            ("Motor efficiency", balance.motor_efficiency),
            ("Drive efficiency", balance.drive_efficiency),
        )
        if is_known(estimate)
    ]
    more: list[tuple[str, Estimate]] = []
    if heat is not None:
        more += [("Heat in the coolant", heat.coolant_heat_w), ("Loss less heat in the coolant", heat.residual_w)]
    if thrust is not None:
        more += [("CT", thrust.ct), ("CP", thrust.cp), ("Figure of merit", thrust.figure_of_merit)]
    named += [(label, number(estimate)) for label, estimate in more if is_known(estimate)]
    if not named:
        return None
    rows = tuple((Text(label), value, Text(mostly_from(value))) for label, value in named)
    columns = (Column("what", "What"), Column("value", "Value"), Column("from", "Uncertainty mostly from"))
    return Table(f"powers-{point.stream}", f"Powers, {point.stream}", columns, rows, "Motoring is positive.")
