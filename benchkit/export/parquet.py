"""A stream as Parquet: float64 columns, row groups of a few megabytes; label, quantity and unit at every column."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from benchkit.export.about import About
from benchkit.runfile import selection
from benchkit.runfile.extras import need
from benchkit.runfile.reader import Run
from benchkit.runfile.selection import Chosen, Column


def names(columns: Sequence[Column]) -> tuple[str, ...]:
    """Names of the columns as the file has them."""
    return tuple(column.name for column in columns)


def write(path: Path, run: Run, parts: Sequence[Chosen], told: About, tick: Callable[[int], None]) -> None:
    """Write one stream."""
    pyarrow, parquet = need("pyarrow"), need("pyarrow.parquet")
    (part,) = parts
    schema = pyarrow.schema(
        [
            pyarrow.field(
                column.name,
                pyarrow.int64() if column.name == "counter" else pyarrow.float64(),
                nullable=False,
                metadata={
                    "unit": column.unit,
                    "label": column.label,
                    "quantity": column.quantity,
                    "channel": column.channel,
                },
            )
            for column in part.columns
        ],
        metadata={**told.facts, "source": part.source},
    )
    with parquet.ParquetWriter(path, schema) as writer:
        for piece in selection.pieces(run, part):
            columns = [pyarrow.array(array) for array in selection.arrays(piece)]
            writer.write_table(pyarrow.Table.from_arrays(columns, schema=schema))
            tick(len(piece))
