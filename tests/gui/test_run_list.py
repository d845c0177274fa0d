"""The list of runs: found, chosen by conditions, opened, laid over one another, flags looked for."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from benchkit.campaign.entry import Entry, State
from gui.state.flag_book import FILE_NAME, FlagBook, FlagCount
from gui.state.run_list import FlagWish, RunRow, Wish, chosen, rows_of, sides, sort_key, values_of

SAMPLES = Path(__file__).resolve().parents[2] / "sample_runs"
WAIT_MS = 60_000


def entry(name: str, **fields: Any) -> Entry:
    base = {
        "started_utc": "2026-03-04T09:30:00+00:00", "day": "2026-03-04", "run_id": name, "inverter": "REED-INV-03",
        "motor": "HERON-60", "firmware": "B.14", "content_sha256": f"sha {name}", "duration_s": 60.0,
    }  # fmt: skip
    return Entry(f"{name}.h5", 1000, 0, fields.pop("state", State.CLOSED), **(base | fields))


ENTRIES = (
    entry("a", note="first light"),
    entry("b", firmware="C.02", started_utc="2026-03-06T09:30:00+00:00", day="2026-03-06", duration_s=9000.0),
    entry("c", motor="WREN-12", propeller="SEDGE-130-2", operator="Ada Reed"),
    entry("d", state=State.DAMAGED, reason="is no run", content_sha256="", run_id="", started_utc="", day=""),
)
FLAGS = {"sha a": FlagCount(cautions=2, codes=("drift",)), "sha b": FlagCount(notes=1)}
ROWS = rows_of(ENTRIES, {}, FLAGS)


@pytest.mark.parametrize(
    ("wish", "names"),
    [
        (Wish(), "b a c d"),
        (Wish(words="FIRST light"), "a"),
        (Wish(words="ada"), "c"),
        (Wish(article="wren*"), "c"),
        (Wish(article="heron-60"), "b a d"),
        (Wish(firmware="c.??"), "b"),
        (Wish(propeller="sedge*"), "c"),
        (Wish(first_day="2026-03-05"), "b"),
        (Wish(last_day="2026-03-05"), "a c"),
        (Wish(flags=FlagWish.LOUD), "a"),
        (Wish(flags=FlagWish.NONE), "b"),
        (Wish(flags=FlagWish.NOT_LOOKED), "c d"),
        (Wish(article="heron*", last_day="2026-03-05", flags=FlagWish.LOUD), "a"),
    ],
)
def test_conditions(wish: Wish, names: str) -> None:
    assert [row.entry.path[0] for row in chosen(ROWS, wish)] == names.split()


def test_rows_say_what_they_are() -> None:
    by = {row.entry.path[0]: row for row in ROWS}
    assert by["a"].cells[:4] == ("2026-03-04 09:30", "a", "closed", "REED-INV-03 + HERON-60")
    assert "2 cautions" in by["a"].cells
    assert "not looked for" in by["c"].cells
    assert by["d"].cells[-1] == "is no run"
    assert "drift" in by["a"].tip
    assert values_of(ROWS, "article") == ("HERON-60", "REED-INV-03", "WREN-12")
    assert values_of(ROWS, "propeller") == ("SEDGE-130-2",)
    longest = max(ROWS, key=lambda row: sort_key(row, 6))
    assert longest.entry.path == "b.h5"
    assert FlagCount(errors=1, notes=2).text == "1 error, 2 notes"
    assert FlagCount().text == "none"


def test_a_long_run_that_was_not_closed_is_to_be_recovered_first() -> None:
    long, short = (RunRow(entry("x", state=State.NOT_CLOSED, rows=rows)) for rows in (10**8, 1000))
    assert "benchkit recover" in long.why_not_opened
    assert not short.why_not_opened
    assert not RunRow(entry("x", rows=10**8)).why_not_opened


def test_a_run_being_recorded_comes_first_even_without_a_file() -> None:
    rows = rows_of(ENTRIES, {"a": Path("a.live.json"), "new": Path("new.live.json")}, {})
    assert [row.entry.path for row in rows if row.live is not None] == ["a.h5", "new.h5"]
    assert [row.cells[2] for row in rows[:3]] == ["LIVE", "LIVE", "closed"]


def test_sides_of_a_comparison_go_by_firmware_the_earliest_first() -> None:
    by = {row.entry.path[0]: row for row in ROWS}
    found = sides([by["b"], by["a"]])
    assert not isinstance(found, str)
    assert [[r.entry.path for r in side] for side in found] == [["a.h5"], ["b.h5"]]
    assert "two firmwares; chosen are runs of 1 (B.14)" in str(sides([by["a"]]))


def test_flags_are_kept_by_content_and_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    book = FlagBook(tmp_path)
    book.put("sha", FLAGS["sha a"])
    (tmp_path / FILE_NAME).open("a").close()
    with (tmp_path / FILE_NAME).open("a", encoding="utf-8") as file:
        file.write('not json\n{"run": 1}\n')
    assert FlagBook(tmp_path).find("sha") == FLAGS["sha a"]
    assert FlagBook(tmp_path).find("other") is None
    monkeypatch.setattr("gui.state.flag_book.__version__", "another")
    assert FlagBook(tmp_path).find("sha") is None


# -------------------------------------------------------------------------------------------------- window
@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two firmwares of the big motor, one run of the small one, one file that is no run."""
    for name in ("firmware_ab/a1", "firmware_ab/b1", "small_motor/run"):
        shutil.copy(SAMPLES / f"{name}.h5", tmp_path / f"{name.replace('/', '_')}.h5")
    (tmp_path / "bad.h5").write_bytes(b"x")
    return tmp_path


