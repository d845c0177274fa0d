"""A run as MDF4 (ASAM MDF 4.10): one channel group a stream, each on its own time base; events as event blocks."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from benchkit.export.about import About, Placed
from benchkit.export.guard import one_line
from benchkit.runfile import selection
from benchkit.runfile.events import event_line
from benchkit.runfile.extras import need
from benchkit.runfile.reader import Run
from benchkit.runfile.selection import Chosen, Column, unique_names

VERSION = "4.10"


def names(columns: Sequence[Column]) -> tuple[str, ...]:
    """Names of the columns, in one line each; the first is that of the time channel."""
    return unique_names([one_line(column.name) for column in columns])


def write(path: Path, run: Run, parts: Sequence[Chosen], told: About, tick: Callable[[int], None]) -> None:
    """Write all streams into one file. What is on its way to it waits in an unnamed file beside, not in memory."""
    asammdf = need("asammdf")
    mdf = asammdf.MDF(version=VERSION, temporary_folder=str(path.parent))
    try:
        mdf.header.start_time = datetime.fromisoformat(run.header.started_utc)
        mdf.header.comment = "\n".join(f"{name}: {text}" for name, text in told.facts.items())
        filled = [part for part in parts if part.rows]  # a group without rows has no time base
        for index, part in enumerate(filled):
            _write_stream(asammdf, mdf, index, run, part, tick)
        mdf.events.extend(_event(placed) for placed in told.events if not math.isnan(placed.sample_s))
        mdf.save(path, overwrite=True, compression=1)
    finally:
        mdf.close()


def _write_stream(asammdf: Any, mdf: Any, index: int, run: Run, part: Chosen, tick: Callable[[int], None]) -> None:
    constants = need("asammdf.blocks.v4_constants")
    is_first = True
    for piece in selection.pieces(run, part):
        time_s, *others = selection.arrays(piece)
        if is_first:
            signals = [
                asammdf.Signal(
                    array,
                    time_s,
                    name=column.name,
                    unit=one_line(column.unit),
                    comment=one_line(column.label),
                    master_metadata=(part.columns[0].name, constants.SYNC_TYPE_TIME),
                )
                for column, array in zip(part.columns[1:], others, strict=True)
            ]
            mdf.append(signals, acq_name=part.source, comment=part.source, common_timebase=True)
            is_first = False
        else:
            mdf.extend(index, [(time_s, None), *((array, None) for array in others)])
        tick(len(piece))


def _event(placed: Placed) -> Any:
    """A point in time, by the software, in whole nanoseconds of sample time."""
    blocks, constants = need("asammdf.blocks.v4_blocks"), need("asammdf.blocks.v4_constants")
    event = blocks.EventBlock(
        event_type=constants.EVENT_TYPE_MARKER,
        sync_type=constants.EVENT_SYNC_TYPE_S,
        range_type=constants.EVENT_RANGE_TYPE_POINT,
        cause=constants.EVENT_CAUSE_TOOL,
        flags=0,
        sync_base=round(placed.sample_s * 1e9),
        sync_factor=1e-9,
    )
    event.name = placed.event.kind.value
    event.comment = json.dumps(json.loads(event_line(placed.event)), ensure_ascii=False)
    return event
