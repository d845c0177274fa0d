"""The catalogue says what the files say, however they were moved, renamed, damaged, and never writes into one."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.campaign.catalogue import SETTLED_NS, Catalogue
from benchkit.campaign.database import FILE_NAME
from benchkit.campaign.entry import Entry, Filter, State
from benchkit.campaign.scan import read_entry
from benchkit.campaign.tags import FILE_NAME as TAGS
from benchkit.errors import DataError, UsageError
from benchkit.runfile.info import describe
from tests.campaign.made_runs import damage

NOTED = "2026-03-20T10:00:00+00:00"


def catalogued(folder: Path) -> list[Entry]:
    with Catalogue(folder) as catalogue:
        catalogue.refresh()
        return catalogue.entries()


def paths(entries: list[Entry]) -> list[str]:
    return [entry.path for entry in entries]


@pytest.fixture(scope="module")
def listed(_made_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Catalogue]:
    with Catalogue(_made_once, tmp_path_factory.mktemp("cache") / "runs.sqlite") as catalogue:
        catalogue.refresh()
        yield catalogue


def select(folder: Path, wanted: Filter) -> list[str]:
    with Catalogue(folder) as catalogue:
        return [Path(path).stem for path in paths(catalogue.entries(wanted))]


def test_an_entry_says_what_the_run_says(runs: Path) -> None:
    entries = catalogued(runs)
    assert [Path(entry.path).stem for entry in entries] == [f"run-{i:05d}" for i in range(12)]
    entry, info = entries[4], describe(runs / "week-1" / "run-00004.h5")
    assert entry.path == "week-1/run-00004.h5"
    assert entry.content_sha256 == info.content_sha256
    assert (entry.run_id, entry.operator, entry.note) == ("airboat-00004", "shift A", "made run 4")
    assert (entry.firmware, entry.propeller, entry.article) == ("C.02", "RUSH-130-2", "REED-INV-03 + HERON-60")
    assert entry.simulated is True
    assert entry.rows == sum(stream.rows for stream in info.streams)
    assert entry.duration_s == info.streams[0].last_time_s - info.streams[0].first_time_s
    # started 2026-03-02 08:00 +01:00 and 28 hours on
    assert (entry.started_utc, entry.day) == ("2026-03-03T12:00:00+01:00", "2026-03-03")


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (Filter(firmware="c.02"), [1, 4, 7, 10]),
        (Filter(firmware="C.*"), [1, 2, 4, 5, 7, 8, 10, 11]),
        (Filter(article="reed-inv-04"), [6, 7, 8, 9, 10, 11]),
        (Filter(article="HERON-60", propeller="RUSH*"), [3, 4, 5, 9, 10, 11]),
        (Filter(operator="shift B"), [2, 3, 6, 7, 10, 11]),
        (Filter(stand="airboat", first_day="2026-03-04"), [6, 7, 8, 9, 10, 11]),
        (Filter(first_day="2026-03-03", last_day="2026-03-03"), [3, 4, 5]),
        (Filter(run="airboat-00007"), [7]),
        (Filter(run="run-00007.h5"), [7]),
        (Filter(run="week-2/run-0000[13].h5"), [1, 3]),
        (Filter(simulated=False), []),
        (Filter(states=(State.CLOSED,), firmware="B.14"), [0, 3, 6, 9]),
        (Filter(states=(State.DAMAGED,)), []),
    ],
)
def test_filters(listed: Catalogue, wanted: Filter, found: list[int]) -> None:
    assert [Path(entry.path).stem for entry in listed.entries(wanted)] == [f"run-{i:05d}" for i in found]


def test_a_run_is_found_by_the_beginning_of_its_hash(runs: Path) -> None:
    entry = catalogued(runs)[3]
    assert select(runs, Filter(run=entry.content_sha256[:8])) == ["run-00003"]
    assert select(runs, Filter(run=entry.content_sha256[:7])) == []


def test_no_run_is_written(runs: Path) -> None:
    def state() -> dict[Path, tuple[str, int]]:
        return {
            path: (hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns)
            for path in sorted(runs.rglob("*.h5"))
        }

    before = state()
    with Catalogue(runs) as catalogue:
        catalogue.rebuild()
        catalogue.tag(catalogue.entries(), "seen", is_on=True, noted_utc=NOTED)
    assert state() == before
    assert {path.name for path in runs.iterdir()} == {"week-1", "week-2", FILE_NAME, TAGS}


def test_only_what_changed_is_read_again(runs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    files = list(runs.rglob("*.h5"))
    later = max(path.stat().st_mtime_ns for path in files) + SETTLED_NS + 1
    with Catalogue(runs, now_ns=lambda: later) as catalogue:
        assert len(catalogue.refresh().new) == 12
        read: list[str] = []

        def counted(folder: Path, name: str, size_bytes: int, mtime_ns: int) -> Entry:
            read.append(name)
            return read_entry(folder, name, size_bytes, mtime_ns)

        monkeypatch.setattr("benchkit.campaign.catalogue.read_entry", counted)
        assert catalogue.refresh().is_empty
        assert read == []
        os.utime(files[0], ns=(later, later))
        assert [entry.path for entry in catalogue.refresh().changed] == [files[0].relative_to(runs).as_posix()]
        assert len(read) == 1


def test_a_file_changed_within_the_grain_of_the_clock_is_read_again(runs: Path) -> None:
    """Same size, same time of change, other content: seen, because the file was young when it was read."""
    path = runs / "week-1" / "run-00000.h5"
    young = path.stat().st_mtime_ns + 1
    with Catalogue(runs, now_ns=lambda: young) as catalogue:
        catalogue.refresh()
        times = path.stat()
        data = bytearray(path.read_bytes())
        data[:8] = bytes(8)
        path.write_bytes(data)
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))
        assert [entry.state for entry in catalogue.refresh().changed] == [State.DAMAGED]


def test_moved_and_renamed_runs_keep_their_identity_and_tags(runs: Path) -> None:
    with Catalogue(runs) as catalogue:
        catalogue.refresh()
        chosen = catalogue.entries(Filter(run="airboat-00002"))
        catalogue.tag(chosen, "reference", is_on=True, noted_utc=NOTED)
        (runs / "best").mkdir()
        (runs / "week-1" / "run-00002.h5").rename(runs / "best" / "firmware c.05.h5")
        changes = catalogue.refresh()
        assert [(before, entry.path) for before, entry in changes.moved] == [
            ("week-1/run-00002.h5", "best/firmware c.05.h5")
        ]
        assert (changes.new, changes.gone) == ((), ())
        moved = catalogue.entries(Filter(tags=("reference",)))
    assert [entry.path for entry in moved] == ["best/firmware c.05.h5"]
    assert moved[0]._replace(path="", tags=()) == chosen[0]._replace(path="")


@pytest.mark.parametrize(
    ("kind", "reason"), [(0, "truncated"), (1, "HDF5 cannot open it"), (2, "file signature"), (3, "file signature")]
)
def test_a_damaged_run_is_listed_with_its_reason(runs: Path, kind: int, reason: str) -> None:
    damage(runs / "week-2" / "run-00003.h5", kind)
    entries = catalogued(runs)
    assert len(entries) == 12
    bad = [entry for entry in entries if entry.state is State.DAMAGED]
    assert paths(bad) == ["week-2/run-00003.h5"]
    assert reason in bad[0].reason
    assert str(runs) not in bad[0].reason
    assert entries[-1] == bad[0], "what has no start comes last"


def test_hdf5_that_is_no_run_and_a_run_that_was_not_closed(runs: Path) -> None:
    import h5py

    from benchkit.runfile.reader import open_run
    from benchkit.runfile.writer import RunWriter

    with h5py.File(runs / "other.h5", "w") as file:
        file["x"] = [1.0]
    with open_run(runs / "week-1" / "run-00000.h5") as run:
        header, spec = run.header, run.spec("rack")
    with RunWriter(runs / "open.h5", replace(header, run_id="open"), [spec]) as writer:
        writer.flush()
        by_path = {entry.path: entry for entry in catalogued(runs)}
        assert by_path["open.h5"].state is State.RECORDING
    by_path = {entry.path: entry for entry in catalogued(runs)}
    assert by_path["open.h5"].state is State.NOT_CLOSED
    assert "benchkit recover" in by_path["open.h5"].reason
    assert by_path["open.h5"].tag_key == "run open"
    assert by_path["other.h5"].state is State.DAMAGED
    assert "not a run of benchkit" in by_path["other.h5"].reason


def test_hidden_files_and_linked_folders_are_left_out_and_a_name_may_be_anything(runs: Path) -> None:
    shutil.copy(runs / "week-1" / "run-00000.h5", runs / ".hidden.h5")
    (runs / "loop").symlink_to(runs, target_is_directory=True)
    shutil.move(runs / "week-1" / "run-00002.h5", runs / "Lauf µ 'x'; -- 2.h5")
    (runs / "week-1" / "run-00004.h5").rename(os.fsdecode(os.fsencode(runs) + b"/bad\xff.h5"))
    entries = {entry.path: entry for entry in catalogued(runs)}
    assert len(entries) == 12
    assert entries["Lauf µ 'x'; -- 2.h5"].run_id == "airboat-00002"
    assert entries["bad\\xff.h5"].reason == "its name is not UTF-8. Rename it."


def test_made_again_from_the_files_it_says_the_same(runs: Path) -> None:
    damage(runs / "week-2" / "run-00003.h5", 0)
    with Catalogue(runs) as catalogue:
        catalogue.refresh()
        (runs / "week-1" / "run-00002.h5").rename(runs / "moved.h5")
        (runs / "week-1" / "run-00006.h5").unlink()
        catalogue.refresh()
        catalogue.tag(catalogue.entries(Filter(firmware="C.05")), "new", is_on=True, noted_utc=NOTED)
        cached = catalogue.entries()
    (runs / FILE_NAME).unlink()
    assert catalogued(runs) == cached
    assert len(cached) == 11


@pytest.mark.parametrize("content", [b"", b"no database at all" * 99, b"SQLite format 3\0" + bytes(4000)])
def test_a_damaged_cache_is_made_anew(runs: Path, content: bytes) -> None:
    before = catalogued(runs)
    (runs / FILE_NAME).write_bytes(content)
    assert catalogued(runs) == before


def test_another_file_is_never_taken_for_the_cache(runs: Path, tmp_path: Path) -> None:
    notes = tmp_path / "notes.txt"
    notes.write_text("mine")
    with pytest.raises(UsageError, match="is no catalogue of runs"):
        Catalogue(runs, notes)
    assert notes.read_text() == "mine"
    other = tmp_path / "other.sqlite"
    with sqlite3.connect(other) as db:
        db.execute("CREATE TABLE mine (x)")
    db.close()
    with pytest.raises(UsageError, match="is no catalogue of runs"):
        Catalogue(runs, other)


def test_where_it_cannot_be_kept_it_is_made_each_time(runs: Path) -> None:
    with Catalogue(runs, runs / "no such folder" / "cache.sqlite") as catalogue:
        assert not catalogue.is_kept
        catalogue.refresh()
        assert len(catalogue.entries()) == 12


def test_tags_go_on_and_off_and_a_torn_line_is_left_out(runs: Path) -> None:
    with Catalogue(runs) as catalogue:
        catalogue.refresh()
        some = catalogue.entries(Filter(firmware="B.14"))
        assert catalogue.tag(some, "gut µ", is_on=True, noted_utc=NOTED) == 4
        assert catalogue.tag(some, "gut µ", is_on=True, noted_utc=NOTED) == 0
        with (runs / TAGS).open("ab") as file:
            file.write(b'{"run": "abc", "ta')
        assert catalogue.tag(some[:1], "gut µ", is_on=False, noted_utc=NOTED) == 1
        assert len(catalogue.entries(Filter(tags=("gut µ",)))) == 3
        with (runs / TAGS).open("ab") as file:
            file.write(b"something else\n")
        with pytest.raises(DataError, match=r"run-tags.jsonl: line 6: not a tag"):
            catalogue.entries()


def test_a_tag_that_is_none_and_a_run_that_has_no_content(runs: Path) -> None:
    damage(runs / "week-2" / "run-00003.h5", 0)
    with Catalogue(runs) as catalogue:
        catalogue.refresh()
        with pytest.raises(UsageError, match="a run that cannot be read cannot be tagged"):
            catalogue.tag(catalogue.entries(), "x", is_on=True, noted_utc=NOTED)
        for text in ("", " x", "a\nb", "x" * 61):
            with pytest.raises(UsageError, match="not a tag"):
                catalogue.tag(catalogue.entries(Filter(firmware="B.14"))[:1], text, is_on=True, noted_utc=NOTED)


def test_watching_tells_what_is_new_moved_and_gone(runs: Path, tmp_path: Path) -> None:
    source = runs / "week-1" / "run-00000.h5"
    aside = Path(shutil.move(source, tmp_path / "aside.h5"))

    def nothing() -> None:
        """A look between two changes."""

    steps: list[Callable[[], object]] = [
        lambda: shutil.copy(aside, runs / "new.h5"),
        nothing,
        lambda: (runs / "new.h5").rename(runs / "renamed.h5"),
        (runs / "renamed.h5").unlink,
    ]

    def wait() -> bool:
        if not steps:
            return False
        steps.pop(0)()
        return True

    with Catalogue(runs) as catalogue:
        catalogue.refresh()
        told = list(catalogue.watch(wait))
    assert [entry.path for entry in told[0].new] == ["new.h5"]
    assert [(before, entry.path) for before, entry in told[1].moved] == [("new.h5", "renamed.h5")]
    assert told[2].gone == ("renamed.h5",)
    assert len(told) == 3


def test_no_such_folder(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="no such folder"):
        Catalogue(tmp_path / "none")
