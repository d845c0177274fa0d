"""Comparison of two firmwares: the page for the team. First page: the answer, what it rests on, what is still open."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from benchkit import __version__
from benchkit.analysis.compare.comparison import Comparison, LossComparison
from benchkit.analysis.compare.pairing import Confounder, Treatment
from benchkit.analysis.compare.planning import noise_of, plan
from benchkit.analysis.compare.verdict import RULE_WORDS, Verdict, Word
from benchkit.errors import UsageError
from benchkit.report.flags import started_text
from benchkit.report.model import (
    Block,
    Cell,
    Column,
    DifferenceFigure,
    Listing,
    Number,
    Paragraph,
    RegionCell,
    ReportModel,
    RunReport,
    Section,
    Series,
    Table,
    Text,
    Tone,
    count,
    plain,
)
from benchkit.report.sections_compare_basis import UNIT, corrections_section, order_section
from benchkit.report.sections_compare_metrics import TONES, metrics_section, p_cell
from benchkit.report.sections_run import cautions_section

Row = tuple[Cell, ...]
OF_INPUT = "of the input power"
TREATMENT_TONES = {
    Treatment.NONE: Tone.PLAIN,
    Treatment.CORRECTED: Tone.NOTE,
    Treatment.MARKED: Tone.CAUTION,
    Treatment.REFUSED: Tone.ERROR,
    Treatment.ACCEPTED: Tone.CAUTION,
}


def build_comparison(found: Comparison, reports: Sequence[RunReport]) -> ReportModel:
    """The report of a comparison. Same runs, same report."""
    a, b = found.a[0], found.b[0]
    sections: list[Section | None] = [
        _summary(found),
        _maps(found),
        _confounders(found),
        metrics_section(found.metrics),
        _regions(found),
        order_section(found),
        corrections_section(found),
        _settle(found),
        _methods(found),
        cautions_section(),
        _runs(reports),
    ]
    simulated = [report.label for report in reports if report.header.simulated]
    return ReportModel(
        title=f"Firmware {b.revision} (B) against {a.revision} (A)",
        subtitle=f"{a.stand.inverter.id} with {a.stand.motor.id}: {len(found.a)} runs of A ({a.firmware[:12]}…), "
        f"{len(found.b)} of B ({b.firmware[:12]}…). Differences are B less A.",
        software_version=__version__,
        simulated=(f"SIMULATED DATA in runs {', '.join(simulated)}. They say nothing about a real machine.",)
        if simulated
        else (),
        runs=tuple(reports),
        sections=tuple(section for section in sections if section is not None),
    )


# -------------------------------------------------------------------------------------------------- summary
def headline(found: Comparison) -> tuple[str, Word]:
    """The answer in one sentence: the loss of the first subject over the whole map."""
    loss = found.losses[0]
    verdict = loss.whole
    if found.is_same_firmware:
        return (
            f"Both sides have one firmware, so this tests the bench. {loss.subject.capitalize()} loss: {verdict.text}.",
            verdict.word,
        )
    name = found.b[0].revision
    if verdict.word is Word.REFUSED:
        return f"No verdict on {name}: {verdict.text}.", verdict.word
    text = f"{name}, {loss.subject} loss over the whole map, {OF_INPUT}: {verdict.text}"
    doubt = torque_doubt(found, loss)
    return f"{text}{', but ' + doubt if doubt else ''}.", verdict.word


def torque_doubt(found: Comparison, loss: LossComparison) -> str:
    """What a marked torque per ampere may have done to a loss, in words; empty where it did nothing.

    A torque gain that moved by x moves the shaft power by x, and with it every loss in which shaft power is. The losses
    alone cannot tell that from a gain.
    """
    mark = next((c for c in found.refused_or_marked if c.name == "torque_per_ampere"), None)
    if mark is None or loss.subject == "inverter" or loss.whole.word is Word.REFUSED:
        return ""
    shaft_w = np.abs(found.points.speed_rpm * found.points.torque_nm) * math.pi / 30.0
    worth = abs(mark.difference) * float(np.mean(shaft_w / found.points.input_w))
    # read too high at B, the torque makes its losses too small: the true difference is larger by what it is worth
    told = loss.whole.difference + math.copysign(worth, mark.difference)
    sign = "+" if mark.difference > 0.0 else "\N{MINUS SIGN}"
    stands = told * loss.whole.difference > 0.0 and abs(told) > 0.5 * (loss.whole.high - loss.whole.low)
    return (
        f"torque per ampere differs by {sign}{abs(mark.difference):.2g} %, and a torque reading that has moved by "
        f"that is not ruled out: it would be worth {worth:.2g} % {OF_INPUT}, and "
        + ("the answer would stand" if stands else "the answer would not stand")
    )


def marks(found: Comparison) -> str:
    """What is different beside the firmware, in one sentence; empty where nothing is."""
    flagged = [c for c in found.confounders if c.is_flagged]
    if not flagged:
        return ""
    by = {t: [c.label.lower() for c in flagged if c.treatment is t] for t in Treatment}
    parts = [f"{t.value.capitalize()}: {', '.join(names)}" for t, names in by.items() if names]
    things = "thing differs" if len(flagged) == 1 else "things differ"
    return f"{len(flagged)} {things} beside the firmware. {'; '.join(parts)}."


def _summary(found: Comparison) -> Section:
    text, word = headline(found)
    in_doubt = bool(torque_doubt(found, found.losses[0]))
    blocks: list[Block] = [
        Paragraph(text, Tone.CAUTION if in_doubt and TONES[word] is Tone.GOOD else TONES[word], "Answer")
    ]
    told = marks(found)
    if told:
        loud = any(c.treatment in (Treatment.REFUSED, Treatment.MARKED) for c in found.confounders)
        blocks.append(
            Paragraph(
                f"{told} See the table of differences before believing the answer." if loud else told,
                Tone.CAUTION if loud else Tone.NOTE,
                "Beside the firmware",
            )
        )
    else:
        blocks.append(
            Paragraph("Nothing that was compared differs beyond its tolerance.", Tone.GOOD, "Beside the firmware")
        )
    letters = " | ".join(block.letters for block in found.blocks)
    blocks.append(
        Paragraph(
            f"{len(found.runs)} runs in {len(found.blocks)} block{'s' if len(found.blocks) != 1 else ''} ({letters}), "
            f"{found.points.speed_rpm.size} common operating points, {RULE_WORDS[found.settings.rule]}.",
            heading="Rests on",
        )
    )
    rows: list[Row] = []
    for loss in found.losses:
        counts = [(w, sum(v.word is w for v in loss.regions)) for w in Word]
        rows.append(
            (
                Text(f"{loss.subject.capitalize()} loss"),
                _number(loss.whole),
                plain(float(loss.difference_w[-1]), "W", 3),
                _whole_word(found, loss),
                Text(", ".join(f"{n} {w.value}" for w, n in counts if n)),
                plain(loss.whole.smallest, UNIT, 2) if math.isfinite(loss.whole.smallest) else Text("not known"),
            )
        )
    blocks.append(
        Table(
            "compare-summary",
            "Losses over the whole map, B less A",
            (
                Column("subject", "Loss"),
                Column("difference", f"Difference {OF_INPUT}", UNIT),
                Column("watts", "In watts", "W"),
                Column("verdict", "Whole map"),
                Column("regions", "Regions"),
                Column("smallest", "Would have been shown from", UNIT),
            ),
            tuple(rows),
            "Value ± half-width of the 95 % interval. Less loss is better. The last column: the difference that these "
            "runs would have shown with 80 % probability.",
        )
    )
    lines = _open_lines(found)
    if lines:
        blocks.append(Listing(tuple(lines)))
    return Section("summary", "Summary", tuple(blocks))


def _whole_word(found: Comparison, loss: LossComparison) -> Text:
    word, tone = loss.whole.word, TONES[loss.whole.word]
    if torque_doubt(found, loss):
        return Text(f"{word}, torque in doubt", Tone.CAUTION)
    return Text(word.value, tone)


def _number(verdict: Verdict) -> Number:
    return Number(verdict.difference, UNIT, verdict.u, verdict.dof)


# ------------------------------------------------------------------------------------------------------ maps
def _maps(found: Comparison) -> Section:
    return Section("difference-map", "Where it differs", tuple(_map(found, loss) for loss in found.losses))


def _map(found: Comparison, loss: LossComparison) -> DifferenceFigure:
    cells = tuple(
        RegionCell(
            region.name,
            verdict.word.value,
            plain(region.speed_low_rpm, "rpm", 4),
            plain(region.speed_high_rpm, "rpm", 4),
            plain(region.torque_low_nm, "N·m", 4),
            plain(region.torque_high_nm, "N·m", 4),
            _number(verdict),
        )
        for region, verdict in zip(found.points.regions, loss.regions, strict=True)
    )
    shown = sum(cell.word in ("better", "worse") for cell in cells)
    return DifferenceFigure(
        f"difference-{loss.subject}",
        f"{loss.subject.capitalize()} loss, B less A",
        f"Difference {OF_INPUT} by region of the map with its 95 % half-width, and at the common operating points "
        f"(circles). In {shown} of {len(cells)} regions a difference was shown; the others are hatched.",
        f"B less A / % {OF_INPUT}",
        cells,
        Series("speed of points", "rpm", tuple(found.points.speed_rpm.tolist())),
        Series("torque of points", "N·m", tuple(found.points.torque_nm.tolist())),
        Series("difference of points", UNIT, tuple(loss.points[0].tolist()), tuple(loss.points[1].tolist())),
    )


# ------------------------------------------------------------------------------------------------ confounders
def _confounders(found: Comparison) -> Section:
    order = list(Treatment)[::-1]
    rows = tuple(_confounder_row(c) for c in sorted(found.confounders, key=lambda c: order.index(c.treatment)))
    note = (
        "Stated differences come from the stand profiles in the runs, measured ones are means over the common "
        "operating points. One run that stands apart counts like two sides that do. Refused: no verdict is given. "
        "Corrected: losses were brought to common conditions. Marked: shown, and left to the reader."
    )
    table = Table(
        "confounders",
        "What else was compared",
        (
            Column("label", "What"),
            Column("a", "A"),
            Column("b", "B"),
            Column("difference", "B less A"),
            Column("allowed", "Tolerance"),
            Column("treatment", "Treatment"),
            Column("meaning", "Why it matters"),
        ),
        rows,
        note,
    )
    return Section("confounders", "What else is different", (table,))


def _confounder_row(c: Confounder) -> Row:
    stated = Text("stated")
    return (
        Text(c.label),
        Text(c.a),
        Text(c.b),
        plain(c.difference, c.unit, 3) if math.isfinite(c.difference) else stated,
        plain(c.allowed, c.unit, 3) if math.isfinite(c.allowed) else Text("none"),
        Text(c.treatment.value, TREATMENT_TONES[c.treatment]),
        Text(c.meaning),
    )


# ---------------------------------------------------------------------------------------------------- regions
def _regions(found: Comparison) -> Section:
    tables = tuple(
        Table(
            f"regions-{loss.subject}",
            f"{loss.subject.capitalize()} loss by region",
            (
                Column("region", "Region"),
                Column("points", "Points"),
                Column("difference", "B less A", UNIT),
                Column("watts", "B less A", "W"),
                Column("p", "p"),
                Column("p_adjusted", "p, adjusted"),
                Column("p_permuted", "p, labels exchanged"),
                Column("verdict", "Verdict"),
            ),
            tuple(
                (
                    Text(region.name),
                    count(region.points),
                    _number(verdict),
                    plain(float(loss.difference_w[k]), "W", 3),
                    p_cell(verdict.p_value),
                    p_cell(verdict.p_adjusted),
                    p_cell(float(loss.p_permuted[k])),
                    Text(verdict.text, TONES[verdict.word]),
                )
                for k, (region, verdict) in enumerate(zip(found.points.regions, loss.regions, strict=True))
            ),
            _permutation_note(loss),
        )
        for loss in found.losses
    )
    return Section("regions", "Region by region", tables)


def _permutation_note(loss: LossComparison) -> str:
    if not math.isfinite(loss.p_permuted_least):
        return "Labels cannot be exchanged within blocks that hold one side each: no permutation test."
    return (
        "Labels exchanged: how often A and B dealt out at random within their blocks give as large a t. A check that "
        f"needs no normal errors; with these runs it cannot be below {loss.p_permuted_least:.2g}."
    )


# ---------------------------------------------------------------------------------------------- what is open
def _open_lines(found: Comparison) -> list[tuple[str, str]]:
    lines: list[tuple[str, str]] = []
    for c in found.refused:
        lines.append(
            (f"Settle {c.label.lower()}", f"run both sides with the same, or accept it: --accept {c.name}=REASON")
        )
    loss = found.losses[0]
    left = [v for v in loss.regions if v.word is Word.NOT_SHOWN]
    if not left or found.refused:
        return lines
    matters = found.settings.matters
    try:
        noise = noise_of(found, loss.subject)
    except UsageError:
        lines.append(
            ("Repeat runs", "one run of each says nothing about how runs repeat: two days of ABBA are the least")
        )
        return lines
    wanted = plan(noise, matters, rule=found.settings.rule, most_days=12)
    extra = wanted.days * 4
    amount = f"{wanted.days} day{'s' if wanted.days != 1 else ''} of ABBA ({extra} runs)"
    text = (
        f"{amount} would show {matters:g} % {OF_INPUT} with {100.0 * wanted.mean_power:.0f} % probability a region"
        if wanted.reached
        else f"even {amount} would show {matters:g} % {OF_INPUT} with {100.0 * wanted.mean_power:.0f} % only: "
        "make the bench quieter"
    )
    lines.append((f"{len(left)} of {len(loss.regions)} regions not shown", text))
    if not math.isfinite(found.settings.margin):
        lines.append(("Equivalence", "state what still counts as equal (--margin): not shown is not the same as equal"))
    return lines


def _settle(found: Comparison) -> Section | None:
    rows: list[Row] = []
    for loss in found.losses:
        for region, verdict in zip(found.points.regions, loss.regions, strict=True):
            if verdict.word is not Word.NOT_SHOWN:
                continue
            short = math.isfinite(verdict.smallest) and verdict.smallest > 0.0
            ratio = (verdict.smallest / found.settings.matters) ** 2 if short else math.nan
            need = (
                Text("enough: a difference that matters would have been shown")
                if ratio <= 1.0
                else Text("repeat runs first")
                if not short
                else plain(ratio, "x the runs", 2)
            )
            rows.append(
                (
                    Text(loss.subject.capitalize()),
                    Text(region.name),
                    _number(verdict),
                    plain(verdict.smallest, UNIT, 2),
                    need,
                )
            )
    if not rows:
        return None
    table = Table(
        "settle",
        "What would settle the open ones",
        (
            Column("subject", "Loss"),
            Column("region", "Region"),
            Column("difference", "B less A", UNIT),
            Column("smallest", "Shown from", UNIT),
            Column("need", f"To show {found.settings.matters:g} %"),
        ),
        tuple(rows),
        "Runs scale with the square of what has to be shown; 'benchkit plan' works it out for this bench.",
    )
    return Section("settle", "What would settle the open ones", (table,))


def _methods(found: Comparison) -> Section:
    lines = (
        (
            "Common points",
            "set-points that every run has or has measured all round; read through a local plane of each run",
        ),
        ("Unit", "one value a run and region; days (blocks) have effects of their own that drop out of the difference"),
        (
            "Intervals",
            "Student's t by how runs repeat, degrees of freedom of the blocks; calibration common to both is not in it",
        ),
        (
            "Verdicts",
            f"better or worse below 5 % after adjustment ({RULE_WORDS[found.settings.rule]}); "
            "equivalent by two one-sided tests",
        ),
        ("Not shown", "is no statement that there is no difference"),
    )
    return Section("methods", "How it was judged", (Listing(lines),))


def _runs(reports: Sequence[RunReport]) -> Section:
    table = Table(
        "runs",
        "Runs",
        (
            Column("label", "Run"),
            Column("file", "File"),
            Column("started", "Started"),
            Column("firmware", "Firmware"),
            Column("points", "Points"),
            Column("sha256", "SHA-256 of the content"),
        ),
        tuple(
            (
                Text(r.label),
                Text(r.file_name, code=True),
                Text(started_text(r.header)),
                Text(r.stand.inverter.firmware_revision),
                count(len(r.result.points)),
                Text(r.content_sha256, code=True),
            )
            for r in reports
        ),
    )
    return Section("runs", "Runs", (table,))
