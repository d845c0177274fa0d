"""Run files of a folder, and what each says of itself. Files are read, never written.

What the catalogue holds of a file follows from that file alone.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from benchkit.campaign.entry import Entry, State
from benchkit.errors import BenchkitError, RunFileError, UsageError

SUFFIX = ".h5"
MAX_REASON = 300


def files_of(folder: Path, problems: list[str]) -> Iterator[tuple[str, int, int]]:
    """Run files below a folder: path relative to it with '/', size and time of change [ns], in the order of the system.

    Hidden files and folders are left out; links to folders are not followed. A folder that cannot be read goes to
    ``problems``.

    Raises:
        UsageError: no such folder.
    """
    if not folder.is_dir():
        raise UsageError("no such folder", where=str(folder), remedy="Name the folder that holds the runs.")
    waiting = [(os.fspath(folder), "")]
    while waiting:
        place, prefix = waiting.pop()
        try:
            with os.scandir(place) as found:
                for item in found:
                    if item.name.startswith("."):
                        continue
                    if item.name.endswith(SUFFIX) and item.is_file():
                        state = item.stat()
                        yield prefix + item.name, state.st_size, state.st_mtime_ns
                    elif item.is_dir(follow_symlinks=False):
                        waiting.append((item.path, f"{prefix}{item.name}/"))
        except OSError as error:
            problems.append(f"{prefix or '.'}: cannot be read ({error.strerror})")


def read_entry(folder: Path, name: str, size_bytes: int, mtime_ns: int) -> Entry:
    """What one file says. Never raises for a bad file: it is an entry with its reason."""
    try:
        name.encode()
    except UnicodeEncodeError:
        shown = os.fsencode(name).decode("utf-8", "backslashreplace")
        return Entry(shown, size_bytes, mtime_ns, State.DAMAGED, "its name is not UTF-8. Rename it.")
    try:
        return _read(folder / name, name, size_bytes, mtime_ns)
    except (RunFileError, OSError) as error:
        reason = str(error).removeprefix(f"{folder / name}: ").replace(f"{folder}{os.sep}", "")
        return Entry(name, size_bytes, mtime_ns, State.DAMAGED, reason[:MAX_REASON])


def _read(path: Path, name: str, size_bytes: int, mtime_ns: int) -> Entry:
    from benchkit.runfile import layout
    from benchkit.runfile.reader import open_run
    from benchkit.runfile.verify import require_closed

    with open_run(path) as run:
        header = run.header
        state, reason = State.CLOSED, ""
        try:
            require_closed(run)
        except RunFileError as error:
            reason = str(error).removeprefix(f"{path}: ")
            state = State.RECORDING if "being recorded" in reason else State.NOT_CLOSED
        spans = []
        for source in run.sources:
            rows = run.rows(source)
            if rows:
                first, last = (float(run.times(source, layout.TIME, at, at + 1)[0]) for at in (0, rows - 1))
                spans.append(last - first)
        inverter, motor, firmware, propeller = named_parts(header.profile_json)
        return Entry(
            path=name,
            size_bytes=size_bytes,
            mtime_ns=mtime_ns,
            state=state,
            reason=reason,
            content_sha256=run.content_sha256 if state is State.CLOSED else "",
            run_id=header.run_id,
            started_utc=header.started_utc,
            day=_day(header.started_utc, path),
            stand=header.stand,
            operator=header.operator,
            note=header.note,
            inverter=inverter,
            motor=motor,
            firmware=firmware,
            propeller=propeller,
            software_version=header.software_version,
            simulated=header.simulated,
            duration_s=max(spans, default=0.0),
            rows=sum(run.rows(source) for source in run.sources),
        )


def _day(started_utc: str, path: Path) -> str:
    try:
        return datetime.fromisoformat(started_utc).date().isoformat()
    except ValueError:
        raise RunFileError(
            "started_utc is not a time", where=str(path), got=started_utc[:60], expected="ISO 8601 with offset"
        ) from None


@lru_cache(maxsize=256)
def named_parts(profile_json: str) -> tuple[str, str, str, str]:
    """Inverter, motor, firmware revision and propeller as the profile in a run names them; empty where it does not.

    Most runs of a folder carry one of a few profiles: each is read once.
    """
    from benchkit.profiles import stand_from_json

    try:
        stand = stand_from_json(profile_json)
    except BenchkitError:  # the run can be read all the same; a profile that cannot is said by 'benchkit info'
        return "", "", "", ""
    propeller = "" if stand.propeller is None else stand.propeller.id
    return stand.inverter.id, stand.motor.id, stand.inverter.firmware_revision, propeller
