"""What a report holds: numbers with unit and uncertainty, in tables and figures, in sections. Plain data.

The page and the JSON are two renderings of the same :class:`ReportModel`: no number is on the page that is not
in the JSON.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.events import Event
from benchkit.model.metrics import Metric
from benchkit.model.results import Contribution, Estimate, RunResult
from benchkit.model.run import RunHeader
from benchkit.model.stand import Stand

FULL_DIGITS = 6
"""Significant digits of a number that was set: it is shown as set, trailing zeros are noise."""


class Tone(StrEnum):
    """How loud a text is. The word itself always says it too; colour is never the only cue."""

    PLAIN = "plain"
    GOOD = "good"
    NOTE = "note"
    CAUTION = "caution"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class Number:
    """One number with its unit and standard uncertainty ``u``, k = 1.

    None: set, counted or without a statement. NaN: should have one, but it is not known.

    ``bounds`` are given where the 95 % interval is not value ± t·u, such as that of a proportion.
    """

    value: float
    unit: str
    u: float | None = None
    dof: float = math.inf
    budget: tuple[Contribution, ...] = ()
    bounds: tuple[float, float] | None = None
    in_percent: bool = False
    """Shown times 100 with %; ``value`` and ``u`` stay ratios."""
    whole: bool = False
    """Counted: shown without decimals."""
    digits: int = FULL_DIGITS
    """Significant digits on the page where no uncertainty is stated; the JSON has them all."""


@dataclass(frozen=True, slots=True)
class Text:
    """A text cell."""

    text: str
    tone: Tone = Tone.PLAIN
    code: bool = False
    """Identifier, hash or command: shown in a fixed pitch, may break anywhere."""


Cell = Number | Text


@dataclass(frozen=True, slots=True)
class Column:
    """One column. With ``unit`` the header names it and the cells do not; without, each cell does."""

    key: str
    title: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Rows of cells. ``note`` stands under the table."""

    id: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    note: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A text between tables and figures."""

    text: str
    tone: Tone = Tone.PLAIN
    heading: str = ""


@dataclass(frozen=True, slots=True)
class Listing:
    """A bulleted list; each line a heading word and its text."""

    lines: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Series:
    """A row of numbers of one quantity; ``u`` (k = 1) is empty where it is not stated, ``dof`` where it is infinite."""

    name: str
    unit: str
    values: tuple[float, ...]
    u: tuple[float, ...] = ()
    dof: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Grid:
    """A quantity over two axes: rows of ``values`` and of ``u``; NaN where nothing is said."""

    name: str
    unit: str
    values: tuple[tuple[float, ...], ...]
    u: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True)
class Trace:
    """One line over time. ``is_fit``: a fitted curve, drawn apart from measured ones."""

    label: str
    time: Series
    value: Series
    is_fit: bool = False


@dataclass(frozen=True, slots=True)
class Level:
    """A horizontal line such as a limit."""

    label: str
    at: Number
    is_trip: bool = True


@dataclass(frozen=True, slots=True)
class Panel:
    """Traces that share one vertical axis."""

    title: str
    unit: str
    traces: tuple[Trace, ...]
    levels: tuple[Level, ...] = ()


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of time, such as an operating point."""

    label: str
    start: Number
    stop: Number


@dataclass(frozen=True, slots=True)
class Mark:
    """An instant, such as a trip."""

    label: str
    at: Number


@dataclass(frozen=True, slots=True)
class TraceFigure:
    """Panels over one time axis, with stretches and instants marked."""

    id: str
    title: str
    description: str
    panels: tuple[Panel, ...]
    spans: tuple[Span, ...] = ()
    marks: tuple[Mark, ...] = ()
    time_label: str = "Time since start of run"


@dataclass(frozen=True, slots=True)
class LossFigure:
    """Stacked losses, one bar a point; ``total`` carries the uncertainty of the whole bar."""

    id: str
    title: str
    description: str
    labels: tuple[str, ...]
    parts: tuple[Series, ...]
    total: Series


@dataclass(frozen=True, slots=True)
class MapFigure:
    """Efficiency over speed and torque, its uncertainty, the hull, and the measured points on top."""

    id: str
    title: str
    description: str
    speed: Series
    torque: Series
    efficiency: Grid
    hull_speed: Series
    hull_torque: Series
    point_speed: Series
    point_torque: Series
    point_efficiency: Series
    best_speed: Number
    best_torque: Number
    best_efficiency: Number


