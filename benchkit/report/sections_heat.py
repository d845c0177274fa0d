"""The loss as heat beside the loss as power, and both together."""

from __future__ import annotations

from collections.abc import Sequence

from benchkit.model.results_heat import HeatLoss
from benchkit.report.model import (
    Block,
    Cell,
    Cloud,
    CloudFigure,
    CloudPanel,
    Column,
    Paragraph,
    RunReport,
    Section,
    Text,
    Tone,
    number,
    plain,
    series,
)
from benchkit.report.numbers import true_minus
from benchkit.report.rows import of_run, point_name, run_slug, table_by_run

Row = tuple[Cell, ...]
U95 = "Values are value ± U, U the half-width of the 95 % interval."


def calorimetry_section(runs: Sequence[RunReport]) -> Section | None:
    """Both losses of each point, what became of the heat, and the efficiencies."""
    if not any(run.result.calorimetry for run in runs):
        return None
    blocks: list[Block | None] = []
    for run in runs:
        for found in run.result.calorimetry:
            tone = Tone.CAUTION if found.widened > 1.0 else Tone.GOOD
            blocks.append(Paragraph(true_minus(found.verdict), tone, f"Electrical against heat{of_run(run, runs)}"))
    blocks.append(
        table_by_run(
            runs,
            "heat-losses",
            "Drive loss by two ways",
            (
                Column("point", "Point"),
                Column("electrical", "Electrical", "W"),
                Column("calorimetric", "As heat", "W"),
                Column("z", "Difference over its u"),
                Column("combined", "Both together", "W"),
                Column("weight", "Weight of the heat"),
                Column("largest", "Largest part of U"),
            ),
            lambda run: (_loss_row(loss) for found in run.result.calorimetry for loss in found.points),
            note=f"{U95} Electrical: DC less shaft power. As heat: coolant, air and storage. Together: by weights "
            "after their covariance over the whole run, so that an error common to all points is seen in all of them.",
        )
    )
    blocks.append(
        table_by_run(
            runs,
            "heat-paths",
            "Where the heat went",
            (
                Column("point", "Point"),
                Column("coolant", "Into the coolant", "W"),
                Column("air", "To the air, by conductances", "W"),
                Column("difference", "To the air, by difference", "W"),
                Column("stored", "Stored", "W"),
            ),
            lambda run: (_path_row(loss) for found in run.result.calorimetry for loss in found.points),
            note=f"{U95} By difference: electrical loss less coolant and storage.",
        )
    )
    blocks.append(
        table_by_run(
            runs,
            "heat-efficiency",
            "Drive efficiency by two ways",
            (
                Column("point", "Point"),
                Column("electrical", "From powers", "%"),
                Column("calorimetric", "From heat and DC power", "%"),
                Column("combined", "Both together", "%"),
            ),
            lambda run: (_efficiency_row(loss) for found in run.result.calorimetry for loss in found.points),
            note=f"{U95} From heat and DC power: no torque in it.",
        )
    )
    blocks += [_figure(run, runs) for run in runs if run.result.calorimetry]
    return Section("calorimetry", "Loss as heat", tuple(b for b in blocks if b is not None))


def _loss_row(loss: HeatLoss) -> Row:
    largest = next((line.name for line in loss.combined_w.budget), "not stated")
    return (
        Text(point_name(loss.point)),
        number(loss.electrical_w),
        number(loss.calorimetric_w),
        plain(loss.z, "1", 2),
        number(loss.combined_w),
        plain(loss.calorimetric_weight, "1", 2),
        Text(largest),
    )


def _path_row(loss: HeatLoss) -> Row:
    watts = (loss.coolant_w, loss.air_w, loss.air_by_difference_w, loss.stored_w)
    return (Text(point_name(loss.point)), *(number(value) for value in watts))


def _efficiency_row(loss: HeatLoss) -> Row:
    ways = (loss.electrical_efficiency, loss.calorimetric_efficiency, loss.combined_efficiency)
    return (Text(point_name(loss.point)), *(number(value, in_percent=True) for value in ways))


def _figure(run: RunReport, runs: Sequence[RunReport]) -> CloudFigure:
    losses = [loss for found in run.result.calorimetry for loss in found.points]

    def cloud(label: str, values: Sequence[HeatLoss], name: str) -> Cloud:
        electrical = series("electrical loss", [loss.electrical_w for loss in values])
        return Cloud(label, electrical, series(label, [getattr(loss, name) for loss in values]))

    return CloudFigure(
        f"heat-figure-{run_slug(run)}",
        f"Loss as heat against loss as power{of_run(run, runs)}",
        "Loss as heat, and both ways together, over the loss as power, with 95 % error bars.",
        (
            CloudPanel(
                "As heat",
                "Electrical loss / W",
                "Loss / W",
                (cloud("as heat", losses, "calorimetric_w"), cloud("both together", losses, "combined_w")),
            ),
        ),
    )
