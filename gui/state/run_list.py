"""The runs of a folder as a list: what a row says, what is asked of it, in what order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fnmatch import fnmatch
from pathlib import Path

from benchkit.campaign.entry import Entry, State
from gui.state.flag_book import FlagCount
from gui.state.theme import Tone
from gui.state.wording import size, span

HEADS = ("Started", "Run", "State", "Article", "Firmware", "Propeller", "Length", "Open flags", "Tags", "Note")
WIDTHS = (138, 280, 96, 190, 80, 112, 96, 150, 90, 0)
NOT_LOOKED = "not looked for"
MOST_UNCLOSED_ROWS = 3_000_000
"""A run that was not closed has no least and greatest values kept: of more rows than this it takes seconds to make
them."""
_TONES = {State.DAMAGED: Tone.DANGER, State.NOT_CLOSED: Tone.CAUTION, State.RECORDING: Tone.STRONG}


class FlagWish(StrEnum):
    """What is asked of the open flags of a run."""

    ANY = "any"
    LOUD = "errors or cautions"
    NONE = "no error, no caution"
    NOT_LOOKED = "not looked for"


@dataclass(frozen=True, slots=True)
class Wish:
    """Conditions that all must hold; empty: any. Texts may hold ``*`` and ``?``, and do not see case.

    ``words``: each must be somewhere in the row. ``first_day`` and ``last_day`` are ISO days, both included.
    """

    words: str = ""
    article: str = ""
    firmware: str = ""
    propeller: str = ""
    first_day: str = ""
    last_day: str = ""
    flags: FlagWish = FlagWish.ANY


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run. ``live`` is where its recorder announces itself, while it is being recorded."""

    entry: Entry
    flags: FlagCount | None = None
    live: Path | None = None

    @property
    def cells(self) -> tuple[str, ...]:
        """Texts of the columns."""
        e = self.entry
        return (
            e.started_utc[:16].replace("T", " "),
            e.run_id or e.path,
            "LIVE" if self.live is not None else e.state.value,
            e.article,
            e.firmware,
            e.propeller,
            "" if e.duration_s is None else span(e.duration_s),
            self._flags_text(),
            ", ".join(e.tags),
            e.reason if e.state is State.DAMAGED else e.note,
        )

    @property
    def tone(self) -> Tone:
        """Tone of its state."""
        return Tone.STRONG if self.live is not None else _TONES.get(self.entry.state, Tone.PLAIN)

    @property
    def tip(self) -> str:
        """More of it, for whoever rests the pointer on it."""
        e = self.entry
        lines = [e.path, size(e.size_bytes), e.reason, "" if self.flags is None else self.flags.reason]
        if e.simulated:
            lines.append("SIMULATED data")
        if self.flags is not None and self.flags.codes:
            lines.append(f"open flags: {', '.join(self.flags.codes)}")
        return "\n".join(line for line in lines if line)

    @property
    def why_not_opened(self) -> str:
        """Why it is not opened, and what to do; empty where it is."""
        e = self.entry
        if e.state is State.DAMAGED:
            return f"{e.path}: {e.reason}"
        if e.state is State.NOT_CLOSED and (e.rows or 0) > MOST_UNCLOSED_ROWS:
            return f"{e.path}: was not closed, and all of it would have to be read. Run 'benchkit recover' on it first."
        return ""

    @property
    def can_be_analysed(self) -> bool:
        """True for a run that was closed in order."""
        return self.entry.state is State.CLOSED

    def _flags_text(self) -> str:
        if self.flags is not None:
            return self.flags.text
        return NOT_LOOKED if self.can_be_analysed else ""


def rows_of(entries: Sequence[Entry], live: Mapping[str, Path], flags: Mapping[str, FlagCount]) -> tuple[RunRow, ...]:
    """Runs being recorded first, then the newest. ``live`` holds announcements by the name of their run file."""
    rows = [RunRow(e, flags.get(e.content_sha256), live.get(e.path.removesuffix(".h5"))) for e in entries]
    named = {row.entry.path.removesuffix(".h5") for row in rows}
    rows += [
        RunRow(Entry(f"{name}.h5", 0, 0, State.RECORDING), live=path)
        for name, path in live.items()
        if name not in named
    ]
    rows.sort(key=lambda row: row.entry.started_utc, reverse=True)
    return tuple(sorted(rows, key=lambda row: row.live is None))


def chosen(rows: Sequence[RunRow], wish: Wish) -> tuple[RunRow, ...]:
    """Rows that fulfil the wish, in their order."""
    return tuple(row for row in rows if _fulfils(row, wish))


def values_of(rows: Sequence[RunRow], column: str) -> tuple[str, ...]:
    """What there is to choose from: articles (inverters and motors), firmwares or propellers."""
    if column == "article":
        found = {part for row in rows for part in (row.entry.inverter, row.entry.motor)}
    else:
        found = {str(getattr(row.entry, column)) for row in rows}
    return tuple(sorted(found - {""}))


def sort_key(row: RunRow, column: int) -> tuple[float, str]:
    """What a column is sorted by: numbers as numbers."""
    if column == HEADS.index("Length"):
        return (row.entry.duration_s or 0.0, "")
    if column == HEADS.index("Open flags"):
        flags = row.flags
        return (-1.0, "") if flags is None else (1e6 * flags.errors + 1e3 * flags.cautions + flags.notes, "")
    return (0.0, row.cells[column].casefold())


def sides(rows: Sequence[RunRow]) -> tuple[tuple[RunRow, ...], tuple[RunRow, ...]] | str:
    """Chosen runs as the two sides of a comparison: the firmware of the earliest run first; else why not, in words."""
    ordered = sorted(rows, key=lambda row: row.entry.started_utc)
    firmwares = list(dict.fromkeys(row.entry.firmware for row in ordered))
    if len(firmwares) != 2:
        return (
            f"A comparison needs runs of two firmwares; chosen are runs of {len(firmwares)}"
            f" ({', '.join(firmwares) or 'none'}). Choose with Ctrl or Shift."
        )
    before, after = firmwares
    return (
        tuple(row for row in ordered if row.entry.firmware == before),
        tuple(row for row in ordered if row.entry.firmware == after),
    )


def _fulfils(row: RunRow, wish: Wish) -> bool:
    e = row.entry
    text = " ".join((*row.cells, e.path, e.operator, e.stand)).casefold()
    return (
        all(word in text for word in wish.words.casefold().split())
        and _like((e.inverter, e.motor), wish.article)
        and _like((e.firmware,), wish.firmware)
        and _like((e.propeller,), wish.propeller)
        and (not wish.first_day or e.day >= wish.first_day)
        and (not wish.last_day or (e.day <= wish.last_day and bool(e.day)))
        and _has_flags(row, wish.flags)
    )


def _has_flags(row: RunRow, wish: FlagWish) -> bool:
    match wish:
        case FlagWish.LOUD:
            return row.flags is not None and row.flags.is_loud
        case FlagWish.NONE:
            return row.flags is not None and not row.flags.is_loud
        case FlagWish.NOT_LOOKED:
            return row.flags is None
    return True


def _like(texts: Sequence[str], pattern: str) -> bool:
    pattern = pattern.strip().casefold()
    return not pattern or any(fnmatch(text.casefold(), pattern) for text in texts)
