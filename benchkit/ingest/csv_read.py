"""Read a text file strictly: good rows, and every refused line with its number, its reason and what to do.

The file goes through the decoder of the live links. Nothing is guessed: separator, decimal mark, columns and the
texts for *not measured* are those of the format.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from benchkit.errors import DataError, compose
from benchkit.model.file_format import FileFormat
from benchkit.model.samples import BadFrame, BadFrameReason, Gap, Reply, Rows, join_rows
from benchkit.model.sources import TextFormat
from benchkit.runfile.ahead import ahead
from benchkit.sources.clock import ManualClock
from benchkit.sources.contract import Polled
from benchkit.sources.csv_file import CsvSource

Progress = Callable[[int, int], None]
"""Called with bytes done and bytes in all."""

_AHEAD = 3
"""Pieces that are decoded ahead; each is a megabyte of text and what was made of it."""

REMEDIES: Mapping[BadFrameReason, str] = {
    BadFrameReason.FIELD_COUNT: (
        "Check the separator; with commas between the fields, a decimal comma gives too many of them."
    ),
    BadFrameReason.NOT_A_NUMBER: (
        "Mend the field, declare its text as missing, or declare the decimal mark that the file uses."
    ),
    BadFrameReason.CHECKSUM: "The line was changed after it was written; a file without check values declares none.",
    BadFrameReason.NUL_BYTE: "The file was damaged on its way or its disk: take the original again.",
    BadFrameReason.NOT_TEXT: "Save the file as plain ASCII text; units and remarks do not belong between the numbers.",
    BadFrameReason.TOO_LONG: "Check that each row ends with a line end.",
    BadFrameReason.PARTIAL: "The file ends within this line. Where the line is whole, put a line end behind it.",
}


@dataclass(frozen=True, slots=True)
class BadLine:
    """A line that was refused. ``text`` are its first bytes, as evidence."""

    where: str
    """File and line."""
    line_no: int
    reason: BadFrameReason
    detail: str
    text: str

    @property
    def remedy(self) -> str:
        """What to do about it."""
        return REMEDIES[self.reason]

    def __str__(self) -> str:
        return compose(self.detail, where=self.where, got=self.text, remedy=self.remedy)


@dataclass(frozen=True, slots=True)
class Imported:
    """A file as read.

    ``rows.values`` has the columns ``columns``; ``rows.arrival_ns`` is zero: nobody was there when they came.
    """

    path: Path
    columns: tuple[str, ...]
    rows: Rows
    bad: tuple[BadLine, ...]
    gaps: tuple[Gap, ...]
    replies: tuple[Reply, ...]


def read_csv(
    path: Path, text_format: TextFormat | FileFormat, *, has_header: bool = True, progress: Progress | None = None
) -> Imported:
    """Read ``path`` whole.

    With ``has_header`` the first line names the columns: every declared one and no other, in any order.

    Raises:
        LinkError: the file cannot be read.
        DataError: the line of names does not fit the format, or no line of the file is a good row.
        UsageError: the format contradicts itself.
    """
    source = CsvSource(path, text_format, ManualClock(), has_header=has_header)
    blocks: list[Rows] = []
    bad: list[BadLine] = []
    gaps: list[Gap] = []
    replies: list[Reply] = []
    for polled in pieces(source, path, progress):
        for event in polled.events:
            match event:
                case Rows():
                    blocks.append(event)
                case BadFrame():
                    bad.append(bad_line(path, event))
                case Gap():
                    gaps.append(event)
                case Reply():
                    replies.append(event)
    if not blocks:
        raise no_rows(path, bad)
    rows = join_rows(blocks)
    return Imported(path, source.columns, rows, tuple(bad), tuple(gaps), tuple(replies))


def pieces(source: CsvSource, path: Path, progress: Progress | None = None) -> Generator[Polled]:
    """The file piece by piece, opened and closed here; the next one is decoded while the caller works on this one."""
    source.open()
    try:
        total, done = path.stat().st_size, 0
        with closing(_ahead_from_rows(_polls(source))) as arriving:
            for polled in arriving:
                yield polled
                done += len(polled.data)
                if progress is not None:
                    progress(done, total)
    finally:
        source.close()


def _ahead_from_rows(polls: Iterator[Polled]) -> Generator[Polled]:
    """Nothing is decoded ahead before the first row: a file without any is given up early."""
    for polled in polls:
        yield polled
        if any(isinstance(event, Rows) for event in polled.events):
            break
    yield from ahead(polls, _AHEAD)


def _polls(source: CsvSource) -> Iterator[Polled]:
    while not source.is_finished:
        polled = source.poll(0.0)
        if polled is not None:
            yield polled


def bad_line(path: Path, frame: BadFrame) -> BadLine:
    """A refused frame of a file as a refused line."""
    text = frame.data.decode("ascii", "backslashreplace")
    return BadLine(f"{path}: line {frame.frame}", frame.frame, frame.reason, frame.detail, text)


def no_rows(path: Path, bad: Sequence[BadLine]) -> DataError:
    """The refusal of a file that holds not one good row."""
    if not bad:
        return DataError("the file holds no rows", where=str(path), remedy="Check that it is the right file.")
    reason, count = Counter(line.reason for line in bad).most_common(1)[0]
    first = next(line for line in bad if line.reason is reason)
    return DataError(
        f"no line is a good row; {count} of {len(bad)} fail as this one does: {first.detail}",
        where=first.where,
        got=first.text,
        remedy=first.remedy,
    )
