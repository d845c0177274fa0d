"""The journal of a plan: whole lines come back, a torn last one is left out, a damaged one before it is an error."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import RunFileError
from benchkit.plans.entries import Entry, EntryKind
from benchkit.runfile.plan_journal import (
    PlanJournal,
    Tally,
    entry_from,
    entry_line,
    plan_journal_path,
    read_plan_journal,
    read_tally,
)

ENTRIES = [
    Entry(EntryKind.OPENED, math.nan, "plan map: Map", {"run": "r1"}),
    Entry(EntryKind.BEGUN, 1.5, "map by Ottilie", {"who": "Ottilie"}),
    Entry(EntryKind.TIME, 2.0, "", {"way_s": 0.1, "good_s": 0.05}),
]

plain = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**53), 2**53), st.floats(allow_nan=False, allow_infinity=False), st.text()
)
entries = st.builds(
    Entry,
    st.sampled_from(list(EntryKind)),
    st.floats(allow_nan=False, allow_infinity=False),
    st.text(),
    st.dictionaries(st.text(), plain, max_size=4),
)


@given(entries)
@settings(max_examples=40)
def test_an_entry_comes_back_as_it_was(entry: Entry) -> None:
    line = entry_line(entry)
    assert line.count(b"\n") == 1
    assert entry_from(line[:-1]) == entry


@given(entries, st.data())
@settings(max_examples=50)
def test_a_changed_byte_is_seen(entry: Entry, data: st.DataObject) -> None:
    line = bytearray(entry_line(entry)[:-1])
    place = data.draw(st.integers(9, len(line) - 1))
    line[place] ^= 1 << data.draw(st.integers(0, 7))
    assert entry_from(bytes(line)) is None


def test_what_was_written_is_read_and_a_torn_end_is_left_out(tmp_path: Path) -> None:
    path = plan_journal_path(tmp_path, "map", "ab" * 32)
    assert path.name == "map_abababab.plan"
    journal = PlanJournal(path)
    journal.add(ENTRIES)
    journal.close()
    whole = path.read_bytes()
    last = whole.rfind(b"\n", 0, -1) + 1
    for cut in range(last, len(whole)):
        path.write_bytes(whole[:cut])
        assert len(read_plan_journal(path)[0]) == 2
    again = PlanJournal(path)  # it goes on behind what is whole
    assert [entry.kind for entry in again.entries] == [EntryKind.OPENED, EntryKind.BEGUN]
    again.add(ENTRIES[2:])
    again.close()
    assert path.read_bytes() == whole
    path.write_bytes(whole[:-1] + b"\0\n")  # a block that was never written, at its end
    assert len(read_plan_journal(path)[0]) == 2


def test_a_damaged_line_in_the_middle_is_an_error(tmp_path: Path) -> None:
    path = tmp_path / "map.plan"
    lines = [entry_line(entry) for entry in ENTRIES]
    path.write_bytes(lines[0] + lines[1].replace(b"Ottilie", b"Ottilia") + lines[2])
    with pytest.raises(RunFileError, match=r"map\.plan: line 2: a line of the journal is damaged"):
        PlanJournal(path)


def test_two_recordings_do_not_share_a_journal(tmp_path: Path) -> None:
    path = tmp_path / "map.plan"
    journal = PlanJournal(path)
    with pytest.raises(RunFileError, match="another recording carries out this plan here"):
        PlanJournal(path)
    journal.close()
    PlanJournal(path).close()


def test_the_tally_keeps_the_newest_whole_totals(tmp_path: Path) -> None:
    path = tmp_path / "map.plan"
    journal = PlanJournal(path)
    assert read_tally(path) is None
    for k in range(1, 6):
        journal.note(Tally(float(k), 0.5 * k, 0.25 * k, k))
    assert read_tally(path) == Tally(5.0, 2.5, 1.25, 5)
    page = path.with_suffix(".tally")
    journal.close()
    data = bytearray(page.read_bytes())
    newest = 44 * (5 % 2)  # the slot of the last count
    data[newest + 12] ^= 0xFF  # torn in the middle of the last writing: the one before it holds
    page.write_bytes(bytes(data))
    again = PlanJournal(path)
    assert again.tally == Tally(4.0, 2.0, 1.0, 4)
    again.note(Tally(9.0, 9.0, 9.0, 9))
    again.close()
    assert read_tally(path) == Tally(9.0, 9.0, 9.0, 9)
