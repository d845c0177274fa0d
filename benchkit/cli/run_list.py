"""What ``runs`` does, and what every command makes of the filter options."""

from __future__ import annotations

import sys
import time
from argparse import Namespace
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from pathlib import Path

from benchkit.campaign.catalogue import Catalogue, Changes
from benchkit.campaign.entry import Entry, Filter, State
from benchkit.cli.common import print_json, progress
from benchkit.errors import UsageError


def run(args: Namespace) -> int:
    """List, tag or watch. Exit code 0 also where damaged files are listed."""
    wanted = filter_of(args)
    with Catalogue(Path(args.folder), Path(args.cache) if args.cache else None) as catalogue:
        changes = _look(catalogue, rebuild=args.rebuild)
        for problem in changes.problems:
            print(problem, file=sys.stderr)
        if not catalogue.is_kept:
            print("the catalogue cannot be kept here: every file is read each time (see --cache)", file=sys.stderr)
        if args.add_tag or args.remove_tag:
            _tag(catalogue, wanted, args)
        entries = catalogue.entries(wanted)
        if args.json:
            print_json([_plain(entry) for entry in entries])
        else:
            for line in lines_of(entries):
                print(line)
        if args.watch:
            watch(catalogue, wanted, lambda: _slept(args.every), as_json=args.json)
    return 0


def filter_of(args: Namespace) -> Filter:
    """The conditions that the options give.

    Raises:
        UsageError: a day that is none.
    """
    for name in ("first_day", "last_day"):
        _check_day(getattr(args, name))
    return Filter(
        article=args.article,
        firmware=args.firmware,
        propeller=args.propeller,
        operator=args.operator,
        stand=args.stand,
        run=args.run,
        first_day=args.first_day,
        last_day=args.last_day,
        simulated=args.simulated,
        states=tuple(State(state) for state in args.state),
        tags=tuple(args.tag),
    )


def _check_day(text: str) -> None:
    try:
        if text and date.fromisoformat(text).isoformat() == text:
            return
    except ValueError:
        pass
    if text:
        raise UsageError("not a day", got=text, expected="YEAR-MONTH-DAY, as in 2026-03-01")


def _look(catalogue: Catalogue, *, rebuild: bool) -> Changes:
    bar = progress(0, "reading runs", "run")

    def show(done: int, total: int) -> None:
        bar.total = total
        bar.update(done - bar.n)

    try:
        return catalogue.rebuild(show) if rebuild else catalogue.refresh(show)
    finally:
        bar.close()


def _tag(catalogue: Catalogue, wanted: Filter, args: Namespace) -> None:
    if wanted.is_empty:
        raise UsageError(
            "tags go onto the runs that are chosen, and none are",
            remedy="Choose some, as in --run airboat-20261103-0912 or --firmware B.14.",
        )
    noted = datetime.now(UTC).isoformat(timespec="seconds")
    chosen = catalogue.entries(wanted)
    for tag, is_on in ((args.add_tag, True), (args.remove_tag, False)):
        if tag:
            changed = catalogue.tag(chosen, tag, is_on=is_on, noted_utc=noted)
            print(f"{'tagged' if is_on else 'taken off'}: {tag!r}, {changed} of {len(chosen)} runs", file=sys.stderr)


def watch(catalogue: Catalogue, wanted: Filter, wait: Callable[[], bool], *, as_json: bool = False) -> None:
    """Print what changes among the runs that fulfil the conditions, until ``wait`` says to stop."""
    for changes in catalogue.watch(wait):
        fulfil = {entry.path for entry in catalogue.entries(wanted)}
        for word, entries in (("new", changes.new), ("changed", changes.changed)):
            _print_changed(word, (entry for entry in entries if entry.path in fulfil), as_json)
        for before, entry in changes.moved:
            if entry.path in fulfil:
                _print_changed(f"moved from {before}", [entry], as_json)
        for path in changes.gone if wanted.is_empty else ():
            print_json({"change": "gone", "path": path}) if as_json else print(f"gone: {path}", flush=True)


def _print_changed(word: str, entries: Iterable[Entry], as_json: bool) -> None:
    for entry in entries:
        if as_json:
            print_json({"change": word, **_plain(entry)})
        else:
            print(f"{word}: {line_of(entry)}", flush=True)


def _slept(seconds: float) -> bool:
    time.sleep(max(0.05, seconds))
    return True


def _plain(entry: Entry) -> dict[str, object]:
    return entry._asdict()


COLUMNS = ("started", "file", "state", "firmware", "article", "propeller", "operator", "length", "tags")


def lines_of(entries: Sequence[Entry]) -> Iterator[str]:
    """A table for people, each damaged run with its reason below it, and a last line that counts."""
    rows = [COLUMNS, *(_cells(entry) for entry in entries)]
    pattern = "  ".join(f"{{:{max(map(len, column))}}}" for column in zip(*rows, strict=True))
    if entries:
        yield pattern.format(*COLUMNS).rstrip()
    for entry, row in zip(entries, rows[1:], strict=True):
        yield _printable(pattern.format(*row).rstrip())
        if entry.reason:
            yield f"    {entry.reason}"
    damaged = sum(entry.state is State.DAMAGED for entry in entries)
    runs = f"{len(entries)} run{'s' if len(entries) != 1 else ''}"
    yield f"{runs}{f', {damaged} of them damaged' if damaged else ''}"


def line_of(entry: Entry) -> str:
    """One run in one line."""
    cells = [cell for cell in _cells(entry) if cell]
    return _printable("  ".join([*cells, f"({entry.reason})"] if entry.reason else cells))


_STATE_WORDS = {(state, is_it): f"{state}{', SIMULATED' * is_it}" for state in State for is_it in (False, True)}


def _cells(entry: Entry) -> tuple[str, ...]:
    state = _STATE_WORDS[entry.state, bool(entry.simulated)]
    length = "" if entry.duration_s is None else f"{entry.duration_s:.0f} s"
    return (
        entry.started_utc[:16].replace("T", " "),
        entry.path,
        state,
        entry.firmware,
        entry.article,
        entry.propeller,
        entry.operator,
        length,
        ", ".join(entry.tags),
    )


def _printable(text: str) -> str:
    return text if text.isprintable() else "".join(c if c.isprintable() else "?" for c in text)