@dataclass(frozen=True, slots=True)
class GridFigure:
    """A quantity over two axes as contours, and the half-width of its 95 % interval beside."""

    id: str
    title: str
    description: str
    x: Series
    y: Series
    values: Grid
    """Rows go with ``y``."""


@dataclass(frozen=True, slots=True)
class Cloud:
    """Measured points of one run: x against y, both with their uncertainty."""

    label: str
    x: Series
    y: Series


@dataclass(frozen=True, slots=True)
class CloudPanel:
    """Points of several runs on one pair of axes; ``through_zero`` draws the line through the origin."""

    title: str
    x_label: str
    y_label: str
    clouds: tuple[Cloud, ...]
    through_zero: bool = False


@dataclass(frozen=True, slots=True)
class CloudFigure:
    """Panels of points with error bars, side by side."""

    id: str
    title: str
    description: str
    panels: tuple[CloudPanel, ...]


@dataclass(frozen=True, slots=True)
class StageFigure:
    """A chain of instants from left to right, such as the reaction to a trip; times count from the first."""

    id: str
    title: str
    description: str
    stages: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class SpectrumLine:
    """Amplitude over frequency of one channel."""

    label: str
    frequency: Series
    amplitude: Series


@dataclass(frozen=True, slots=True)
class SpectrumFigure:
    """Spectra of several channels, one above the other, over one logarithmic axis of frequency."""

    id: str
    title: str
    description: str
    lines: tuple[SpectrumLine, ...]


@dataclass(frozen=True, slots=True)
class ShareFigure:
    """Shares with their bounds against a stated share, such as the coverage of intervals."""

    id: str
    title: str
    description: str
    labels: tuple[str, ...]
    shares: tuple[Number, ...]
    stated: Number


@dataclass(frozen=True, slots=True)
class RegionCell:
    """One region of a difference map: its bounds, the difference and the verdict in one word."""

    label: str
    word: str
    speed_low: Number
    speed_high: Number
    torque_low: Number
    torque_high: Number
    difference: Number


@dataclass(frozen=True, slots=True)
class DifferenceFigure:
    """Difference of two sides by region over speed and torque, hatched where it was not shown, and at the points."""

    id: str
    title: str
    description: str
    quantity: str
    regions: tuple[RegionCell, ...]
    point_speed: Series
    point_torque: Series
    point_difference: Series


@dataclass(frozen=True, slots=True)
class ControlFigure:
    """Individuals chart over its moving range: values in order with centre and limits; ``marked`` stand out."""

    id: str
    title: str
    description: str
    labels: tuple[str, ...]
    values: Series
    centre: Number
    low: Number
    high: Number
    ranges: Series
    range_mean: Number
    range_high: Number
    marked: tuple[str, ...]
    """Numbers of the values that stand out, counted from 1."""


@dataclass(frozen=True, slots=True)
class GroupFigure:
    """Means of groups with their 95 % intervals, and behind them the values they are made of."""

    id: str
    title: str
    description: str
    labels: tuple[str, ...]
    means: Series
    members: tuple[Series, ...]
    """One a group."""


Figure = (
    TraceFigure
    | LossFigure
    | MapFigure
    | GridFigure
    | CloudFigure
    | StageFigure
    | ShareFigure
    | SpectrumFigure
    | DifferenceFigure
    | ControlFigure
    | GroupFigure
)
Block = Table | Paragraph | Listing | Figure


@dataclass(frozen=True, slots=True)
class Section:
    """One heading of the report and what stands under it."""

    id: str
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class ChannelTrace:
    """A channel over time, thinned to its least and greatest values per stretch of the time axis."""

    channel: str
    label: str
    unit: str
    time_s: tuple[float, ...]
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Trip:
    """One trip, from the first cause to the reset, as the event log tells it.

    ``limits`` are the first-out causes: more than one where their order is not resolved. ``followed`` came after.
    Times of the reaction are host time, counted from the sample that completed the condition of the first cause; a
    stage that the log does not have is None.
    """

    time_s: float
    sample_time_s: float
    """Place on the axis of the samples."""
    limits: tuple[str, ...]
    order_resolved: bool | None
    """None where the log does not say."""
    message: str
    channel: str
    value: Number
    set_point: Number
    decided_ms: float | None = None
    written_ms: float | None = None
    acknowledged_ms: float | None = None
    command: str = ""
    not_acknowledged: bool = False
    """A stop command went unanswered at least once in this trip."""
    followed: tuple[str, ...] = ()
    rows: tuple[tuple[str, int, int], ...] = ()
    """Source, first and last row in the run file, at full rate, of the stretch around the trip."""
    around: tuple[ChannelTrace, ...] = ()