@pytest.fixture
def runs(qtbot: Any, dashboard: Any, folder: Path) -> Iterator[Any]:
    window = dashboard.open_picker(folder)
    qtbot.addWidget(window)
    window.show()
    qtbot.waitUntil(lambda: window.table.runs.rowCount() == 4, timeout=WAIT_MS)
    yield window
    for opened in getattr(window, "opened", []):
        opened.close()
        opened.deleteLater()


def names(window: Any) -> list[str]:
    return [row.entry.path for row in window.table.runs.rows]


def test_typed_conditions_leave_what_fulfils_them(qtbot: Any, runs: Any) -> None:
    assert names(runs)[-1] == "bad.h5"
    qtbot.keyClicks(runs.words, "wren")
    assert names(runs) == ["small_motor_run.h5"]
    assert runs.count.text() == "1 of 4 runs"
    runs.clear_conditions()
    runs.firmware.setEditText("C.*")
    assert names(runs) == ["firmware_ab_b1.h5"]
    runs.firmware.setEditText("")
    runs.flags.setCurrentText(FlagWish.LOUD.value)
    assert names(runs) == []
    runs.flags.setCurrentText(FlagWish.ANY.value)
    runs.first_day.setText("2999-01-01")
    assert names(runs) == []


def test_enter_opens_and_what_cannot_be_opened_says_why(qtbot: Any, runs: Any) -> None:
    from PySide6.QtCore import Qt

    runs.table.selectRow(names(runs).index("bad.h5"))
    qtbot.keyClick(runs.table, Qt.Key.Key_Return)
    assert "bad.h5" in runs.message.text()
    runs.table.selectRow(names(runs).index("small_motor_run.h5"))
    qtbot.keyClick(runs.table, Qt.Key.Key_Return)
    (opened,) = runs.opened
    assert opened.isVisible()
    assert opened.model.path.name == "small_motor_run.h5"


def test_the_list_follows_the_folder(qtbot: Any, runs: Any, folder: Path) -> None:
    (folder / "bad.h5").unlink()
    (folder / "new.live.json").write_text("{}")
    runs.watch.look()
    qtbot.waitUntil(lambda: names(runs)[:1] == ["new.h5"] and "bad.h5" not in names(runs), timeout=WAIT_MS)
    asked = []
    runs.live_asked.disconnect()
    runs.live_asked.connect(asked.append)
    runs.open_row(runs.table.runs.rows[0])
    assert asked == [folder / "new.live.json"]


def test_overlay_results_and_comparison_need_what_they_need(qtbot: Any, runs: Any, folder: Path) -> None:
    runs.table.clearSelection()
    runs.overlay()
    assert "Choose 2 to 5" in runs.message.text()
    runs.results()
    assert "at least one run" in runs.message.text()
    runs.compare()
    assert "two firmwares" in runs.message.text()
    asked: list[object] = []
    for signal in (runs.overlay_asked, runs.results_asked, runs.comparison_asked):
        signal.disconnect()
    runs.overlay_asked.connect(lambda paths: asked.append(("overlay", len(paths))))
    runs.results_asked.connect(lambda paths: asked.append(("results", len(paths))))
    runs.comparison_asked.connect(lambda a, b: asked.append((a[0].name, b[0].name)))
    runs.words.setText("firmware_ab")
    runs.table.selectAll()
    for button in ("overlay", "results", "compare"):
        runs.buttons[button].click()
    assert asked == [("overlay", 2), ("results", 2), ("firmware_ab_a1.h5", "firmware_ab_b1.h5")]


def test_flags_are_looked_for_in_another_process(qtbot: Any, runs: Any, folder: Path, run_path: Path) -> None:
    shutil.copy(run_path, folder / "minute.h5")
    runs.watch.look()
    runs.words.setText("minute")
    qtbot.waitUntil(lambda: names(runs) == ["minute.h5"], timeout=WAIT_MS)
    runs.buttons["flags"].click()
    with qtbot.waitSignal(runs.job.ended, timeout=WAIT_MS):
        pass
    (row,) = runs.table.runs.rows
    assert row.flags is not None
    assert not row.flags.reason
    assert FlagBook(folder).find(row.entry.content_sha256) == row.flags
    runs.look_for_flags()
    assert "are known" in runs.message.text()


def test_columns_sort(runs: Any) -> None:
    from PySide6.QtCore import Qt

    runs.table.sortByColumn(6, Qt.SortOrder.DescendingOrder)
    lengths = [row.entry.duration_s or 0.0 for row in runs.table.runs.rows]
    assert lengths == sorted(lengths, reverse=True)


def test_a_row_without_flags_of_a_damaged_file_says_nothing() -> None:
    assert RunRow(ENTRIES[3]).cells[7] == ""
