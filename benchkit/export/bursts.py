"""Bursts beside the streams of an export: one file each, in the format of the export, in bench units.

The first column is the time from the trigger in s; missing samples are left out, and the time goes on over them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from benchkit.model.bursts import Burst
from benchkit.runfile.extras import need
from benchkit.runfile.reader import Run

TIME = "time_from_trigger_s"


def write_bursts(folder: Path, stem: str, run: Run, to: str) -> list[dict[str, Any]]:
    """Write every burst of a run; returns what the file about the export says of each."""
    told = []
    for burst in run.bursts():
        suffix, write = WRITERS[to]
        file = folder / f"{stem}.burst-{burst.source}-{burst.number}{suffix}"
        write(file, burst)
        told.append(about_burst(burst) | {"file": file.name})
    return told


def about_burst(burst: Burst) -> dict[str, Any]:
    """Who, when and what of one burst, as plain JSON values."""
    record = burst.record
    return {
        "source": burst.source,
        "number": burst.number,
        "reason": record.reason,
        "trigger_s": burst.trigger_time_s,
        "u_trigger_s": record.u_trigger_ns * 1e-9,
        "sample_rate_hz": record.sample_rate_hz,
        "samples": len(burst),
        "missing": record.missing,
        "gaps": [{"before_row": row, "missing": missing} for row, missing in record.gaps.tolist()],
        "columns": [{"name": TIME, "unit": "s"}]
        + [{"name": c.name, "label": c.label, "quantity": c.quantity.value, "unit": c.unit} for c in burst.channels],
    }


def _columns(burst: Burst) -> dict[str, Any]:
    return {TIME: burst.time_s} | {c.name: burst.values(i) for i, c in enumerate(burst.channels)}


def _csv(path: Path, burst: Burst) -> None:
    columns = _columns(burst)
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write(",".join(columns) + "\n")
        np.savetxt(file, np.column_stack(list(columns.values())), fmt="%.10g", delimiter=",")


def _parquet(path: Path, burst: Burst) -> None:
    pyarrow, parquet = need("pyarrow"), need("pyarrow.parquet")
    units = {TIME: "s"} | {c.name: c.unit for c in burst.channels}
    columns = _columns(burst)
    fields = [pyarrow.field(n, pyarrow.float64(), nullable=False, metadata={"unit": units[n]}) for n in columns]
    arrays = [pyarrow.array(column) for column in columns.values()]
    parquet.write_table(pyarrow.Table.from_arrays(arrays, schema=pyarrow.schema(fields)), path)


def _mat(path: Path, burst: Burst) -> None:
    from scipy.io import savemat

    units = {TIME: "s"} | {c.name: c.unit for c in burst.channels}
    savemat(path, _columns(burst) | {"units": units}, do_compression=True, oned_as="column", long_field_names=True)


def _mdf4(path: Path, burst: Burst) -> None:
    asammdf = need("asammdf")
    mdf = asammdf.MDF(version="4.10", temporary_folder=str(path.parent))
    try:
        time_s = burst.time_s
        signals = [
            asammdf.Signal(burst.values(i), time_s, name=c.name, unit=c.unit, comment=c.label)
            for i, c in enumerate(burst.channels)
        ]
        mdf.append(signals, acq_name=burst.source, comment=burst.record.reason, common_timebase=True)
        mdf.save(path, overwrite=True, compression=1)
    finally:
        mdf.close()


WRITERS: dict[str, tuple[str, Callable[[Path, Burst], None]]] = {
    "csv": (".csv", _csv),
    "parquet": (".parquet", _parquet),
    "mdf4": (".mf4", _mdf4),
    "mat": (".mat", _mat),
}