@dataclass(frozen=True, slots=True)
class SourceDigest:
    """How much one source delivered."""

    name: str
    rows: int
    duration_s: float
    bad_frames: int
    """As logged, as the next two: in a flood the log keeps the first of each second."""
    gaps: int
    missing_frames: int | None
    """None: some gap could not be counted."""


@dataclass(frozen=True, slots=True)
class DrawnSpectrum:
    """A spectrum thinned for drawing: the highest amplitude (peak) of each stretch of frequency."""

    channel: str
    label: str
    unit: str
    frequency_hz: tuple[float, ...]
    amplitude: tuple[float, ...]
    rms: float
    """Of the record: root of the sum of all its lines."""
    window: str
    coherent_gain: float
    noise_bandwidth_hz: float
    scale: float
    leakage: float


@dataclass(frozen=True, slots=True)
class BurstDigest:
    """One burst as the report tells it."""

    source: str
    number: int
    reason: str
    trigger_time_s: float
    u_trigger_s: float
    rows: int
    missing: int
    sample_rate_hz: float
    metrics: tuple[Metric, ...] = ()
    is_measured: bool = True
    """False: there were too many, this one is in the run file alone."""
    waves: tuple[ChannelTrace, ...] = ()
    """Time from the trigger on, the whole burst."""
    close: tuple[ChannelTrace, ...] = ()
    """A few switching periods after the trigger, of what switches and of the current of its leg."""
    spectra: tuple[DrawnSpectrum, ...] = ()


@dataclass(frozen=True, slots=True)
class RunReport:
    """One run, read and analysed: what the sections are made from."""

    label: str
    file_name: str
    header: RunHeader
    stand: Stand
    result: RunResult
    events: tuple[Event, ...]
    trips: tuple[Trip, ...]
    traces: tuple[ChannelTrace, ...]
    sources: tuple[SourceDigest, ...]
    content_sha256: str
    is_closed: bool
    bursts: tuple[BurstDigest, ...] = ()


@dataclass(frozen=True, slots=True)
class CoverageCount:
    """Of ``total`` seeded points, the 95 % interval of ``inside`` holds the simulated truth."""

    quantity: str
    inside: int
    total: int


@dataclass(frozen=True, slots=True)
class Coverage:
    """A study of the stated intervals against the truth of the simulated stand."""

    counts: tuple[CoverageCount, ...]
    stated: float = 0.95
    seeds: str = ""
    method: str = ""


@dataclass(frozen=True, slots=True)
class ReportModel:
    """The whole report."""

    title: str
    subtitle: str
    software_version: str
    simulated: tuple[str, ...]
    """One loud line per run whose data are simulated."""
    runs: tuple[RunReport, ...]
    sections: tuple[Section, ...]
    coverage: Coverage | None = field(default=None)


def number(estimate: Estimate, *, in_percent: bool = False) -> Number:
    """An estimate of the analysis as a number of the report; its ``u`` may be NaN: not known."""
    return Number(
        estimate.value,
        estimate.unit,
        estimate.u,
        estimate.dof,
        estimate.budget,
        estimate.interval95,
        in_percent=in_percent,
    )


def plain(value: float, unit: str, digits: int = FULL_DIGITS) -> Number:
    """A number without a stated uncertainty: set, counted, or derived for orientation."""
    return Number(value, unit, digits=digits)


def count(value: int) -> Number:
    """A counted number."""
    return Number(float(value), "1", whole=True)


def series(name: str, estimates: Sequence[Estimate]) -> Series:
    """Estimates of one quantity as a series; the unit is that of the first."""
    unit = estimates[0].unit if estimates else "1"
    return Series(
        name,
        unit,
        tuple(e.value for e in estimates),
        tuple(e.u for e in estimates),
        tuple(e.dof for e in estimates),
    )
