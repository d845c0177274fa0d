"""Bursts: which there are, what they look like, their spectra, and what they say in numbers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.report.bursts import DRAWN
from benchkit.report.metric_words import shown, title_of
from benchkit.report.model import (
    Block,
    BurstDigest,
    Cell,
    ChannelTrace,
    Column,
    Mark,
    Number,
    Panel,
    Paragraph,
    RunReport,
    Section,
    Series,
    SpectrumFigure,
    SpectrumLine,
    Table,
    Text,
    Tone,
    Trace,
    TraceFigure,
    count,
    plain,
)
from benchkit.report.rows import of_run, run_slug, table_by_run
from benchkit.report.sections_results import U95

Row = tuple[Cell, ...]


def bursts_section(runs: Sequence[RunReport]) -> Section | None:
    """The bursts of all runs; None where no run has one."""
    if not any(run.bursts for run in runs):
        return None
    blocks: list[Block | None] = [_table(runs)]
    for run in runs:
        for burst in run.bursts:
            if burst.waves:
                blocks.append(_waveform(burst, run, runs))
            if burst.close:
                blocks.append(_closely(burst, run, runs))
            if burst.spectra:
                blocks.append(_spectrum(burst, run, runs))
    blocks += [_spectra_table(runs), _metrics(runs)]
    if any(len(run.bursts) > DRAWN for run in runs):
        blocks.append(
            Paragraph(f"The first {DRAWN} bursts of a run are drawn; all of them are in the run file (Run.bursts).")
        )
    return Section("bursts", "Bursts", tuple(block for block in blocks if block is not None))


def _name(burst: BurstDigest) -> str:
    return f"{burst.source} {burst.number}"


def _table(runs: Sequence[RunReport]) -> Table | None:
    def rows(run: RunReport) -> Iterable[Row]:
        for burst in run.bursts:
            missing = Text("none") if not burst.missing else Text(f"{burst.missing}", Tone.CAUTION)
            yield (
                Text(_name(burst)),
                Text(burst.reason),
                Number(burst.trigger_time_s, "s", burst.u_trigger_s),
                plain(burst.sample_rate_hz / 1e3, "kHz", 5),
                count(burst.rows),
                missing,
            )

    columns = (
        Column("burst", "Burst"),
        Column("reason", "Started by"),
        Column("trigger", "Trigger, time since start of run", "s"),
        Column("rate", "Sample rate", "kHz"),
        Column("samples", "Samples"),
        Column("missing", "Samples missing"),
    )
    note = "The trigger is laid onto the samples by the arrival of the packets; its interval says how surely."
    return table_by_run(runs, "bursts", "Bursts", columns, rows, note=note)


def _waveform(burst: BurstDigest, run: RunReport, runs: Sequence[RunReport]) -> TraceFigure:
    return TraceFigure(
        f"burst-{run_slug(run)}-{burst.source}-{burst.number}",
        f"Burst {_name(burst)}{of_run(run, runs)}",
        f"{burst.reason}. Least and greatest sample of each stretch; the line marks the trigger.",
        _panels(burst.waves),
        (),
        (Mark("trigger", plain(0.0, "s")),),
        "Time from the trigger",
    )


def _closely(burst: BurstDigest, run: RunReport, runs: Sequence[RunReport]) -> TraceFigure:
    return TraceFigure(
        f"burst-close-{run_slug(run)}-{burst.source}-{burst.number}",
        f"Burst {_name(burst)}, closely{of_run(run, runs)}",
        "Some switching periods after the trigger.",
        _panels(burst.close),
        time_label="Time from the trigger",
    )


def _panels(waves: Sequence[ChannelTrace]) -> tuple[Panel, ...]:
    """One panel a unit, but each voltage has its own: a leg swings over the whole link and would flatten the others."""
    panels: dict[str, list[Trace]] = {}
    titles: dict[str, str] = {}
    for wave in waves:
        key = wave.unit if wave.unit != "V" else wave.channel
        titles.setdefault(key, wave.label if wave.unit == "V" else _quantity(wave.unit))
        trace = Trace(wave.label, Series("time", "s", wave.time_s), Series(wave.channel, wave.unit, wave.values))
        panels.setdefault(key, []).append(trace)
    units = {key: traces[0].value.unit for key, traces in panels.items()}
    return tuple(Panel(titles[key], units[key], tuple(traces)) for key, traces in panels.items())


def _quantity(unit: str) -> str:
    return {"A": "Current", "N·m": "Torque", "rpm": "Speed"}.get(unit, "Value")


def _spectrum(burst: BurstDigest, run: RunReport, runs: Sequence[RunReport]) -> SpectrumFigure:
    lines = tuple(
        SpectrumLine(
            s.label,
            Series("frequency", "Hz", s.frequency_hz),
            Series(s.channel, s.unit, s.amplitude),
        )
        for s in burst.spectra
    )
    first = burst.spectra[0]
    return SpectrumFigure(
        f"spectrum-{run_slug(run)}-{burst.source}-{burst.number}",
        f"Spectrum of burst {_name(burst)}{of_run(run, runs)}",
        f"Amplitude (peak) of a tone over frequency, without the mean; window {first.window}, the highest line of each "
        "stretch.",
        lines,
    )


def _spectra_table(runs: Sequence[RunReport]) -> Table | None:
    def rows(run: RunReport) -> Iterable[Row]:
        for burst in run.bursts:
            for s in burst.spectra:
                yield (
                    Text(_name(burst)),
                    Text(s.label),
                    plain(s.rms, s.unit, 5),
                    Text(s.window.title()),
                    plain(s.coherent_gain, "1", 3),
                    plain(s.noise_bandwidth_hz, "Hz", 4),
                    plain(s.scale, "1", 5),
                    plain(s.leakage, "1", 2),
                )

    columns = (
        Column("burst", "Burst"),
        Column("channel", "Channel"),
        Column("rms", "RMS of the record"),
        Column("window", "Window"),
        Column("coherent_gain", "Coherent gain"),
        Column("noise_bandwidth", "Noise bandwidth", "Hz"),
        Column("scale", "Scale to the RMS"),
        Column("leakage", "Leakage at most"),
    )
    note = (
        "The lines of a spectrum, with the mean, sum to the RMS of the record exactly; the scale says by how much the "
        "window had to be made good for that. Leakage: share of the power of a tone outside its main lobe, at the "
        "worst place between two lines. THD and ripple below are fitted, and not read from these lines."
    )
    return table_by_run(runs, "burst-spectra", "Spectra", columns, rows, note=note)


def _metrics(runs: Sequence[RunReport]) -> Table | None:
    def rows(run: RunReport) -> Iterable[Row]:
        for burst in run.bursts:
            for metric in burst.metrics:
                yield (Text(title_of(metric.name)), Text(metric.region), shown(metric), Text(metric.note))

    columns = (
        Column("metric", "Quantity"),
        Column("where", "Burst"),
        Column("value", "Value"),
        Column("note", "Band and method"),
    )
    note = f"{U95} Of each burst the longest stretch in which nothing is missing."
    return table_by_run(runs, "burst-metrics", "What the bursts say", columns, rows, note=note)
