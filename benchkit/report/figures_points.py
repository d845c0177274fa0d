"""Figures of operating points: stacked losses, efficiency map, points with error bars, shares with bounds."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from benchkit.report import svg
from benchkit.report.model import (
    CloudFigure,
    CloudPanel,
    GridFigure,
    LossFigure,
    MapFigure,
    Number,
    Series,
    ShareFigure,
)
from benchkit.report.numbers import bounds95, show

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BARS = (("#56b4e9", ""), ("#e69f00", "////"), ("#999999", "...."))
"""Fill and hatch of the parts of a bar."""
LABELLED_BARS = 28
BETWEEN = 0.06
"""Room between panels side by side, as a share of their width: the title of an axis belongs to what it stands at."""


def losses(spec: LossFigure) -> Figure:
    """Stacked bars with the 95 % interval of the sum."""
    figure = svg.blank(3.1)
    axes = figure.subplots()
    places = np.arange(len(spec.labels))
    foot = np.zeros(len(spec.labels))
    for part, (fill, hatch) in zip(spec.parts, BARS, strict=False):
        height = np.asarray(part.values)
        axes.bar(
            places, height, 0.72, bottom=foot, color=fill, hatch=hatch, edgecolor=svg.INK, linewidth=0.5,
            label=part.name,
        )  # fmt: skip
        foot = foot + np.nan_to_num(height)
    low, high = _arms(spec.total)
    axes.errorbar(
        places, spec.total.values, yerr=[low, high], fmt="none", ecolor=svg.INK, elinewidth=1.0, capsize=2.5,
        label="95 % interval of the sum",
    )  # fmt: skip
    every = max(1, -(-len(spec.labels) // LABELLED_BARS))
    axes.set_xticks(places[::every], spec.labels[::every], rotation=90 if len(spec.labels) > 12 else 0)
    axes.tick_params(axis="x", length=0)
    axes.grid(visible=False, axis="x")
    axes.set_xlim(-0.6, len(spec.labels) - 0.4)
    axes.set_ylabel(f"Loss / {spec.total.unit}")
    axes.set_xlabel("Operating point")
    axes.legend(
        loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=len(spec.parts) + 1, frameon=False, borderaxespad=0.2
    )
    return figure


def efficiency_map(spec: MapFigure) -> Figure:
    """Efficiency and its uncertainty side by side, inside the hull of the measured points only."""
    figure = svg.blank(3.3)
    figure.set_layout_engine("constrained", wspace=BETWEEN)
    left, right = figure.subplots(1, 2, sharey=True, sharex=True)
    x, y = np.asarray(spec.speed.values), np.asarray(spec.torque.values)
    efficiency = 100.0 * np.asarray(spec.efficiency.values, dtype=float)
    half_width = 100.0 * 1.959964 * np.asarray(spec.efficiency.u, dtype=float)
    levels = _percent_levels(efficiency)
    _filled(figure, left, (x, y, efficiency), colours="viridis", levels=levels, label="Efficiency / %")
    levels = _spread_levels(half_width)
    _filled(figure, right, (x, y, half_width), colours="cividis", levels=levels, label="± 95 % interval / %-points")
    left.set_title(spec.efficiency.name)
    right.set_title("Uncertainty")
    for axes in (left, right):
        axes.plot(spec.hull_speed.values, spec.hull_torque.values, color=svg.MUTED, linewidth=0.8)
        axes.plot(
            spec.point_speed.values, spec.point_torque.values, "o", markersize=3.2, markerfacecolor="white",
            markeredgecolor="black", markeredgewidth=0.8, linestyle="none", label="measured",
        )  # fmt: skip
        axes.set_xlabel(f"Speed / {spec.speed.unit}")
        axes.grid(visible=False)
    left.plot(
        [spec.best_speed.value], [spec.best_torque.value], "*", markersize=12, markerfacecolor="white",
        markeredgecolor="black", linestyle="none", clip_on=False, zorder=5, label=f"best, {show(spec.best_efficiency)}",
    )  # fmt: skip
    left.set_ylabel(f"Torque / {spec.torque.unit}")
    left.set_xlim(*_with_margin(x))
    left.set_ylim(*_with_margin(y))
    figure.legend(*left.get_legend_handles_labels(), loc="outside lower left", ncols=2, frameon=False)
    return figure


def _with_margin(values: Any) -> tuple[float, float]:
    """Ends of an axis a little outside its values, so that labels at the rim are not cut."""
    low, high = float(values.min()), float(values.max())
    margin = 0.04 * (high - low) or 1.0
    return low - margin, high + margin


def grid(spec: GridFigure) -> Figure:
    """A quantity and its uncertainty side by side."""
    figure = svg.blank(3.0)
    figure.set_layout_engine("constrained", wspace=BETWEEN)
    left, right = figure.subplots(1, 2, sharey=True, sharex=True)
    x, y = np.asarray(spec.x.values), np.asarray(spec.y.values)
    values = np.asarray(spec.values.values, dtype=float)
    half_width = 1.959964 * np.asarray(spec.values.u, dtype=float)
    unit = spec.values.unit
    _filled(figure, left, (x, y, values), colours="viridis", levels=_even_levels(values), label=unit)
    label = f"± 95 % interval / {unit}"
    _filled(figure, right, (x, y, half_width), colours="cividis", levels=_even_levels(half_width), label=label)
    left.set_title(spec.values.name)
    right.set_title("Uncertainty")
    left.set_xlim(*_with_margin(x))
    left.set_ylim(*_with_margin(y))
    left.set_ylabel(f"{spec.y.name} / {spec.y.unit}")
    for axes in (left, right):
        axes.set_xlabel(f"{spec.x.name} / {spec.x.unit}")
    return figure


def _filled(figure: Figure, axes: Axes, data: tuple[Any, Any, Any], *, colours: str, levels: Any, label: str) -> None:
    x, y, z = data
    drawn = axes.contourf(x, y, np.ma.masked_invalid(z), levels=levels, cmap=colours, extend=_beyond(z, levels))
    lines = axes.contour(x, y, np.ma.masked_invalid(z), levels=levels[1:-1], colors="black", linewidths=0.4)
    texts = axes.clabel(lines, levels[1:-1][:: max(1, len(levels) // 6)], fontsize=6.5, fmt="%g")
    for text in texts:
        text.set_bbox({"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none", "alpha": 0.75})
    figure.colorbar(drawn, ax=axes, label=label, shrink=0.95, pad=0.02, format="%g")


def _beyond(values: Any, levels: Any) -> Literal["neither", "min", "max", "both"]:
    """On which sides values lie outside the levels."""
    finite = values[np.isfinite(values)]
    if finite.size == 0:
        return "neither"
    below, above = bool(finite.min() < levels[0]), bool(finite.max() > levels[-1])
    return "both" if below and above else "min" if below else "max" if above else "neither"


def _percent_levels(values: Any) -> Any:
    """Whole steps of efficiency, closer where the map is flat; the low foot of the map is one colour."""
    finite = values[np.isfinite(values)]
    if finite.size == 0 or finite.max() - finite.min() < 1e-9:
        return _even_levels(values)
    foot = np.percentile(finite, 5)
    return _even_levels(np.array([foot, finite.max()]), 11)


def _spread_levels(values: Any) -> Any:
    """Steps of the uncertainty; its peak at the rim of the map is one colour."""
    finite = values[np.isfinite(values)]
    return (
        _even_levels(values) if finite.size == 0 else _even_levels(np.array([finite.min(), np.percentile(finite, 95)]))
    )


def _even_levels(values: Any, wanted: int = 9) -> Any:
    from matplotlib.ticker import MaxNLocator

    finite = values[np.isfinite(values)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    if high - low < 1e-12:
        low, high = low - 0.5e-3 * max(abs(low), 1.0), high + 0.5e-3 * max(abs(high), 1.0)
    return MaxNLocator(wanted, steps=[1, 2, 2.5, 5, 10]).tick_values(low, high)


def clouds(spec: CloudFigure) -> Figure:
    """Points with 95 % error bars; runs differ by colour and by marker."""
    figure = svg.blank(2.9)
    figure.set_layout_engine("constrained", wspace=BETWEEN)
    grid = figure.subplots(1, len(spec.panels), squeeze=False)[0]
    for axes, panel in zip(grid, spec.panels, strict=True):
        _cloud_panel(axes, panel)
    handles, labels = grid[0].get_legend_handles_labels()
    if len(spec.panels[0].clouds) > 1 or spec.panels[0].through_zero:
        figure.legend(handles, labels, loc="outside lower left", ncols=4, frameon=False)
    return figure


def _cloud_panel(axes: Axes, panel: CloudPanel) -> None:
    for i, cloud in enumerate(panel.clouds):
        x, y = np.asarray(cloud.x.values), np.asarray(cloud.y.values)
        axes.errorbar(
            x, y, xerr=_arms(cloud.x), yerr=_arms(cloud.y), marker=svg.MARKERS[i % len(svg.MARKERS)], markersize=4,
            linestyle="none", color=svg.LINES[i % len(svg.LINES)][0], elinewidth=1.0, capsize=2.0,
            markerfacecolor="white", label=svg.legend_text(cloud.label),
        )  # fmt: skip
        good = np.isfinite(x) & np.isfinite(y)
        if panel.through_zero and good.any():
            slope = float(np.sum(x[good] * y[good]) / np.sum(x[good] ** 2))
            top = float(np.max(x[good]))
            axes.plot(
                [0.0, top],
                [0.0, slope * top],
                linewidth=0.9,
                **_light(i),
                label="∝ n²" if len(panel.clouds) == 1 else f"{cloud.label}, ∝ n²",
            )
    axes.set_title(panel.title)
    axes.set_xlabel(panel.x_label)
    axes.set_ylabel(panel.y_label)
    if panel.through_zero:
        axes.set_xlim(left=0.0)
        axes.set_ylim(bottom=0.0)
    axes.locator_params(axis="x", nbins=5)
    axes.margins(x=0.08, y=0.15)


def _light(index: int) -> dict[str, Any]:
    return {"color": svg.LINES[index % len(svg.LINES)][0], "linestyle": (0, (4, 2)), "zorder": 1.5}


def _arms(values: Series) -> Any:
    """Lower and upper error bar of 95 % for each value; 0 where no uncertainty is stated."""
    spread = values.u or (0.0,) * len(values.values)
    freedom = values.dof or (math.inf,) * len(values.values)
    arms = []
    for value, u, dof in zip(values.values, spread, freedom, strict=True):
        bounds = bounds95(Number(value, values.unit, u, dof))
        arms.append((0.0, 0.0) if bounds is None else (value - bounds[0], bounds[1] - value))
    return np.asarray(arms, dtype=float).reshape(-1, 2).T


def shares(spec: ShareFigure) -> Figure:
    """Shares with their bounds beside the stated share."""
    figure = svg.blank(0.8 + 0.36 * len(spec.labels))
    axes = figure.subplots()
    for i, share in enumerate(spec.shares):
        low, high = bounds95(share) or (share.value, share.value)
        axes.errorbar(
            [100 * share.value], [i], xerr=[[100 * (share.value - low)], [100 * (high - share.value)]],
            marker="o", markersize=5, color=svg.LINES[0][0], capsize=3, elinewidth=1.2,
        )  # fmt: skip
    axes.axvline(100 * spec.stated.value, color=svg.INK, linestyle=(0, (5, 2)), linewidth=1.0, label="stated")
    axes.set_yticks(range(len(spec.labels)), spec.labels)
    axes.set_ylim(len(spec.labels) - 0.4, -0.6)
    axes.set_xlabel("Share of points whose 95 % interval holds the truth / %")
    axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5), frameon=False)
    return figure
