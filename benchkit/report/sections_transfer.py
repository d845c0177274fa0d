"""Losses separated into terms, what they say of other loads, and how a run bore that out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.analysis.loss_terms import INVERTER, SWITCHING, SeparatedLoss
from benchkit.analysis.transfer import FAR, Outside, TransferPoint, TransferPrediction, TransferTest
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    Paragraph,
    Section,
    Series,
    Table,
    Text,
    Tone,
    number,
    plain,
    series,
)

Row = tuple[Cell, ...]
U95 = "Values are value ± U, U the half-width of the 95 % interval; two numbers where the interval is not symmetric."
WIDE = 0.05
"""Below this p-value a fit that is not refused is noted."""
WORDS = {
    "current_a": ("current", "A"), "dc_voltage_v": ("DC voltage", "V"), "junction_c": ("junction", "°C"),
    "switching_frequency_hz": ("switching frequency", "Hz"), "coolant_c": ("coolant", "°C"),
    "speed_rpm": ("speed", "rpm"), "torque_nm": ("torque", "N·m"), "winding_c": ("winding", "°C"),
    "flux_ratio": ("flux ratio", "1"),
}  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Transfer:
    """What the section shows: whose losses, the runs they come from, and what was made of them."""

    subject: str
    runs: Sequence[str]
    separated: SeparatedLoss
    predicted: tuple[TransferPrediction, ...] = ()
    test: TransferTest | None = None


def transfer_section(found: Transfer) -> Section:
    """Terms, what was measured, predictions with their distance from it, and the test."""
    blocks: list[Block] = [_fit_verdict(found), _terms_table(found.separated), _box_table(found.separated)]
    if found.predicted:
        blocks += [_prediction_table(found.predicted), _figure(found)]
    if found.test is not None:
        tone = Tone.CAUTION if not found.test.agrees else Tone.NOTE if found.test.is_blunt else Tone.GOOD
        blocks += [
            Paragraph(found.test.verdict, tone, "The run against the prediction"),
            _test_table(found.test.points),
        ]
    return Section("loss-transfer", f"Losses of the {found.subject}, and elsewhere", tuple(blocks))


def _fit_verdict(found: Transfer) -> Paragraph:
    fit = found.separated.fit
    from_runs = f"Run{'s' if len(found.runs) > 1 else ''} {', '.join(found.runs)}, {len(found.separated.data)} points"
    test = f"chi² = {fit.chi2:.3g} for {fit.dof} degrees of freedom, p = {fit.p_value:.2g}"
    if found.separated.is_refused:
        names = {term.name for term in found.separated.terms}
        missing = "" if names & set(SWITCHING) or not names & set(INVERTER) else " The switching terms are left out."
        return Paragraph(
            f"{from_runs}: the losses lie off the terms by more than the stated errors ({test}). Do not predict "
            f"with them; the intervals below are widened by {math.sqrt(fit.inflated):.2g} and may still be too "
            f"narrow.{missing}",
            Tone.CAUTION,
            "The terms do not suffice",
        )
    if fit.p_value < WIDE:
        text = f"{from_runs}: the points scatter somewhat more than stated ({test}); the intervals are widened by it."
        return Paragraph(text, Tone.NOTE, "The terms may suffice")
    return Paragraph(f"{from_runs}: the terms describe the losses ({test}).", Tone.GOOD, "The terms suffice")


def _terms_table(separated: SeparatedLoss) -> Table:
    at = f"100 A, 16 kHz{'' if separated.exponent is None else f', {separated.voltage_0_v:.0f} V'}, 1000 rpm"
    rows: list[Row] = []
    for term, value, apart, bound in zip(
        separated.terms, separated.coefficients, separated.told_apart, separated.fit.at_bound, strict=False
    ):
        state = Text("told apart") if apart else Text("not told from zero", Tone.NOTE)
        if bound:
            state = Text("at its bound: zero fits best", Tone.NOTE)
        rows.append((Text(term.name, code=True), Text(term.label), number(value), state))
    rise = separated.resistance_per_k
    if rise is not None:
        rows.append(
            (Text(""), Text("rise of the conduction resistance per kelvin"), number(rise), Text("from the two above"))
        )
    if separated.exponent is not None:
        learnt = separated.exponent.u < 0.2
        rows.append(
            (
                Text("k", code=True),
                Text("exponent of the voltage in the switching terms"),
                number(separated.exponent),
                Text("from the points") if learnt else Text("from data sheets, the points say little", Tone.NOTE),
            )
        )
    return Table(
        "loss-terms",
        "Loss terms",
        (
            Column("term", "Term"),
            Column("label", "What it stands for"),
            Column("value", "Loss"),
            Column("state", "Known?"),
        ),
        tuple(rows),
        f"{U95} Loss of each term at {at} (as far as it depends on them). No term can be negative. Terms that the "
        "points do not tell apart share their sum: each is wide, the sum is not.",
    )


def _box_table(separated: SeparatedLoss) -> Table:
    rows: list[Row] = []
    for name, values in separated.data.variables.items():
        word, unit = WORDS.get(name, (name, "1"))
        rows.append((Text(word), plain(float(values.min()), unit, 4), plain(float(values.max()), unit, 4)))
    return Table(
        "loss-box",
        "What was measured",
        (Column("variable", "Variable"), Column("low", "From"), Column("high", "To")),
        tuple(rows),
    )


def _outside_words(outside: Outside) -> str:
    word, unit = WORDS.get(outside.variable, (outside.variable, "1"))
    way = "above" if outside.value > outside.high else "below"
    near = outside.high if outside.value > outside.high else outside.low
    by = "one value was measured" if math.isnan(outside.by) else f"{outside.by:.2g} of the measured span"
    return f"{word} {outside.value:.4g} {unit} {way} {near:.4g} {unit} ({by})"


def extrapolation_words(prediction: TransferPrediction) -> str:
    """By which variables a load lies outside what was measured, and how far by leverage."""
    words = [_outside_words(outside) for outside in prediction.outside]
    if not prediction.is_extrapolated:
        return f"inside; leverage {prediction.leverage:.2g}"
    if not math.isfinite(prediction.leverage):
        reach = "the points say nothing of one direction of this load"
    else:
        size = f"{prediction.leverage:.0f}" if prediction.leverage >= 10.0 else f"{prediction.leverage:.2g}"
        reach = f"leverage {size}{f', above {FAR:g}' if prediction.leverage > FAR else ''}"
    return f"EXTRAPOLATED: {'; '.join([*words, reach])}"


def _prediction_table(predicted: Sequence[TransferPrediction]) -> Table:
    rows: list[Row] = []
    for p in predicted:
        junction = p.variables.get("junction_c", math.nan)
        shown = number(p.junction_c) if p.junction_c is not None else plain(junction, "°C", 4)
        rows.append(
            (
                Text(p.label),
                plain(p.variables.get("current_a", math.nan), "A", 4),
                number(p.loss_w),
                shown,
                Text(p.loss_w.budget[0].name if p.loss_w.budget else "not stated"),
                Text(extrapolation_words(p), Tone.CAUTION if p.is_extrapolated else Tone.PLAIN),
            )
        )
    return Table(
        "loss-prediction",
        "Predicted loss",
        (
            Column("load", "Load"),
            Column("current", "Current", "A"),
            Column("loss", "Loss", "W"),
            Column("junction", "Junction", "°C"),
            Column("largest", "Largest part of U"),
            Column("range", "Against what was measured"),
        ),
        tuple(rows),
        f"{U95} Leverage: how far the scatter of the points is blown up there, over the worst measured point. The "
        "interval holds if the terms also hold out there; no statistics can vouch for that. A run there tests it.",
    )


def _test_table(points: Sequence[TransferPoint]) -> Table:
    rows: list[Row] = [
        (
            Text(p.prediction.label),
            plain(p.prediction.variables.get("current_a", math.nan), "A", 4),
            number(p.prediction.loss_w),
            number(p.measured_w),
            number(p.difference_w),
            plain(p.z, "1", 2),
            Text("extrapolated" if p.prediction.is_extrapolated else "inside"),
        )
        for p in points
    ]
    return Table(
        "loss-test",
        "Predicted and measured",
        (
            Column("point", "Point"),
            Column("current", "Current", "A"),
            Column("predicted", "Predicted", "W"),
            Column("measured", "Measured", "W"),
            Column("difference", "Measured less predicted", "W"),
            Column("z", "Over its u"),
            Column("range", "Prediction was"),
        ),
        tuple(rows),
        f"{U95} The points share errors of instruments and coefficients: the verdict counts that, single z do not.",
    )


def _figure(found: Transfer) -> CloudFigure:
    data = found.separated.data

    def x(values: Sequence[float]) -> Series:
        return Series("current", "A", tuple(float(v) for v in values))

    clouds = [
        Cloud(
            "measured, separated",
            x(data.variables["current_a"].tolist()),
            Series("loss", "W", tuple(data.loss_w.tolist()), tuple(data.u_w.tolist())),
        ),
        Cloud(
            "predicted",
            x([p.variables["current_a"] for p in found.predicted]),
            series("loss", [p.loss_w for p in found.predicted]),
        ),
    ]
    if found.test is not None:
        clouds.append(
            Cloud(
                "measured, test",
                x([p.prediction.variables["current_a"] for p in found.test.points]),
                series("loss", [p.measured_w for p in found.test.points]),
            )
        )
    return CloudFigure(
        "loss-transfer-figure",
        "Loss over current",
        "Loss over phase current with 95 % error bars: the points that were separated, the predicted loads"
        f"{', and the run that tests them' if found.test is not None else ''}.",
        (CloudPanel("Loss", "Current / A", "Loss / W", tuple(clouds)),),
    )
