"""Evidence: open flags, calibrations, coverage against the simulated truth, methods, content hashes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.analysis.coverage import clopper_pearson
from benchkit.analysis.exclude import kept
from benchkit.model.calibration import GainOffset, Polynomial
from benchkit.model.calibration import Table as CurveTable
from benchkit.model.results import Estimate
from benchkit.model.sensors import sensor_words
from benchkit.model.stand import Channel
from benchkit.report.flags import certificate_state, open_flags, started_day
from benchkit.report.methods import methods_used
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    Coverage,
    CoverageCount,
    Number,
    Paragraph,
    RunReport,
    Section,
    ShareFigure,
    Table,
    Text,
    Tone,
    count,
    number,
    plain,
)
from benchkit.report.numbers import plain_text
from benchkit.report.rows import point_name, table_by_run

Row = tuple[Cell, ...]


# ------------------------------------------------------------------------------------------ open flags
def quality_section(runs: Sequence[RunReport]) -> Section:
    """Every open flag with its evidence."""
    table = table_by_run(
        runs,
        "flags",
        "Open flags",
        (
            Column("severity", "Severity"),
            Column("about", "About"),
            Column("message", "What is open"),
            Column("cause", "Usual cause"),
            Column("action", "What to do"),
            Column("rows", "Rows"),
            Column("code", "Kind"),
        ),
        _flag_rows,
    )
    received = table_by_run(
        runs,
        "received",
        "What was received",
        (
            Column("source", "Source"),
            Column("rows", "Rows"),
            Column("duration", "Length", "s"),
            Column("bad_frames", "Refused frames"),
            Column("gaps", "Gaps"),
            Column("missing", "Missing frames"),
        ),
        _received_rows,
        note="Missing values are never filled in: NaN means not measured.",
    )
    none = Paragraph("None.", Tone.GOOD, "Open flags")
    blocks: list[Block] = [table if table is not None else none]
    if received is not None:
        blocks.append(received)
    not_run = table_by_run(
        runs,
        "not-run",
        "Checks that could not be made",
        (Column("codes", "Kind"), Column("stream", "Stream"), Column("reason", "What it lacks")),
        _not_run_rows,
        note="What was not looked for was not found: these faults may be in the data.",
    )
    looked_at = table_by_run(
        runs,
        "looked-at",
        "What was looked at of long streams",
        (Column("stream", "Stream"), Column("rows", "Rows"), Column("text", "Looked at")),
        lambda run: ((Text(one.stream), count(one.rows), Text(one.text)) for one in run.result.looked_at),
    )
    blocks += [block for block in (not_run, looked_at) if block is not None]
    return Section("data-quality", "Data quality and open flags", tuple(blocks))


def _flag_rows(run: RunReport) -> Iterable[Row]:
    for flag in open_flags(run):
        yield (
            Text(flag.tone.value, flag.tone),
            Text(flag.about),
            Text(flag.message),
            Text(flag.cause),
            Text(flag.action),
            Text(flag.rows),
            Text(flag.code, code=True),
        )


def _not_run_rows(run: RunReport) -> Iterable[Row]:
    for check in run.result.not_run:
        yield Text(", ".join(check.codes), code=True), Text(check.stream), Text(check.reason)


def _received_rows(run: RunReport) -> Iterable[Row]:
    for source in run.sources:
        missing: Cell = Text("cannot be counted") if source.missing_frames is None else count(source.missing_frames)
        yield (
            Text(source.name),
            count(source.rows),
            plain(round(source.duration_s, 3), "s"),
            count(source.bad_frames),
            count(source.gaps),
            missing,
        )


# ------------------------------------------------------------------------------------------ calibrations
def calibrations_section(runs: Sequence[RunReport]) -> Section | None:
    """Calibration and certificate of every channel, as they were on the day of the run."""
    table = table_by_run(
        runs,
        "calibrations",
        "Calibrations",
        (
            Column("channel", "Channel"),
            Column("curve", "From raw to value"),
            Column("of_reading", "u, of reading", "%"),
            Column("constant", "u, constant"),
            Column("certificate", "Certificate"),
            Column("date", "Calibrated"),
            Column("due", "Due"),
            Column("state", "State"),
        ),
        lambda run: (_calibration_row(channel, run) for channel in run.stand.channels.values()),
        note="u is the standard uncertainty (k = 1) of the calibration, common to all samples of a run.",
    )
    return None if table is None else Section("calibrations", "Calibrations", (table,))


def _calibration_row(channel: Channel, run: RunReport) -> Row:
    calibration = channel.calibration
    certificate = calibration.certificate
    state, tone = certificate_state(certificate, started_day(run.header))
    if channel.derived is not None:
        state, tone = "computed from other channels", Tone.PLAIN
    unit = "K" if channel.unit == "°C" else channel.unit
    return (
        Text(channel.label),
        Text(_curve_words(channel)),
        Number(calibration.accuracy.of_reading, "1", in_percent=True),
        plain(calibration.accuracy.constant, unit),
        Text("" if certificate is None else certificate.id, code=True),
        Text("" if certificate is None else certificate.date.isoformat(), code=True),
        Text("" if certificate is None else certificate.due.isoformat(), code=True),
        Text(state, tone),
    )


def _curve_words(channel: Channel) -> str:
    if channel.derived is not None:
        return channel.derived.expression
    curve = channel.calibration.curve
    if curve.is_identity:
        return "as received"
    if isinstance(curve, GainOffset):
        offset = f" {'+' if curve.offset > 0 else '−'} {plain_text(abs(curve.offset))}" if curve.offset else ""
        return f"{plain_text(curve.gain)} × raw{offset}"
    if isinstance(curve, Polynomial):
        return f"polynomial, degree {len(curve.coefficients) - 1}"
    if isinstance(curve, CurveTable):
        return f"table, {len(curve.raw)} points"
    return sensor_words(curve)


# ------------------------------------------------------------------------------------------ coverage
def coverage_section(coverage: Coverage | None) -> Section | None:
    """How often the stated intervals held the truth of the simulated stand; absent without a study."""
    if coverage is None or not coverage.counts:
        return None
    shares = tuple(_share(c) for c in coverage.counts)
    stated = Number(coverage.stated, "1", in_percent=True)
    rows: list[Row] = []
    for counted, share in zip(coverage.counts, shares, strict=True):
        low, high = clopper_pearson(counted.inside, counted.total)
        fits = low <= coverage.stated <= high
        rows.append(
            (
                Text(counted.quantity),
                count(counted.inside),
                count(counted.total),
                share,
                Number(low, "1", in_percent=True, digits=4),
                Number(high, "1", in_percent=True, digits=4),
                Text("agrees with the stated share") if fits else Text("differs from the stated share", Tone.CAUTION),
            )
        )
    columns = (
        Column("quantity", "Quantity"),
        Column("inside", "Inside"),
        Column("total", "Points"),
        Column("share", "Share", "%"),
        Column("low", "Bound below", "%"),
        Column("high", "Bound above", "%"),
        Column("verdict", "Verdict"),
    )
    seeds = f" Seeds: {coverage.seeds}." if coverage.seeds else ""
    note = (
        f"Points of the simulated stand, each with its own seed and its own calibration errors.{seeds} "
        f"{coverage.method} Bounds: 95 %, exact binomial (Clopper-Pearson)."
    )
    words = ", ".join(
        f"{c.quantity} {c.inside} of {c.total} ({plain_text(100 * c.inside / c.total, 4)} %)" for c in coverage.counts
    )
    figure = ShareFigure(
        "coverage-figure",
        "Coverage of the stated intervals",
        f"Share of seeded points whose 95 % interval holds the simulated truth: {words}. Stated: "
        f"{plain_text(100 * coverage.stated)} %.",
        tuple(c.quantity for c in coverage.counts),
        shares,
        stated,
    )
    table = Table("coverage", "Coverage", columns, tuple(rows), note)
    lead = Paragraph(
        "A 95 % interval must hold the true value in about 95 of 100 cases. On the simulated stand the truth is known, "
        "so this can be counted."
    )
    return Section("coverage", "Coverage against the simulated truth", (lead, figure, table))


def _share(counted: CoverageCount) -> Number:
    p = counted.inside / counted.total
    u = (p * (1.0 - p) / counted.total) ** 0.5
    return Number(p, "1", u, bounds=clopper_pearson(counted.inside, counted.total), in_percent=True, digits=4)


# ------------------------------------------------------------------------------------------ methods
def methods_section(runs: Sequence[RunReport], coverage: Coverage | None) -> Section:
    """How the numbers were made: equations with sources, and the ranked uncertainty of the best point."""
    rows = tuple((Text(m.quantity), Text(m.equation), Text(m.source)) for m in methods_used(runs, coverage))
    columns = (Column("quantity", "Quantity"), Column("equation", "Equation"), Column("source", "Source"))
    blocks: list[Block] = [Table("methods", "Equations", columns, rows)]
    budget = table_by_run(
        runs,
        "budget",
        "Where the uncertainty comes from",
        (
            Column("result", "Result"),
            Column("value", "Value ± U (95 %)"),
            Column("source", "Contribution of"),
            Column("u", "Part of u"),
            Column("share", "Share of variance", "%"),
        ),
        _budget_rows,
        note="u is the standard uncertainty (k = 1). Shares need not add up to 100 % where inputs are correlated.",
    )
    if budget is not None:
        blocks.append(budget)
    return Section("methods", "How the numbers were made", tuple(blocks))


def _budget_rows(run: RunReport) -> Iterable[Row]:
    for name, estimate, in_percent in _headline(run):
        if not estimate.budget or not estimate.u > 0.0:
            continue
        ranked = sorted(estimate.budget, key=lambda part: -abs(part.u))
        for part in ranked[:4]:
            yield (
                Text(name),
                number(estimate, in_percent=in_percent),
                Text(part.name),
                Number(part.u, estimate.unit, in_percent=in_percent, digits=2),
                Number((part.u / estimate.u) ** 2, "1", in_percent=True, digits=3),
            )


def _headline(run: RunReport) -> Iterable[tuple[str, Estimate, bool]]:
    balances = [b for b in run.result.balances if b.drive_efficiency.is_measured]
    if balances:
        best = max(balances, key=lambda b: b.drive_efficiency.value)
        yield f"Drive efficiency, {point_name(best.point)}", best.drive_efficiency, True
    used = kept(run.result.thrust)
    if used:
        top = max(used, key=lambda t: t.thrust_n.value)
        yield f"CT, {point_name(top.point)}", top.ct, False
        yield f"CP, {point_name(top.point)}", top.cp, False
    for rating in run.result.ratings[:1]:
        yield f"Continuous torque by {rating.channel}", rating.torque_nm, False


# ------------------------------------------------------------------------------------------ content
def content_section(runs: Sequence[RunReport]) -> Section:
    """What pins this report to its data: content hashes, profile revision and software."""
    rows = tuple(
        (
            Text(run.label),
            Text(run.file_name, code=True),
            Text(run.content_sha256 or "not closed: no hash", Tone.PLAIN if run.content_sha256 else Tone.CAUTION, True),
            Text(run.header.software_version),
        )
        for run in runs
    )
    columns = (
        Column("run", "Run"),
        Column("file", "File"),
        Column("sha256", "Content SHA-256"),
        Column("recorded_with", "Recorded with benchkit"),
    )
    return Section("content", "Content and software", (Table("content", "Runs of this report", columns, rows),))
