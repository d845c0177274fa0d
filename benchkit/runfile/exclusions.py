"""What people excluded from a closed run, in a file beside it: the run itself is never written again.

``run.h5.exclusions`` holds one event a line, as in the log of a run, each with reason, author, when it was noted and
the content hash of the run it is about. Lines are only added; one that is taken back stays, with a later line that says
so. The file belongs to the run: copy both.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from benchkit.errors import RunFileError, UsageError
from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.runfile.events import event_line, parse_event

SUFFIX = ".exclusions"


def exclusions_path(run_path: Path) -> Path:
    """The file beside a run."""
    return run_path.with_name(run_path.name + SUFFIX)


def all_lines(run_path: Path, content_sha256: str) -> list[Event]:
    """Every line beside a run in order, those taken back included; empty where there is no such file.

    Raises:
        RunFileError: a line cannot be read, says too little, or is about another run.
    """
    path = exclusions_path(run_path)
    if not path.exists():
        return []
    events = []
    for number, line in enumerate(path.read_bytes().splitlines(), start=1):
        where = f"{path.name}: line {number}"
        event = parse_event(line, where=where)
        if event.kind is not EventKind.EXCLUDED_POINT or not event.data.get("reason") or not event.data.get("who"):
            raise RunFileError("not an exclusion with reason and author", where=where, got=line[:80])
        if event.data.get("content_sha256") != content_sha256:
            raise RunFileError(
                "the exclusion is about another run",
                where=where,
                got=str(event.data.get("content_sha256"))[:12],
                expected=content_sha256[:12],
                remedy="Put the file beside the run it was made for, or move it away.",
            )
        events.append(event)
    return events


def read_exclusions(run_path: Path, content_sha256: str) -> list[Event]:
    """The exclusions in force; raises as :func:`all_lines`."""
    lines = all_lines(run_path, content_sha256)
    return [lines[number - 1] for number in _in_force(lines)]


def exclude(
    run_path: Path, content_sha256: str, span_s: tuple[float, float], reason: str, who: str, noted_utc: str
) -> Event:
    """Add the exclusion of a stretch [s], host time since the start of the run, and return its event.

    Raises:
        UsageError: not a stretch, no reason or no author.
        RunFileError: from :func:`all_lines`; nothing is added then.
    """
    start_s, stop_s = span_s
    if not 0.0 <= start_s < stop_s:
        raise UsageError("not a stretch of a run", got=f"{start_s:g} to {stop_s:g} s", expected="0 <= from < to")
    data: dict[str, JsonValue] = {"from_s": start_s, "to_s": stop_s}
    text = f"{start_s:g} to {stop_s:g} s excluded on {noted_utc}, after the recording: {reason.strip()}"
    return _add(run_path, content_sha256, start_s, text, data, reason, who, noted_utc)


def take_back(run_path: Path, content_sha256: str, number: int, reason: str, who: str, noted_utc: str) -> Event:
    """Take line ``number`` (from 1) back; raises as :func:`exclude`, and where there is no such line in force."""
    lines = all_lines(run_path, content_sha256)
    in_force = _in_force(lines)
    if number not in in_force:
        raise UsageError(
            "no such exclusion in force", got=number, expected=", ".join(map(str, in_force)) or "none is in force"
        )
    line = lines[number - 1]
    data: dict[str, JsonValue] = {"takes_back": number}
    text = f"exclusion {number} taken back on {noted_utc}: {reason.strip()}"
    return _add(run_path, content_sha256, line.time_s, text, data, reason, who, noted_utc)


def _in_force(lines: Sequence[Event]) -> list[int]:
    back = {event.data["takes_back"] for event in lines if "takes_back" in event.data}
    return [n for n, e in enumerate(lines, start=1) if "takes_back" not in e.data and n not in back]


def _add(
    run_path: Path,
    content_sha256: str,
    time_s: float,
    text: str,
    data: dict[str, JsonValue],
    reason: str,
    who: str,
    noted_utc: str,
) -> Event:
    if not reason.strip() or not who.strip():
        raise UsageError("no reason or no name", where="exclude", remedy="Say why, and who says so.")
    all_lines(run_path, content_sha256)  # nothing is added to a file that cannot be read
    words: dict[str, JsonValue] = {
        "reason": reason.strip(),
        "who": who.strip(),
        "noted_utc": noted_utc,
        "content_sha256": content_sha256,
    }
    event = Event(time_s, EventKind.EXCLUDED_POINT, text, data=data | words)
    with exclusions_path(run_path).open("ab") as file:
        file.write(event_line(event))
        file.flush()
        os.fsync(file.fileno())
    return event
