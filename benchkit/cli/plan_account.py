"""``benchkit plan account JOURNAL``: what a plan asks for, what it has had, and where it went another way."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchkit.cli.common import print_json
from benchkit.errors import UsageError
from benchkit.model.cautions import ONE_LINE
from benchkit.plans.account import Account, account_data, account_of
from benchkit.plans.account_words import AccountLine, account_lines, account_sentences
from benchkit.plans.deviations import Deviation, Word, deviation_of, word_of
from benchkit.plans.entries import Entry, EntryKind
from benchkit.runfile.plan_journal import SUFFIX, read_plan_journal, read_tally, untold

HEADS = ("of", "name", "asked", "done", "left out", "asked h", "credited h", "in tolerance h", "read h")
LEFT = 2
"""Columns of text; those behind them are numbers."""


def tell_account(words: Sequence[str], *, as_json: bool) -> int:
    """Print the account of each journal; a folder stands for all journals in it."""
    if not words:
        raise UsageError("not understood", expected="benchkit plan account JOURNAL", remedy="It ends in .plan.")
    paths = [found for word in words for found in _journals(Path(word))]
    told = [(path, *_read(path)) for path in paths]
    if as_json:
        print_json([_as_json(path, entries, account) for path, entries, account in told])
        return 0
    print("\n\n".join("\n".join(account_text(path.name, entries, account)) for path, entries, account in told))
    return 0


def _journals(path: Path) -> list[Path]:
    found = sorted(path.glob(f"*{SUFFIX}")) if path.is_dir() else [path] if path.exists() else []
    if not found:
        raise UsageError(
            "no journal of a plan is here", where=str(path), remedy="It lies beside the runs and ends in .plan."
        )
    return found


def _read(path: Path) -> tuple[list[Entry], Account]:
    """Entries and account, with the time that only the tally has, of a recording that goes on or was cut off."""
    entries, _ = read_plan_journal(path)
    account = account_of(entries)
    rest = untold(account, read_tally(path))
    if rest is not None:
        of_step = next(
            (e.data for e in reversed(entries) if "segment" in e.data and e.data.get("step") == rest.step), {}
        )
        where = {key: of_step[key] for key in ("segment", "turn", "rating") if key in of_step}
        times = {"way_s": rest.way_s, "read_s": rest.read_s, "good_s": rest.good_s}
        entries = [*entries, Entry(EntryKind.TIME, math.nan, "", {"step": rest.step, **times, **where})]
        account = account_of(entries)
    return entries, account


def account_text(name: str, entries: Sequence[Entry], account: Account) -> list[str]:
    """The lines of an account."""
    opened = [entry.data for entry in entries if entry.kind is EntryKind.OPENED]
    head = opened[-1] if opened else {}
    who = f"{head.get('plan', name)}, revision {head.get('revision', '')}, {head.get('mode', '')}"
    lines = [
        f"{head.get('title', '')} ({who})",
        f"journal {name}, hash of the plan {head.get('sha256', '')}",
        f"it is {standing_words(entries)}",
        "",
        *account_sentences(account),
        "",
        *_table(HEADS, [_cells(account_line) for account_line in account_lines(account)]),
    ]
    people = [(run, _time(entry), said.what, said.who, said.role) for run, entry, said in words(entries)]
    lines += ["", *_table(("run", "time s", "what", "who", "as"), people, left=5)]
    found = deviations(entries)
    lines += ["", f"Deviations: {len(found) or 'none'}"]
    rows = [(one.run, one.time, one.what.step, one.what.what, one.what.why) for one in found]
    lines += _table(("run", "time s", "step", "what", "why"), rows, left=5)
    return [
        *lines,
        "",
        "Times are those of the stand. Done: taken and not repeated since. Credited: time in tolerance that was not",
        "repeated since. A missing row counts for nothing, nor does one behind a stop.",
        ONE_LINE,
    ]


def standing_words(entries: Sequence[Entry]) -> str:
    """Where a plan stands after its entries."""
    ends = {
        EntryKind.FINISHED: "finished",
        EntryKind.ABANDONED: "given up",
        EntryKind.STOPPED: "stopped",
        EntryKind.CONFIRMED: "at rest; it goes on when a person says so",
    }
    under_way = (EntryKind.BEGUN, EntryKind.RESUMED, EntryKind.STEP)
    for entry in reversed(entries):
        if entry.kind in under_way:
            return "under way, or was when its recording was cut off"
        if entry.kind in ends:
            return f"{ends[entry.kind]}: {entry.message}"
    return "not begun"


@dataclass(frozen=True, slots=True)
class Noticed:
    """A deviation, the run in which it was noticed, and when in it."""

    run: str
    time: str
    what: Deviation


def deviations(entries: Sequence[Entry]) -> list[Noticed]:
    """All of them."""
    return [
        Noticed(run, _time(entry), one)
        for run, entry in _with_runs(entries)
        if (one := deviation_of(entry.kind, entry.message, entry.data)) is not None
    ]


def words(entries: Sequence[Entry]) -> list[tuple[str, Entry, Word]]:
    """What people said, with run and entry."""
    return [
        (run, entry, said)
        for run, entry in _with_runs(entries)
        if (said := word_of(entry.kind, entry.message, entry.data)) is not None
    ]


def _with_runs(entries: Sequence[Entry]) -> Iterator[tuple[str, Entry]]:
    """Each entry with the run in which it was made: what a recording opened, up to the next."""
    run = ""
    for entry in entries:
        if entry.kind is EntryKind.OPENED:
            run = str(entry.data.get("run", ""))
        yield run, entry


def _time(entry: Entry) -> str:
    return f"{entry.time_s:.1f}" if math.isfinite(entry.time_s) else "-"


def _cells(line: AccountLine) -> tuple[str, ...]:
    share, asked = line.share, line.asked
    hours = (share.credited_s, share.good_s, share.read_s)
    return (
        line.of,
        line.name,
        str(asked.points) if asked else "-",
        str(share.cycles),
        str(share.skipped),
        _hours(asked.dwell_s) if asked else "-",
        *(_hours(seconds) for seconds in hours),
    )


def _hours(seconds: float) -> str:
    return f"{seconds / 3600.0:.4f}"


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]], left: int = LEFT) -> list[str]:
    if not rows:
        return []
    widths = [max(len(line[k]) for line in (heads, *rows)) for k in range(len(heads))]
    return [
        "  ".join(
            cell.ljust(width) if k < left else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in (heads, *rows)
    ]


def _as_json(path: Path, entries: Sequence[Entry], account: Account) -> dict[str, object]:
    return {
        "file": str(path),
        "stands": standing_words(entries),
        "account": account_data(account),
        "people": [
            {"run": run, "time": _time(entry), "what": said.what, "who": said.who, "as": said.role}
            for run, entry, said in words(entries)
        ],
        "deviations": [
            {"run": one.run, "time": one.time, "step": one.what.step, "what": one.what.what, "why": one.what.why}
            for one in deviations(entries)
        ],
    }
