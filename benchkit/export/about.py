"""What goes beside the samples: who and when of the run, the meaning of every column, the events."""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchkit.export.guard import guarded
from benchkit.model.events import Event
from benchkit.runfile import selection
from benchkit.runfile.events import event_line
from benchkit.runfile.reader import Run
from benchkit.runfile.selection import Chosen


@dataclass(frozen=True, slots=True)
class Placed:
    """An event with its place on the sample time of a stream. ``event.time_s`` is host time; the two run apart where a
    device clock drifts, or a simulated stand runs faster than real time."""

    event: Event
    sample_s: float
    """NaN where the stream has no rows."""
    source: str
    """The stream whose time it is: that of the event's source, else the first that is exported."""


@dataclass(frozen=True, slots=True)
class About:
    """What every format is told of the run."""

    facts: dict[str, str]
    events: tuple[Placed, ...]


def about(run: Run, parts: Sequence[Chosen]) -> About:
    """Facts and events of a run; of the events those inside the chosen span."""
    header, part = run.header, parts[0]
    facts = {
        "run_id": header.run_id,
        "started_utc": header.started_utc,
        "stand": header.stand,
        "operator": header.operator,
        "note": header.note,
        "host": header.host,
        "software_version": header.software_version,
        "simulated": "true" if header.simulated else "false",
        "content_sha256": run.content_sha256,
        "span": _span(part.start_s, part.stop_s),
    }
    return About(facts=facts, events=tuple(_placed(run, part)))


def write_events(path: Path, events: Sequence[Placed]) -> None:
    """The events as CSV: a header, one line each; text that a spreadsheet would run is made harmless."""
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["time_s", "sample_time_s", "sample_time_of", "kind", "source", "channel", "message", "data"])
        for placed in events:
            event = placed.event
            data = json.dumps(_line(event).get("data", {}), ensure_ascii=False) if event.data else ""
            texts = [placed.source, event.kind.value, event.source, event.channel, event.message, data]
            first, *others = map(guarded, texts)
            times = ["" if math.isnan(time_s) else repr(time_s) for time_s in (event.time_s, placed.sample_s)]
            table.writerow([*times, first, *others])


def write_about(
    path: Path,
    told: About,
    parts: Sequence[Chosen],
    files: Sequence[str],
    bursts: Sequence[dict[str, Any]] = (),
) -> None:
    """The facts, the columns of every stream with their names as exported and as recorded, and the events, as JSON."""
    body = {
        "run": told.facts,
        "files": list(files),
        "streams": {
            part.source: {
                "rows": part.rows,
                "columns": [
                    {
                        "name": column.name,
                        "channel": column.channel or None,
                        "label": column.label,
                        "quantity": column.quantity,
                        "unit": column.unit,
                    }
                    for column in part.columns
                ],
            }
            for part in parts
        },
        **({"bursts": list(bursts)} if bursts else {}),
        "events": [
            _line(placed.event)
            | {
                "sample_time_s": None if math.isnan(placed.sample_s) else placed.sample_s,
                "sample_time_of": placed.source,
            }
            for placed in told.events
        ],
    }
    path.write_text(json.dumps(body, indent=1, ensure_ascii=False, allow_nan=False) + "\n", encoding="utf-8")


def _line(event: Event) -> dict[str, Any]:
    fields: dict[str, Any] = json.loads(event_line(event))
    return fields


def _placed(run: Run, part: Chosen) -> list[Placed]:
    events = run.events()
    axis = [event.source if event.source in run.sources else part.source for event in events]
    sample_s = np.full(len(events), np.nan)
    for source in set(axis):
        mine = np.array([name == source for name in axis])
        sample_s[mine] = selection.sample_times(run, source, np.array([event.time_s for event in events])[mine])
    placed = map(Placed, events, sample_s.tolist(), axis)
    low = -math.inf if part.start_s is None else part.start_s
    high = math.inf if part.stop_s is None else part.stop_s
    return [each for each in placed if (low, high) == (-math.inf, math.inf) or low <= each.sample_s < high]


def _span(start_s: float | None, stop_s: float | None) -> str:
    if start_s is None and stop_s is None:
        return "all"
    return f"{'start' if start_s is None else repr(start_s)} <= time_s < {'end' if stop_s is None else repr(stop_s)}"
