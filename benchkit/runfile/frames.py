"""A stream as a pandas table or an xarray dataset, with its units. Both are extras, imported when asked for."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from benchkit.runfile import layout, selection
from benchkit.runfile.extras import need

if TYPE_CHECKING:
    import pandas
    import xarray

    from benchkit.runfile.reader import Run


@dataclass(frozen=True, slots=True)
class _Table:
    columns: tuple[selection.Column, ...]
    values: dict[str, Any]
    facts: dict[Hashable, Any]


def to_dataframe(
    run: Run,
    source: str | None = None,
    *,
    channels: Sequence[str] = (),
    start_s: float | None = None,
    stop_s: float | None = None,
) -> pandas.DataFrame:
    """See :meth:`benchkit.runfile.reader.Run.to_dataframe`."""
    library = need("pandas")
    table = _read(run, source, channels, start_s, stop_s)
    frame: pandas.DataFrame = library.DataFrame(table.values, copy=False).set_index("time_s")
    frame.attrs = {
        **table.facts,
        "units": {column.name: column.unit for column in table.columns},
        "labels": {column.name: column.label for column in table.columns},
        "quantities": {column.name: column.quantity for column in table.columns},
    }
    return frame


def to_xarray(
    run: Run,
    source: str | None = None,
    *,
    channels: Sequence[str] = (),
    start_s: float | None = None,
    stop_s: float | None = None,
) -> xarray.Dataset:
    """See :meth:`benchkit.runfile.reader.Run.to_xarray`."""
    library = need("xarray")
    table = _read(run, source, channels, start_s, stop_s)
    dataset: xarray.Dataset = library.Dataset(
        {
            column.name: ("time_s", table.values[column.name], _attributes(column))
            for column in table.columns
            if column.name != "time_s"
        },
        coords={"time_s": ("time_s", table.values["time_s"], _attributes(table.columns[0]))},
        attrs=table.facts,
    )
    return dataset


def _attributes(column: selection.Column) -> dict[str, str]:
    # units and long_name are the words of the CF conventions; xarray's plots show them
    named = {"channel": column.channel} if column.channel else {}
    return {"units": column.unit, "long_name": column.label, "quantity": column.quantity, **named}


def _read(run: Run, source: str | None, channels: Sequence[str], start_s: float | None, stop_s: float | None) -> _Table:
    chosen = selection.one_source(run, source)
    (part,) = selection.choose(run, sources=[chosen], channels=channels, start_s=start_s, stop_s=stop_s)
    values = {
        column.name: np.empty(part.rows, dtype=np.int64 if column.name == layout.COUNTER else np.float64)
        for column in part.columns
    }
    done = 0
    for piece in selection.pieces(run, part):
        for column, array in zip(part.columns, selection.arrays(piece), strict=True):
            values[column.name][done : done + len(piece)] = array
        done += len(piece)
    facts: dict[Hashable, Any] = {
        "run_id": run.header.run_id,
        "started_utc": run.header.started_utc,
        "stand": run.header.stand,
        "source": part.source,
        "simulated": int(run.header.simulated),  # netCDF knows no truth values
        "content_sha256": run.content_sha256,
    }
    return _Table(columns=part.columns, values=values, facts=facts)
