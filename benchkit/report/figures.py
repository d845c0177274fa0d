"""Figures of the report by their kind, as drawings and as SVG text."""

from __future__ import annotations

from typing import TYPE_CHECKING

from benchkit.report import figures_campaign, figures_compare, figures_points, figures_spectra, figures_time, svg
from benchkit.report.model import (
    CloudFigure,
    ControlFigure,
    DifferenceFigure,
    Figure,
    GridFigure,
    GroupFigure,
    LossFigure,
    MapFigure,
    ShareFigure,
    SpectrumFigure,
    StageFigure,
    TraceFigure,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Drawing


def draw(spec: Figure) -> str:
    """Draw one figure as SVG text; the same spec gives the same text."""
    with svg.style():
        return svg.svg_text(drawing(spec), spec.id, spec.title, spec.description)


def drawing(spec: Figure) -> Drawing:
    """One figure of matplotlib, to be used inside :func:`benchkit.report.svg.style`."""
    match spec:
        case TraceFigure():
            figure = figures_time.traces(spec)
        case StageFigure():
            figure = figures_time.stages(spec)
        case LossFigure():
            figure = figures_points.losses(spec)
        case MapFigure():
            figure = figures_points.efficiency_map(spec)
        case GridFigure():
            figure = figures_points.grid(spec)
        case CloudFigure():
            figure = figures_points.clouds(spec)
        case SpectrumFigure():
            figure = figures_spectra.spectra(spec)
        case ShareFigure():
            figure = figures_points.shares(spec)
        case DifferenceFigure():
            figure = figures_compare.differences(spec)
        case ControlFigure():
            figure = figures_compare.control(spec)
        case GroupFigure():
            figure = figures_campaign.groups(spec)
    return figure
