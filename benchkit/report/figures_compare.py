"""Figures of comparisons: difference by region with what was not shown hatched, and control charts."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchkit.report import svg
from benchkit.report.model import ControlFigure, DifferenceFigure
from benchkit.report.numbers import MINUS, bounds95, rounded_to_uncertainty

if TYPE_CHECKING:
    from matplotlib.figure import Figure

COLOURS = "PuOr_r"
"""Two hues that colour-blind readers tell apart; the middle is no difference."""
HATCHES = {"not shown": "////", "equivalent": "....", "refused": "xxxx"}
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Of red, green and blue, ITU-R BT.709."""
LABELLED = 24


def differences(spec: DifferenceFigure) -> Figure:
    """Regions in the colour of their difference, hatched where no verdict is; points on top in the same colours."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import Normalize
    from matplotlib.patches import Patch, Rectangle

    figure = svg.blank(3.9)
    axes = figure.subplots()
    # what cannot be told from noise must not look strong: the scale is at least the widest half interval
    sizes = [abs(r.difference.value) for r in spec.regions] + [_half(r.difference) for r in spec.regions]
    reach = max(max((x for x in sizes if np.isfinite(x)), default=0.0), 1e-6)
    colour = ScalarMappable(Normalize(-reach, reach), COLOURS)
    for region in spec.regions:
        x, y = region.speed_low.value, region.torque_low.value
        width, height = region.speed_high.value - x, region.torque_high.value - y
        fill = colour.to_rgba(np.array([region.difference.value]))[0]
        axes.add_patch(Rectangle((x, y), width, height, facecolor=fill, edgecolor="white", linewidth=1.5))
        hatch = HATCHES.get(region.word)
        if hatch:
            is_dark = float(fill[:3] @ LUMINANCE) < 0.45
            edge = "white" if is_dark else svg.MUTED
            axes.add_patch(Rectangle((x, y), width, height, fill=False, hatch=hatch, edgecolor=edge, linewidth=0.0))
        box = {"boxstyle": "square,pad=0.2", "facecolor": "white", "edgecolor": "none", "alpha": 0.88}
        text = f"{_figures(region.difference)}\n{region.word}"
        axes.text(x + 0.5 * width, y + 0.27 * height, text, ha="center", va="center", fontsize=7.5, zorder=5, bbox=box)
    # a white ring under the black one: seen on dark and on light regions
    axes.scatter(spec.point_speed.values, spec.point_torque.values, s=52, c="white", zorder=3.9, clip_on=False)
    axes.scatter(
        spec.point_speed.values, spec.point_torque.values, c=spec.point_difference.values, cmap=COLOURS, vmin=-reach,
        vmax=reach, s=26, edgecolors="black", linewidths=0.8, zorder=4, clip_on=False,
    )  # fmt: skip
    axes.set_xlim(min(r.speed_low.value for r in spec.regions), max(r.speed_high.value for r in spec.regions))
    axes.set_ylim(min(r.torque_low.value for r in spec.regions), max(r.torque_high.value for r in spec.regions))
    axes.set_xlabel(f"Speed / {spec.point_speed.unit}")
    axes.set_ylabel(f"Torque / {spec.point_torque.unit}")
    axes.grid(visible=False)
    figure.colorbar(
        colour,
        ax=axes,
        label=spec.quantity,
        shrink=0.95,
        pad=0.02,
        format=lambda value, _: f"{value:g}".replace("-", MINUS),
    )
    present = [word for word in HATCHES if any(r.word == word for r in spec.regions)]
    handles = [Patch(facecolor="white", edgecolor=svg.MUTED, hatch=HATCHES[word], label=word) for word in present]
    if any(r.word not in HATCHES for r in spec.regions):
        handles.append(Patch(facecolor="white", edgecolor=svg.MUTED, label="without hatch: better or worse, shown"))
    figure.legend(handles=handles, loc="outside lower left", ncols=4, frameon=False)
    return figure


def _half(number: object) -> float:
    bounds = bounds95(number)  # type: ignore[arg-type]
    return float("nan") if bounds is None else 0.5 * (bounds[1] - bounds[0])


def _figures(number: object) -> str:
    half = _half(number)
    value = float(getattr(number, "value", float("nan")))
    if not np.isfinite(half) or half <= 0.0:
        return f"{value:+.2g}"
    text, spread = rounded_to_uncertainty(value, half)
    return f"{'+' if value > 0.0 else ''}{text} ± {spread}"


def control(spec: ControlFigure) -> Figure:
    """Values in order over their moving ranges, each with its limits; what stands out is a filled square."""
    figure = svg.blank(4.3)
    top, low = figure.subplots(2, 1, sharex=True, height_ratios=(2.0, 1.0))
    places = np.arange(1, len(spec.values.values) + 1)
    values = np.asarray(spec.values.values)
    marked = np.isin(places, [int(m) for m in spec.marked])
    top.plot(places, values, marker="o", markersize=4, **svg.line_style(0), markerfacecolor="white")
    top.plot(
        places[marked], values[marked], "s", markersize=7, color=svg.ABNORMAL, linestyle="none",
        label="stands out" if marked.any() else None,
    )  # fmt: skip
    for at, label in ((spec.high, "upper limit"), (spec.centre, "centre"), (spec.low, "lower limit")):
        is_centre = label == "centre"
        top.axhline(at.value, color=svg.INK, linewidth=0.9, linestyle="-" if is_centre else (0, (5, 2)))
        top.annotate(
            label,
            (1.0, at.value),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
        )
    top.set_ylabel(f"{spec.values.name} / {spec.values.unit}")
    if marked.any():
        top.margins(y=0.25)
        top.legend(loc="upper left", fontsize=7.5)
    low.plot(places[1:], spec.ranges.values, marker="o", markersize=3.5, **svg.line_style(1), markerfacecolor="white")
    for at, label in ((spec.range_high, "upper limit"), (spec.range_mean, "mean")):
        low.axhline(at.value, color=svg.INK, linewidth=0.9, linestyle="-" if label == "mean" else (0, (5, 2)))
        low.annotate(
            label,
            (1.0, at.value),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
        )
    low.set_ylabel(f"Moving range / {spec.values.unit}")
    low.set_ylim(bottom=0.0)
    every = max(1, -(-len(places) // LABELLED))
    low.set_xticks(places[::every], spec.labels[::every], rotation=90 if len(places) > 8 else 0)
    return figure
