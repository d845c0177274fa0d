"""Spectra: amplitude over frequency, both axes logarithmic, a panel a channel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchkit.report import svg
from benchkit.report.bursts import FLOOR
from benchkit.report.numbers import plain_text

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from benchkit.report.model import SpectrumFigure


def spectra(spec: SpectrumFigure) -> Figure:
    """One panel a channel over one axis of frequency."""
    from matplotlib.ticker import EngFormatter, FuncFormatter, NullFormatter

    figure = svg.blank(0.5 + 1.5 * len(spec.lines))
    grid = figure.subplots(len(spec.lines), 1, sharex=True, squeeze=False)[:, 0]
    for axes, line in zip(grid, spec.lines, strict=True):
        x, y = np.asarray(line.frequency.values), np.asarray(line.amplitude.values)
        axes.loglog(x, y, color=svg.LINES[0][0], linewidth=0.8)
        axes.set_ylabel(f"{line.label}\n/ {line.amplitude.unit}")
        if len(y):
            axes.set_ylim(float(y.max()) * FLOOR, float(y.max()) * 3.0)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: plain_text(value, 1)))
        axes.yaxis.set_minor_formatter(NullFormatter())
    grid[-1].set_xlabel("Frequency / Hz")
    grid[-1].xaxis.set_major_formatter(EngFormatter(sep="\N{NARROW NO-BREAK SPACE}"))
    return figure
