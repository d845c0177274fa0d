"""A mission on a battery: how long, how much, what ends it, how warm, and the power that fits a wanted endurance."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.model.results_endurance import EnduranceResult, MissionTrace
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    Panel,
    RunReport,
    Section,
    Series,
    Text,
    Tone,
    Trace,
    TraceFigure,
    number,
    plain,
)
from benchkit.report.rows import is_known, of_run, run_slug, table_by_run

Row = tuple[Cell, ...]
HOUR_S = 3600.0
U95 = (
    "Values are value ± U, U the half-width of the 95 % interval of the trials; two numbers where it is not symmetric."
)


def endurance_section(runs: Sequence[RunReport]) -> Section | None:
    """Tables of the mission and its course over time."""
    if not any(run.result.endurance for run in runs):
        return None
    blocks: list[Block | None] = [
        table_by_run(
            runs,
            "mission",
            "Mission on the battery",
            (
                Column("kind", "Loads by"),
                Column("endurance", "Endurance", "s"),
                Column("energy", "Energy at the terminals", "Wh"),
                Column("power", "Mean power", "W"),
                Column("left", "Charge left", "%"),
                Column("voltage", "Lowest voltage", "V"),
                Column("stored", "Open-circuit energy", "Wh"),
            ),
            lambda run: (_row(mission) for mission in run.result.endurance),
            note=f"{U95} The first of cut-off voltage, charge reserve and the limits of the parts ends the mission. "
            "The losses are those of the run at its temperatures; resistance and capacity of the battery are those of "
            "the duty file, the same from full to empty.",
        ),
        table_by_run(
            runs,
            "mission-ends",
            "What ends the mission",
            (Column("cause", "Cause"), Column("share", "Share of the trials", "%")),
            lambda run: (row for mission in run.result.endurance for row in _ends(mission)),
            note=f"Of {_trials(runs)} trials, each with its own battery, losses and coolant.",
        ),
        table_by_run(
            runs,
            "mission-temperatures",
            "Highest temperatures",
            (Column("part", "Part"), Column("temperature", "Highest", "°C")),
            lambda run: ((Text(n), number(t)) for mission in run.result.endurance for n, t in mission.hottest_c),
            note=U95,
        ),
        table_by_run(
            runs,
            "mission-continuous",
            "Continuous power for a wanted endurance",
            (Column("wanted", "Wanted endurance", "s"), Column("power", "Power at the terminals", "W")),
            lambda run: (row for mission in run.result.endurance for row in _continuous(mission)),
            note=f"{U95} Limited by the battery alone; whether the parts bear it, the ratings say.",
        ),
    ]
    blocks += [_figure(mission, run, runs) for run in runs for mission in run.result.endurance]
    return Section("endurance", "Endurance", tuple(b for b in blocks if b is not None))


def _trials(runs: Sequence[RunReport]) -> int:
    return max(mission.trials for run in runs for mission in run.result.endurance)


def _row(mission: EnduranceResult) -> Row:
    lasts = number(mission.endurance_s)
    return (
        Text(mission.kind),
        lasts if is_known(mission.endurance_s) else Text("done before a limit", Tone.GOOD),
        number(mission.energy_wh),
        number(mission.mean_power_w),
        number(mission.charge_left, in_percent=True),
        number(mission.lowest_voltage_v),
        number(mission.stored_wh),
    )


def _ends(mission: EnduranceResult) -> Iterable[Row]:
    for end in mission.ends:
        yield Text(end.cause), plain(100.0 * end.share, "%", 3)
    if mission.done_share > 0.0:
        yield Text("none: the mission is done"), plain(100.0 * mission.done_share, "%", 3)


def _continuous(mission: EnduranceResult) -> Iterable[Row]:
    if mission.continuous_power_w is not None and mission.wanted_s is not None:
        yield plain(mission.wanted_s, "s", 6), number(mission.continuous_power_w)


def _figure(mission: EnduranceResult, run: RunReport, runs: Sequence[RunReport]) -> TraceFigure | None:
    temperatures = [trace for trace in mission.traces if trace.unit == "°C"]
    others = [trace for trace in mission.traces if trace.unit != "°C"]
    if not mission.traces:
        return None
    panels = [Panel(trace.name.capitalize(), trace.unit, _lines(trace)) for trace in others]
    if temperatures:
        lines = tuple(line for trace in temperatures for line in _lines(trace))
        panels.append(Panel("Temperatures", "°C", lines))
    return TraceFigure(
        f"mission-figure-{run_slug(run)}",
        f"Course of the mission{of_run(run, runs)}",
        "Voltage, charge and temperatures over the mission: median of the trials, and the ends of their 95 % band.",
        tuple(panels),
        time_label="Time since start of mission",
    )


def _lines(trace: MissionTrace) -> tuple[Trace, ...]:
    time = Series("time", "s", trace.time_s)
    return (
        Trace(trace.name, time, Series(trace.name, trace.unit, trace.middle)),
        Trace(f"{trace.name}, low end", time, Series(trace.name, trace.unit, trace.low)),
        Trace(f"{trace.name}, high end", time, Series(trace.name, trace.unit, trace.high)),
    )
