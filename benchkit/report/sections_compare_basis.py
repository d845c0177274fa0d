"""What a comparison rests on: order of the runs, drift, corrections."""

from __future__ import annotations

import math

from benchkit.analysis.compare.comparison import Comparison
from benchkit.report.model import Block, Cell, Column, Number, Paragraph, Section, Table, Text, Tone, count, plain

Row = tuple[Cell, ...]
UNIT = "%"


def order_section(found: Comparison) -> Section:
    rows: list[Row] = []
    for block in found.blocks:
        drift = next((d for d in found.losses[0].drifts if d.block == block.number), None)
        known = drift is not None and drift.is_known
        rows.append(
            (
                count(block.number + 1),
                Text(block.letters, code=True),
                Text(block.design),
                Text("yes" if block.is_balanced else "no", Tone.PLAIN if block.is_balanced else Tone.CAUTION),
                Number(100.0 * drift.slope, "%/h", 100.0 * drift.u, max(1.0, drift.pairs - 1.0))
                if known and drift is not None
                else Text("no repeated reference points"),
                Text(
                    "straight line through the runs"
                    if block.number in found.order.with_slope
                    else "taken out by reference points"
                    if known
                    else "not removed"
                ),
            )
        )
    table = Table(
        "order",
        "Order of the runs",
        (
            Column("block", "Block"),
            Column("letters", "Runs"),
            Column("design", "Design"),
            Column("balanced", "Balanced against drift"),
            Column("drift", "Drift of the drive loss"),
            Column("removed", "Removed by"),
        ),
        tuple(rows),
        "A block is a stretch of runs without a pause of five hours. Drift is told by set-points that a run visited at "
        "its beginning and its end.",
    )
    blocks: list[Block] = [table]
    for loss in found.losses:
        if math.isfinite(loss.p_interaction):
            asked = "is the difference another from block to block?"
            text = f"{loss.subject.capitalize()}: {asked} p = {loss.p_interaction:.2g}."
            blocks.append(
                Paragraph(
                    text + (" It is: blocks were taken as the units." if loss.found.method == "block by block" else "")
                )
            )
        else:
            blocks.append(Paragraph(f"{loss.subject.capitalize()}: {loss.found.method}."))
    return Section("order", "Order and drift", tuple(blocks))


def corrections_section(found: Comparison) -> Section:
    rows = [
        (
            Text(loss.subject.capitalize()),
            Text(cause),
            Number(float(taken[-1]), UNIT, float(loss.correction_u[cause][-1])),
            plain(float(abs(taken[:-1]).max()), UNIT, 2),
        )
        for loss in found.losses
        for cause, taken in loss.correction.items()
    ]
    table = Table(
        "corrections",
        "What the corrections did to B less A",
        (
            Column("subject", "Loss"),
            Column("cause", "Brought to common"),
            Column("taken", "Whole map", UNIT),
            Column("most", "Largest of a region", UNIT),
        ),
        tuple(rows),
        "Copper by its temperature coefficient, ± a third; switching loss in proportion to the bus, its share of the "
        "loss of the inverter taken as 0.45 ± 0.15. The doubt is in every interval.",
    )
    return Section("corrections", "Corrections", (table,))
