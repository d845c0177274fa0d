"""Show what a text file holds before anything is made of it, and the declaration that would read it."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchkit.errors import BenchkitError, LinkError, UsageError
from benchkit.ingest.columns import units_of_profile
from benchkit.ingest.csv_read import BadLine, bad_line
from benchkit.ingest.dialect import Dialect, propose
from benchkit.model.file_format import FileFormat
from benchkit.model.samples import BadFrame, Rows
from benchkit.profiles import LoadedStand
from benchkit.profiles.file_format import file_format_from_toml
from benchkit.sources.clock import ManualClock
from benchkit.sources.csv_file import CsvSource

LOOK_BYTES = 1 << 18
PREVIEW_BYTES = 32 << 20
"""So much of a long file is read for ranges and counts; the preview says so."""
SHOWN_LINES = 5


@dataclass(frozen=True, slots=True)
class ColumnPreview:
    """One column: what the file and the profile say of it, and the range of its numbers."""

    name: str
    unit_in_file: str
    unit_in_profile: str
    """Empty where no channel takes the column; ``raw`` where a calibration follows."""
    low: float
    high: float
    missing: int


@dataclass(frozen=True, slots=True)
class Preview:
    """What a file looks like. Nothing of it is applied by itself."""

    path: Path
    size_bytes: int
    read_bytes: int
    dialect: Dialect
    columns: tuple[ColumnPreview, ...]
    lacking: tuple[str, ...]
    """Columns that channels of the profile take and the file has not."""
    first_lines: tuple[str, ...]
    rows: int
    rows_per_s: float
    """Median; NaN without a time."""
    refused: int
    bad: tuple[BadLine, ...]
    doubts: tuple[str, ...]
    read_rows_per_s: float
    toml: str
    """The declaration that would read the file so."""


def preview_csv(path: Path, stand: LoadedStand, source: str) -> Preview:
    """Look at the file at ``path``, as one that channels of ``source`` are to be taken from.

    Raises:
        LinkError: the file cannot be read.
        DataError: it is no delimited text of numbers.
    """
    if source not in stand.stand.sources:
        raise UsageError(f"the stand has no source {source!r}", expected=", ".join(stand.stand.sources))
    try:
        with path.open("rb") as file:
            data = file.read(LOOK_BYTES)
    except OSError as error:
        raise LinkError(
            f"cannot open the file: {error.strerror}", where=str(path), remedy="Check path and rights."
        ) from error
    dialect = propose(data, str(path))
    toml = declaration(dialect)
    doubts = list(dialect.doubts)
    trial = _trial_format(dialect)
    seen = _Seen(path, trial)
    try:
        seen.read()
    except BenchkitError as error:
        doubts.append(str(error))
    profile = units_of_profile(stand, source)
    units = dict(zip(dialect.names, dialect.units, strict=False))
    names = trial.text.value_columns
    columns = tuple(
        ColumnPreview(
            name=name,
            unit_in_file=units.get(name, ""),
            unit_in_profile="" if name not in profile else "raw" if profile[name].is_calibrated else profile[name].unit,
            low=float(seen.low[i]),
            high=float(seen.high[i]),
            missing=int(seen.missing[i]),
        )
        for i, name in enumerate(names)
    )
    return Preview(
        path=path,
        size_bytes=path.stat().st_size,
        read_bytes=seen.read_bytes,
        dialect=dialect,
        columns=columns,
        lacking=tuple(c for c in profile if c not in dialect.names),
        first_lines=tuple(_lines(data, dialect)),
        rows=seen.rows,
        rows_per_s=seen.rows_per_s,
        refused=seen.refused,
        bad=tuple(seen.bad),
        doubts=tuple(doubts),
        read_rows_per_s=seen.rows / seen.seconds if seen.seconds > 0.0 else float("nan"),
        toml=toml,
    )


def declaration(d: Dialect) -> str:
    """The proposal as TOML; what only a person can say stands there as a remark to fill in."""
    lines = ["[file]", f"encoding = {json.dumps(d.encoding.value)}", f"separator = {json.dumps(d.separator)}"]
    lines += [f"decimal_mark = {json.dumps(d.decimal_mark)}", f"names = {str(d.has_names).lower()}"]
    lines += [f"lines_before = {d.lines_before}"] if d.lines_before else []
    lines += ["units_row = true"] if d.units else []
    lines += ["quoted = true"] if d.is_quoted else []
    lines += [f"missing = {json.dumps(list(d.missing), ensure_ascii=False)}"]
    lines += [f"columns = {json.dumps(list(d.names), ensure_ascii=False)}"]
    if d.time_column is not None:
        lines += ["", "[file.time]", f"column = {json.dumps(d.time_column, ensure_ascii=False)}"]
        lines += [f"kind = {json.dumps('iso8601' if d.iso_time else 'number')}"]
        if d.iso_time and not d.stamp_has_zone:
            lines += ['# zone = "UTC"            # or "+02:00": that in which the times were taken']
        if not d.iso_time:
            lines += [f"unit = {json.dumps(d.time_unit, ensure_ascii=False)}"] if d.time_unit else []
            lines += [] if d.time_unit else ['# unit = "ms"            # or seconds_per_tick = 1e-6']
    else:
        lines += ["", "# [file.time]", '# column = "…"', '# kind = "number"        # or "iso8601"', '# unit = "s"']
    if d.units:
        lines += ["", "# [file.units]             # only where a column is to be converted, such as", '# pac = "W"']
    return "\n".join(lines) + "\n"


class _Seen:
    """Counts and ranges of the rows of a file, read as proposed."""

    def __init__(self, path: Path, trial: FileFormat) -> None:
        self._path, self._trial = path, trial
        width = len(trial.text.value_columns)
        self.low, self.high = np.full(width, np.nan), np.full(width, np.nan)
        self.missing = np.zeros(width, dtype=np.int64)
        self.rows = self.refused = self.read_bytes = 0
        self.seconds = 0.0
        self.bad: list[BadLine] = []
        self._steps: list[float] = []

    @property
    def rows_per_s(self) -> float:
        """Median of the steps of time, turned over."""
        step = float(np.median(self._steps)) if self._steps else 0.0
        return 1.0 / step if step > 0.0 else float("nan")

    def read(self) -> None:
        source = CsvSource(self._path, self._trial, ManualClock())
        source.open()
        start = time.perf_counter()
        try:
            while not source.is_finished and self.read_bytes < PREVIEW_BYTES:
                polled = source.poll(0.0)
                if polled is None:
                    continue
                self.read_bytes += len(polled.data)
                for event in polled.events:
                    if isinstance(event, Rows):
                        self._take(event)
                    elif isinstance(event, BadFrame):
                        self.refused += 1
                        if len(self.bad) < SHOWN_LINES:
                            self.bad.append(bad_line(self._path, event))
        finally:
            source.close()
            self.seconds = time.perf_counter() - start

    def _take(self, rows: Rows) -> None:
        self.rows += len(rows)
        gone = np.isnan(rows.values)
        self.missing += gone.sum(axis=0)
        self.low = np.fmin(self.low, np.where(gone, np.inf, rows.values).min(axis=0, initial=np.inf))
        self.high = np.fmax(self.high, np.where(gone, -np.inf, rows.values).max(axis=0, initial=-np.inf))
        if self._trial.text.device_time_column is not None and self._has_scale and len(self._steps) < 100_000:
            self._steps += np.diff(rows.device_time_s).tolist()

    @property
    def _has_scale(self) -> bool:
        return self._trial.text.device_time_scale_s > 0.0


def _trial_format(d: Dialect) -> FileFormat:
    """The format the preview reads with. What is not yet declared stands in for itself: a zone, a scale of 1."""
    names = d.names
    if len(set(names)) != len(names):
        names = tuple(f"{name} ({i + 1})" for i, name in enumerate(names))
        d = replace(d, names=names, time_column=None, lines_before=d.lines_before + d.has_names + bool(d.units))
        d = replace(d, has_names=False, units=())
    has_scale = d.time_column is None or d.iso_time or d.time_unit is not None
    if not has_scale:
        d = replace(d, time_column=None)
    text = declaration(d)
    if d.iso_time and not d.stamp_has_zone:
        text = text.replace('# zone = "UTC"', 'zone = "UTC"')
    return file_format_from_toml(text, "proposal")


def _lines(data: bytes, d: Dialect) -> Iterator[str]:
    before = d.lines_before + d.has_names + bool(d.units)
    for line in data.split(b"\n")[: before + SHOWN_LINES]:
        text = line.removesuffix(b"\r").decode("latin-1" if d.encoding == "latin-1" else "utf-8", "replace")
        yield "".join(c if c.isprintable() or c == "\t" else "�" for c in text[:160])
