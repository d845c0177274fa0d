"""Figures of campaigns: groups of runs by their means, with the runs behind them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchkit.report import svg
from benchkit.report.model import GroupFigure, Number
from benchkit.report.numbers import bounds95

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SHOWN_MEMBERS = 400
"""Of a larger group every second, third … run is drawn."""
LEAST_HEIGHT_IN, ROW_IN = 1.0, 0.34


def groups(spec: GroupFigure) -> Figure:
    """One row a group: its runs as small dots, their mean with its 95 % interval below them."""
    figure = svg.blank(LEAST_HEIGHT_IN + ROW_IN * len(spec.labels))
    axes = figure.subplots()
    style = svg.LINES[0][0]
    for row, members in enumerate(spec.members):
        values = np.asarray(members.values)
        values = values[:: max(1, -(-len(values) // SHOWN_MEMBERS))]
        # runs of like value would hide each other: a fixed pattern of three heights
        heights = row - 0.08 - 0.07 * (np.arange(len(values)) % 3)
        axes.plot(
            values, heights, "o", markersize=2.6, color=svg.BAR, linestyle="none", label="run" if row == 0 else None
        )
    for row, value in enumerate(spec.means.values):
        u = spec.means.u[row] if spec.means.u else float("nan")
        dof = spec.means.dof[row] if spec.means.dof else float("inf")
        bounds = bounds95(Number(value, spec.means.unit, u, dof)) or (value, value)
        axes.errorbar(
            [value], [row + 0.16], xerr=[[value - bounds[0]], [bounds[1] - value]], marker="D", markersize=4.5,
            color=style, markerfacecolor="white", capsize=3, elinewidth=1.2,
            label="mean with its 95 % interval" if row == 0 else None,
        )  # fmt: skip
    axes.set_yticks(range(len(spec.labels)), [svg.legend_text(label) for label in spec.labels])
    axes.set_ylim(len(spec.labels) - 0.5, -0.5)
    axes.grid(visible=False, axis="y")
    axes.margins(x=0.06)
    unit = "" if spec.means.unit == "1" else f" / {spec.means.unit}"
    axes.set_xlabel(f"{spec.means.name}{unit}")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, frameon=False, borderaxespad=0.2)
    return figure
