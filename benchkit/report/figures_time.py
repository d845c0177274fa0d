"""Figures over time: traces with limits and marks, and the chain of a reaction."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from benchkit.report import svg
from benchkit.report.model import Level, Number, Panel, StageFigure, TraceFigure
from benchkit.report.numbers import show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LEGEND_CHARACTERS = 118
"""Room of a legend of the page's width."""
MINUTES_FROM_S = 600.0
"""A time axis longer than this is drawn in minutes."""


def traces(spec: TraceFigure) -> Figure:
    """Panels over one time axis; limits red and dashed with their name, stretches shaded, instants marked."""
    figure = svg.blank(0.5 + sum(_panel_height(panel, len(spec.panels)) for panel in spec.panels))
    ratios = [_panel_height(panel, len(spec.panels)) for panel in spec.panels]
    grid = figure.subplots(len(spec.panels), 1, sharex=True, squeeze=False, height_ratios=ratios)[:, 0]
    ends = [(t.time.values[0], t.time.values[-1]) for p in spec.panels for t in p.traces if t.time.values]
    begin, end = min(e[0] for e in ends), max(e[1] for e in ends)
    divisor, unit = time_unit(end - begin)
    for axes, panel in zip(grid, spec.panels, strict=True):
        _draw_panel(axes, panel, divisor)
        for span in spec.spans:
            place = (span.start.value / divisor, span.stop.value / divisor)
            axes.axvspan(*place, facecolor=svg.BAND, edgecolor="white", linewidth=0.8, zorder=0.4)
        for mark in spec.marks:
            axes.axvline(mark.at.value / divisor, color=svg.ABNORMAL, linewidth=1.0, zorder=3)
    top = grid[0]
    _label_spans(top, spec, divisor, (end - begin) / divisor)
    _label_marks(top, spec, begin, end, divisor)
    if any(_has_legend(panel) for panel in spec.panels):
        handles, labels = _handles(grid)
        columns = max(1, min(3, LEGEND_CHARACTERS // (max(map(len, labels)) + 8)))
        figure.legend(handles, labels, loc="outside upper left", ncols=columns, frameon=False)
    grid[-1].set_xlabel(f"{spec.time_label} / {unit}")
    grid[-1].set_xlim(begin / divisor, end / divisor)
    return figure


def time_unit(length_s: float) -> tuple[float, str]:
    """Seconds in the unit of a time axis of that length, and its name."""
    for least_s, divisor, unit in ((MINUTES_FROM_S, 60.0, "min"), (0.5, 1.0, "s"), (5e-4, 1e-3, "ms")):
        if length_s > least_s:
            return divisor, unit
    return 1e-6, "µs"


def _panel_height(panel: Panel, panels: int) -> float:
    return (2.6 if panels == 1 else 1.55) + (0.45 if _has_legend(panel) else 0.0)


def _has_legend(panel: Panel) -> bool:
    return len(panel.traces) > 1


def _draw_panel(axes: Axes, panel: Panel, divisor: float) -> None:
    lows, highs, colour_of, fits = [], [], 0, 0
    for trace in panel.traces:
        x, y = np.asarray(trace.time.values) / divisor, np.asarray(trace.value.values)
        if trace.is_fit:
            style: dict[str, Any] = {"color": "#000000", "linestyle": (0, (2, 2)), "linewidth": 1.4, "zorder": 2.6}
            style["label"] = "fitted curve" if fits == 0 else ""
            fits += 1
        else:
            style = svg.line_style(colour_of) | {"label": svg.legend_text(trace.label)}
            colour_of += 1
        axes.plot(x, y, **style)
        if np.isfinite(y).any():
            lows.append(float(np.nanmin(y)))
            highs.append(float(np.nanmax(y)))
    if lows:
        for level in panel.levels:
            _draw_level(axes, level, lows, highs)
        low, high = min(lows), max(highs)
        margin = 0.08 * (high - low) or max(0.05 * abs(high), 0.5)
        axes.set_ylim(low - margin, high + margin)
    axes.set_ylabel(f"{panel.title}\n/ {panel.unit}")


def _handles(grid: Iterable[Axes]) -> tuple[list[Any], list[Any]]:
    """Lines and labels of all panels that have more than one line."""
    pairs = [axes.get_legend_handles_labels() for axes in grid]
    return [h for handles, _ in pairs for h in handles], [label for _, labels in pairs for label in labels]


def _label_marks(axes: Axes, spec: TraceFigure, begin: float, end: float, divisor: float) -> None:
    """Names of the instants above the top panel, as many as have room; the lines are all there."""
    reserved = -np.inf
    for mark in spec.marks:
        place = (mark.at.value - begin) / (end - begin)
        room = 0.0115 * len(mark.label)
        left = place - room if place > 0.6 else place
        if left < reserved:
            continue
        reserved = left + room
        axes.annotate(
            mark.label,
            (mark.at.value / divisor, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 3),
            textcoords="offset points",
            ha="right" if place > 0.6 else "left",
            va="bottom",
            color=svg.ABNORMAL,
            fontsize=7.5,
        )


def _draw_level(axes: Axes, level: Level, lows: list[float], highs: list[float]) -> None:
    """A limit within reach of the data widens the axis; one far away would flatten the data and is not drawn."""
    value, low, high = level.at.value, min(lows), max(highs)
    reach = max(2.0 * (high - low), 0.25 * max(abs(low), abs(high)))
    if not low - reach <= value <= high + reach:
        return
    colour, dash = (svg.ABNORMAL, (0, (6, 3))) if level.is_trip else (svg.CAUTION, (0, (2, 2)))
    axes.axhline(value, color=colour, linestyle=dash, linewidth=1.0, zorder=2.5)
    axes.annotate(
        level.label,
        (0.0, value),
        xycoords=("axes fraction", "data"),
        xytext=(4, 2),
        textcoords="offset points",
        ha="left",
        va="bottom",
        color=colour,
        fontsize=7.5,
        bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.8},
    )
    lows.append(value)
    highs.append(value + 0.08 * (high - low))


def _label_spans(axes: Axes, spec: TraceFigure, divisor: float, length: float) -> None:
    """Names of the stretches along the foot of the top panel, as many as have room."""
    reserved = -np.inf
    for span in spec.spans:
        middle = 0.5 * (span.start.value + span.stop.value) / divisor
        room = length * 0.013 * len(span.label)
        if middle - room / 2 < reserved:
            continue
        reserved = middle + room / 2 + 0.004 * length
        axes.annotate(
            span.label,
            (middle, 0.0),
            xycoords=("data", "axes fraction"),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=6.5,
            color=svg.MUTED,
        )


def stages(spec: StageFigure) -> Figure:
    """One bar for each step from an instant to the next, on an axis of milliseconds from the first."""
    steps = list(pairwise(spec.stages))
    figure = svg.blank(0.7 + 0.34 * len(steps))
    axes = figure.subplots()
    end = max(stage.at.value for stage in spec.stages) or 1.0
    for row, (before, after) in enumerate(steps):
        start, stop = before.at.value, after.at.value
        axes.barh(row, stop - start, 0.5, left=start, color=svg.BAR, edgecolor=svg.INK, linewidth=0.6)
        took = show(Number(stop - start, after.at.unit, digits=3))
        _label_bar(axes, str(took), row, (start, stop), end)
    axes.set_yticks(
        range(len(steps)), [f"{before.label} \N{RIGHTWARDS ARROW} {after.label}" for before, after in steps]
    )
    axes.set_ylim(len(steps) - 0.4, -0.6)
    axes.set_xlim(0.0, 1.03 * end)
    axes.grid(visible=False, axis="y")
    axes.set_xlabel("Host time after the sample arrived / ms")
    return figure


def _label_bar(axes: Axes, text: str, row: int, bar: tuple[float, float], end: float) -> None:
    """The text of a bar: inside where it is long, else beside it on the side that has room."""
    start, stop = bar
    if stop - start > 0.25 * end:
        axes.annotate(text, (0.5 * (start + stop), row), ha="center", va="center")
        return
    at, shift, side = (start, -4, "right") if stop > 0.8 * end else (stop, 4, "left")
    axes.annotate(text, (at, row), xytext=(shift, 0), textcoords="offset points", ha=side, va="center")
