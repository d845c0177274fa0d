"""Thermal networks of a run, its derating map, and how long a load may be held."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from benchkit.model.results import Estimate
from benchkit.model.results_thermal import ShortTime, ThermalLimits, ThermalNetwork, ThermalRating
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    Grid,
    GridFigure,
    RunReport,
    Series,
    Text,
    Tone,
    count,
    number,
    plain,
)
from benchkit.report.numbers import show
from benchkit.report.rows import listed, of_run, run_slug, table_by_run
from benchkit.report.sections_results import U95

Row = tuple[Cell, ...]


def network_blocks(runs: Sequence[RunReport]) -> list[Block]:
    """Networks, how their orders were chosen, the derating map and its limiting parts, short-time loads."""
    tables = (_networks(runs), _orders(runs))
    maps = [_map(run, found, runs) for run in runs for found in run.result.thermal if _has_map(found)]
    later = (_ratings(runs), _short_times(runs))
    return [block for block in (*tables, *maps, *later) if block is not None]


def _networks(runs: Sequence[RunReport]) -> Block | None:
    return table_by_run(
        runs,
        "networks",
        "Thermal networks",
        (
            Column("channel", "Temperature"),
            Column("loss", "Driven by"),
            Column("nodes", "Nodes"),
            Column("part", "Part"),
            Column("tau", "Time constant", "s"),
            Column("resistance", "Resistance", "K/W"),
            Column("total", "All parts", "K/W"),
            Column("residual", "Residual, RMS", "K"),
            Column("note", "Note"),
        ),
        lambda run: (row for found in run.result.thermal for n in found.networks for row in _network_rows(n, run)),
        note=f"{U95} The interval of a time constant is that of its logarithm. Foster form: T = T_ref + Σ R_i · "
        "lag_i(loss); the reference reaches the heated end through all lags. A negative part belongs to a sensor that "
        "does not sit where the loss arises.",
    )


def _network_rows(found: ThermalNetwork, run: RunReport) -> Iterable[Row]:
    if not _is_told(found):  # its numbers would be those of chance
        yield (
            Text(_label(run, found.channel)),
            Text(f"{found.loss}, over {_label(run, found.reference)}"),
            count(len(found.tau_s)),
            *(Text("not determined"), Text(""), Text(""), Text("")),
            plain(found.residual_rms_k, "K", 3),
            Text("; ".join(found.notes), Tone.CAUTION),
        )
        return
    for i, (tau, R) in enumerate(zip(found.tau_s, found.resistance_k_w, strict=True)):
        first = i == 0
        yield (
            Text(_label(run, found.channel) if first else ""),
            Text(f"{found.loss}, over {_label(run, found.reference)}" if first else ""),
            count(len(found.tau_s)) if first else Text(""),
            count(i + 1),
            number(tau),
            number(R),
            number(found.total_k_w) if first else Text(""),
            plain(found.residual_rms_k, "K", 3) if first else Text(""),
            Text("; ".join(found.notes), Tone.CAUTION) if first and found.notes else Text(""),
        )


def _is_told(found: ThermalNetwork) -> bool:
    """False where the interval of a time constant has no end: the record is too short, or follows another law."""
    return all(tau.interval95 is None or math.isfinite(tau.interval95[1]) for tau in found.tau_s)


def _orders(runs: Sequence[RunReport]) -> Block | None:
    return table_by_run(
        runs,
        "network-orders",
        "How many nodes",
        (
            Column("channel", "Temperature"),
            Column("nodes", "Nodes"),
            Column("fitted", "Misses what it was fitted to by, RMS", "K"),
            Column("predicted", "Misses what it had not seen by, RMS", "K"),
            Column("taken", "Taken"),
        ),
        lambda run: (
            (
                Text(_label(run, found.channel)),
                count(order.order),
                plain(order.fitted_rms_k, "K", 3),
                plain(order.predicted_rms_k, "K", 3),
                Text("taken", Tone.GOOD) if order.is_chosen else Text(order.note),
            )
            for limits in run.result.thermal
            for found in limits.networks
            for order in found.orders
        ),
        note="The order is taken by what it predicts of readings left out, not by how well it fits: "
        f"{_left_out(runs)}.",
    )


def _left_out(runs: Sequence[RunReport]) -> str:
    ways = {n.chosen_by for run in runs for limits in run.result.thermal for n in limits.networks}
    return ", or ".join(sorted(ways))


def _has_map(found: ThermalLimits) -> bool:
    torques = [cell.torque_nm.value for row in found.derating for cell in row]
    wide = len(found.derating) > 1 and len(found.derating[0]) > 1
    return wide and sum(math.isfinite(value) for value in torques) >= 4


def _map(run: RunReport, found: ThermalLimits, runs: Sequence[RunReport]) -> Block:
    rows = found.derating
    limiting = sorted({_label(run, cell.limited_by) for row in rows for cell in row})
    beyond = any(cell.is_extrapolated for row in rows for cell in row)
    return GridFigure(
        f"derating-{run_slug(run)}",
        f"Derating map{of_run(run, runs)}",
        f"Continuous torque over speed and coolant temperature, and the half-width of its 95 % interval. Limited by "
        f"{listed(limiting)}."
        + (" Part of it lies beyond the tested current or speed: the table says where." if beyond else ""),
        Series("Speed", "rpm", tuple(cell.speed_rpm for cell in rows[0])),
        Series("Coolant", "°C", tuple(row[0].coolant_c for row in rows)),
        Grid(
            "Continuous torque",
            "N·m",
            tuple(tuple(cell.torque_nm.value for cell in row) for row in rows),
            tuple(tuple(cell.torque_nm.u for cell in row) for row in rows),
        ),
    )


def _ratings(runs: Sequence[RunReport]) -> Block | None:
    return table_by_run(
        runs,
        "derating",
        "Continuous load by coolant temperature and speed",
        (
            Column("coolant", "Coolant", "°C"),
            Column("speed", "Speed", "rpm"),
            Column("current", "Current", "A"),
            Column("torque", "Torque", "N·m"),
            Column("shaft_power", "Shaft power", "W"),
            Column("limited_by", "Limited by"),
            Column("basis", "Basis"),
        ),
        lambda run: (
            _rating_row(cell, run)
            for found in run.result.thermal
            for row in found.derating[::2]
            for cell in (row[0], row[len(row) // 2], row[-1])[: len(row)]
        ),
        note=f"{U95} Loss k I² (1 + α (T − 20 °C)) + b n + c n², fitted to this run; cooling as in this run. It holds "
        "for the measured temperatures: a hotter place beside a sensor needs its own allowance.",
    )


def _rating_row(cell: ThermalRating, run: RunReport) -> Row:
    outside = Text("extrapolated", Tone.CAUTION)
    return (
        plain(cell.coolant_c, "°C", 4),
        plain(cell.speed_rpm, "rpm", 5),
        number(cell.current_a),
        number(cell.torque_nm),
        number(cell.shaft_power_w),
        Text(_label(run, cell.limited_by)),
        outside if cell.is_extrapolated else Text("within the tested loads"),
    )


def _short_times(runs: Sequence[RunReport]) -> Block | None:
    return table_by_run(
        runs,
        "short-times",
        "How long a load may be held",
        (
            Column("channel", "Until the limit of"),
            Column("speed", "Speed", "rpm"),
            Column("coolant", "Coolant", "°C"),
            Column("start", "From", "°C"),
            Column("load", "Current, of continuous", "%"),
            Column("current", "Current", "A"),
            Column("time", "Time", "s"),
        ),
        lambda run: (_short_row(row, run) for found in run.result.thermal for row in found.short_times),
        note="95 % intervals by drawing network and loss. The warm start is the end of a long load at 70 % of the "
        "continuous current. Only temperatures whose network is a ladder that the record determines.",
    )


def _short_row(row: ShortTime, run: RunReport) -> Row:
    return (
        Text(_label(run, row.channel)),
        plain(row.speed_rpm, "rpm", 5),
        plain(row.coolant_c, "°C", 4),
        plain(row.start_c, "°C", 4),
        plain(100.0 * row.current_share, "%", 4),
        plain(row.current_a, "A", 4),
        _time(row.time_s),
    )


def _time(found: Estimate) -> Cell:
    """A time with its interval; in words where it, or an end of its interval, is not finite."""
    low, high = found.interval95 or (math.nan, math.nan)
    if math.isfinite(found.value) and math.isfinite(high):
        return number(found)
    least = f"at least {show(plain(low, 's', 2))}" if math.isfinite(low) else "for ever"
    return Text(f"{show(plain(found.value, 's', 3))}, {least}" if math.isfinite(found.value) else least)


def _label(run: RunReport, channel: str) -> str:
    return run.stand.channels[channel].label if channel in run.stand.channels else channel
