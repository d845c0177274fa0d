"""The orderly end of a run: fold the journal in, hash the content, mark it closed, open it again and check.

Everything happens in SWMR mode on datasets that were made at the start, so a crash in the middle leaves a file that
opens and a journal that still holds everything.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchkit.errors import RunFileError, UsageError
from benchkit.model.run import RunHeader
from benchkit.runfile import hashing, layout, pyramid
from benchkit.runfile.bursts import BurstSpec, check_specs, parse_spec, spec_record
from benchkit.runfile.hashing import Progress
from benchkit.runfile.journal import JournalRecord, Kind, read_journal
from benchkit.runfile.layout import StoredChannel, StreamSpec
from benchkit.runfile.reader import open_run
from benchkit.runfile.store import RunStore, check_header, set_root_attribute

_FOLD_BYTES = 4 << 20
_FOLD_RECORDS = 50_000


@dataclass(frozen=True, slots=True)
class ClosedRun:
    """A run that was closed and checked by opening it again."""

    path: Path
    content_sha256: str
    rows_by_source: Mapping[str, int]
    events: int
    raw_bytes: int
    """Bytes received, all sources."""
    size_bytes: int


def run_record(
    header: RunHeader,
    streams: Mapping[str, StreamSpec],
    original: Path | None = None,
    bursts: Sequence[BurstSpec] = (),
) -> bytes:
    """Payload of the first journal record: all that is needed to make the run file anew.

    ``original`` is the file that holds the bytes received, where the journal does not.
    """
    return json.dumps(
        {
            "header": asdict(header),
            "streams": [
                {
                    "source": spec.source,
                    "channels": [[c.name, c.label, str(c.quantity), c.unit] for c in spec.channels],
                    "raw_columns": list(spec.raw_columns),
                }
                for spec in streams.values()
            ],
            **({} if original is None else {"original": str(original)}),
            **({} if not bursts else {"bursts": [spec_record(spec) for spec in bursts]}),
        },
        ensure_ascii=False,
    ).encode()


def parse_run_record(record: JournalRecord, *, where: str) -> tuple[RunHeader, tuple[StreamSpec, ...]]:
    """Header and streams from the first journal record.

    Raises:
        RunFileError: not what :func:`run_record` writes.
    """
    try:
        if record.kind is not Kind.RUN:
            raise TypeError(f"first record is {record.kind.name}")
        fields = json.loads(record.payload)
        header = RunHeader(**fields["header"])
        _check_types(header)
        streams = tuple(
            StreamSpec(
                source=str(entry["source"]),
                channels=tuple(StoredChannel(*map(str, channel)) for channel in entry["channels"]),
                raw_columns=tuple(map(str, entry["raw_columns"])),
            )
            for entry in fields["streams"]
        )
        layout.check_specs(streams)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError, UsageError) as error:
        raise RunFileError(
            f"the journal does not start with the header of its run: {error}",
            where=where,
            remedy="It was written by another version, or is damaged.",
        ) from error
    return header, streams


def bursts_of(record: JournalRecord, *, where: str) -> tuple[BurstSpec, ...]:
    """The burst sources, from a first record that :func:`parse_run_record` took.

    Raises:
        RunFileError: not what :func:`run_record` writes.
    """
    try:
        specs = tuple(parse_spec(fields) for fields in json.loads(record.payload).get("bursts", ()))
        check_specs(specs)
    except (ValueError, KeyError, TypeError, AttributeError, UsageError) as error:
        raise RunFileError(
            f"the burst sources in the journal cannot be read: {error}",
            where=where,
            remedy="It was written by another version, or is damaged.",
        ) from error
    return specs


def original_of(record: JournalRecord) -> str:
    """The file that holds the bytes received, from a first record that :func:`parse_run_record` took; else empty."""
    return str(json.loads(record.payload).get("original", ""))


def _check_types(header: RunHeader) -> None:
    """The header came as JSON: every field must have the type it has in a header made here."""
    example = RunHeader("", "", "", "", "", "")
    for name in (*layout.HEADER_TEXT_ATTRIBUTES, "note", "profile_json"):
        if not isinstance(getattr(header, name), str):
            raise TypeError(f"{name} is not a text")
    for name in ("simulated", "format_version"):
        if type(getattr(header, name)) is not type(getattr(example, name)):
            raise TypeError(f"{name} is a {type(getattr(header, name)).__name__}")
    if not isinstance(header.time_factor, int | float) or not isinstance(header.seed, int | None):
        raise TypeError("time_factor or seed is not a number")
    if not all(isinstance(text, str) for item in header.profile_texts.items() for text in item):
        raise TypeError("profile_texts are not texts")
    check_header(header)


def fold_journal(file: Any, sources: tuple[str, ...], journal: Path, progress: Progress | None = None) -> None:
    """Copy all bytes of the journal into ``/raw``. Torn tails are left out."""
    waiting: dict[tuple[str, str], list[JournalRecord]] = {}
    held = records = 0
    total = journal.stat().st_size
    with read_journal(journal) as reader:
        for record in reader:
            if record.kind not in (Kind.RECEIVED, Kind.SENT) or record.source_index >= len(sources):
                continue
            name = "received" if record.kind is Kind.RECEIVED else "sent"
            waiting.setdefault((sources[record.source_index], name), []).append(record)
            held += len(record.payload)
            records += 1
            if held >= _FOLD_BYTES or records >= _FOLD_RECORDS:
                _write_pieces(file, waiting)
                held = records = 0
                if progress is not None:
                    progress(reader.good_bytes, total)
    _write_pieces(file, waiting)
    if progress is not None:
        progress(total, total)


def finish(store: RunStore, header: RunHeader, journal: Path | None, progress: Progress | None = None) -> ClosedRun:
    """Close a run whose rows and events are all appended, and check it.

    ``progress`` is called with bytes done and bytes in all, anew for each of folding, hashing and checking.

    Raises:
        RunFileError: the disk is full, or what was read back differs from what was written. The journal is not touched.
    """
    store.end_of_rows()
    store.flush()
    store.check_writable(journal.stat().st_size if journal is not None else 0)
    try:
        if journal is not None:
            fold_journal(store.file, tuple(store.streams), journal, progress)
        store.file.flush()
        order = hashing.hash_order(
            {source: bool(spec.raw_columns) for source, spec in store.streams.items()}, bursts=tuple(store.bursts)
        )
        running: dict[str, str] = {}
        digest = hashing.content_sha256(header, {name: store.file[name] for name in order}, {}, progress, running)
        _extend(store.file[layout.RUNNING_SHA256], np.array([each.encode() for each in running.values()]))
        set_root_attribute(store.file, layout.CONTENT_SHA256, digest.encode())
        levels = [store.file[path] for path in pyramid.paths(store.streams)]
        set_root_attribute(store.file, layout.PYRAMID_SHA256, hashing.sha256_of(levels).encode())
        set_root_attribute(store.file, layout.CLOSED, 1)
        store.file.flush()
    except (OSError, RuntimeError) as error:
        raise store.write_error(error) from error
    store.close()
    with open_run(store.path) as run:
        run.verify(progress)
        return ClosedRun(
            path=store.path,
            content_sha256=digest,
            rows_by_source={source: run.rows(source) for source in run.sources},
            events=len(run.event_lines()),
            raw_bytes=sum(run.raw_size(source) for source in run.sources),
            size_bytes=store.path.stat().st_size,
        )


def _write_pieces(file: Any, waiting: dict[tuple[str, str], list[JournalRecord]]) -> None:
    for (source, name), records in waiting.items():
        base = f"{layout.RAW}/{source}/{name}"
        payload = b"".join(record.payload for record in records)
        start = int(file[base].shape[0])
        ends = start + np.cumsum([len(record.payload) for record in records], dtype=np.int64)
        _extend(file[base], np.frombuffer(payload, dtype=np.uint8))
        _extend(file[f"{base}_time_ns"], np.array([record.time_ns for record in records], dtype=np.int64))
        _extend(file[f"{base}_end"], ends)
    waiting.clear()


def _extend(dataset: Any, data: Any) -> None:
    start = int(dataset.shape[0])
    dataset.resize(start + len(data), axis=0)
    dataset[start:] = data
