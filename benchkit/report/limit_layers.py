"""Which limit set was in force, what it was put together from, and what later layers changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.model.limit_layers import Mark
from benchkit.report.model import Block, Cell, Column, Paragraph, RunReport, Table, Text, Tone
from benchkit.report.rows import of_run, table_by_run


def limit_set_blocks(runs: Sequence[RunReport]) -> Iterable[Block | None]:
    """Name, revision and hash of each run's limits, and the layers they were put together from."""
    sets = [(run.stand.limit_set, of_run(run, runs)) for run in runs]
    yield Paragraph(
        "; ".join(f"{s.name}, revision {s.revision}{of}, SHA-256 {s.sha256 or 'not taken'}" for s, of in sets),
        heading="Limit set",
    )
    yield table_by_run(
        runs,
        "limit-layers",
        "Layers of the limit set",
        (
            Column("rank", "Layer"),
            Column("name", "Name"),
            Column("revision", "Revision"),
            Column("file", "File"),
            Column("sha256", "SHA-256 of the file"),
        ),
        lambda run: (
            (Text(x.rank.value), Text(x.name), Text(x.revision), Text(x.file, code=True), Text(x.sha256, code=True))
            for x in run.stand.limit_set.layers
        ),
        note="Later layers win. The hash of the limit set is that of the canonical JSON (RFC 8785) of all its limits.",
    )


def limit_changes_table(runs: Sequence[RunReport]) -> Table | None:
    """Every limit that a later layer loosened or tightened, with the reason given."""
    return table_by_run(
        runs,
        "limit-changes",
        "Limits changed by a later layer",
        (
            Column("name", "Limit"),
            Column("mark", "Change"),
            Column("what", "What"),
            Column("by", "By"),
            Column("reason", "Reason"),
        ),
        _change_rows,
    )


def _change_rows(run: RunReport) -> Iterable[tuple[Cell, ...]]:
    limit_set = run.stand.limit_set
    for change in limit_set.changes:
        yield (
            Text(change.limit, code=True),
            Text(change.mark.value, Tone.CAUTION if change.mark is Mark.LOOSENED else Tone.PLAIN),
            Text(change.what),
            Text(limit_set.layers[change.layer].place),
            Text(change.reason or "none given"),
        )
