"""State of the live window without Qt: strokes, cursors, late messages, decimals, settings, explanations."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from benchkit.model.stand import Stand
from benchkit.units import Quantity
from gui.state import decimals, wording
from gui.state.clock_gap import ClockGap
from gui.state.controls import CONTROLS, PANELS, VIEW_KEYS
from gui.state.cursors import Cursors
from gui.state.explanations import EXPLANATIONS, explanations_html
from gui.state.history import History
from gui.state.run_panels import newest_photos
from gui.state.settings import read_span, settings_path
from gui.state.strokes import places, segments
from gui.state.trends import WINDOWS_S, axis_ticks, trend_groups, window_step


@pytest.fixture
def comma():
    decimals.use(",")
    yield
    decimals.use(".")


def test_numbers_with_a_comma(comma) -> None:
    assert wording.number(-140.25, Quantity.TEMPERATURE) == "−140,2"
    assert wording.watts(12_410.0) == "12,41 kW"
    assert wording.percent(0.9642, 0.0011) == "96,4 ± 0,2 %"
    assert wording.clock_tenths(192.44) == "0:03:12,4"
    assert wording.size(41_200_000_000) == "41,2 GB"
    assert [text for _, text in axis_ticks(0.0, 1.0)] == ["0,0", "0,2", "0,4", "0,6", "0,8", "1,0"]
    assert decimals.read("120,5") == 120.5
    assert decimals.read("−3,2") == -3.2
    # a point may have been meant as a group of digits: it is not guessed at
    assert math.isnan(decimals.read("1.234"))
    assert decimals.read("1.5") == 1.5


@pytest.mark.parametrize("text", ["", "x", "1,234", "1,5", "1.2.3", "--3", "1e", "nan", "inf"])
def test_what_is_no_number_with_a_point(text: str) -> None:
    assert math.isnan(decimals.read(text))


@pytest.mark.parametrize(
    ("name", "mark"),
    [("de_DE.UTF-8", ","), ("de_AT", ","), ("de_CH.UTF-8", "."), ("en_GB.UTF-8", "."), ("C", "."), ("fr_FR", ",")],
)
def test_the_mark_of_a_country(name: str, mark: str) -> None:
    assert decimals.mark_of_country(name) == mark


@pytest.mark.parametrize(
    ("text", "seconds"), [("90", 90.0), ("90 s", 90.0), ("12 min", 720.0), ("1.5 h", 5400.0), ("1:30", 90.0)]
)
def test_lengths_of_time(text: str, seconds: float) -> None:
    assert read_span(text) == seconds


@pytest.mark.parametrize("text", ["", "often", "1:x", "1:2:3:4", "-"])
def test_no_length_of_time(text: str) -> None:
    assert math.isnan(read_span(text))


def test_steps_of_the_live_view_go_through_the_ladder_from_any_length() -> None:
    assert window_step(90.0, 1) == 120.0
    assert window_step(90.0, -1) == 60.0
    assert window_step(WINDOWS_S[-1], 1) == WINDOWS_S[-1]
    assert window_step(5.0, -1) == 5.0


def test_a_message_that_waited_is_late_and_one_that_did_not_is_not() -> None:
    gap = ClockGap()
    for i in range(100):
        gap.take(i * 0.1, 1000.0 + i * 0.1)
    assert gap.late_s(1009.9) == pytest.approx(0.0)
    # it arrives 3 s after it was said: exact
    gap.take(10.0, 1013.0)
    assert gap.late_s(1013.0) == pytest.approx(3.0, abs=1e-3)
    # a clock that runs 50 ppm fast for eight hours is not taken for lateness
    drifting = ClockGap()
    for i in range(28_800):
        drifting.take(float(i), i * (1.0 + 50e-6))
    assert drifting.late_s(28_799.0 * (1.0 + 50e-6)) < 0.01


def test_columns_touch_and_gaps_stay() -> None:
    # three columns of one pixel: 0..1, 4..5, gap, 2..3; pixels run down, one pixel a unit
    x = np.array([0.5, 0.5, 1.5, 1.5, 2.5, 2.5, 3.5, 3.5])
    y = np.array([0.0, 1.0, 4.0, 5.0, np.nan, np.nan, 2.0, 3.0])
    at = places(x, 1.0, 0.0)
    assert at.is_paired
    got = segments(at, y, -1.0, 10.0)
    # exact: y on the screen is 10 - y; a segment ends one pixel below its last; the second reaches to the first
    assert got.tolist() == [[0.5, 9.0, 0.5, 11.0], [1.5, 5.0, 1.5, 10.0], [3.5, 7.0, 3.5, 9.0]]


def test_a_joined_trace_breaks_at_what_was_not_measured() -> None:
    at = places(np.array([0.0, 1.0, 2.0, 3.0, 4.5]), 2.0, 1.0)
    assert not at.is_paired
    got = segments(at, np.array([0.0, 1.0, np.nan, 2.0, 3.0]), 1.0, 0.0)
    assert got.tolist() == [[1.0, 0.0, 3.0, 1.0], [7.0, 2.0, 10.0, 3.0]]


def test_dashes_stand_still_on_the_trace_while_it_moves() -> None:
    column = 0.2
    centres = (np.arange(40) + 0.5) * column
    x = np.repeat(centres, 2)
    dashes = (4.0, 3.0)

    def drawn(first: int) -> set[int]:
        view = x[2 * first : 2 * first + 40]
        at = places(view, 1.0 / column, -view[0] / column)
        got = segments(at, np.tile([0.0, 1.0], 20), 1.0, 0.0, dashes)
        return {first + round(px) for px in got[:, 0]}

    # exact: four of seven columns, counted from the start of the run
    assert drawn(0) == {i for i in range(20) if i % 7 < 4}
    assert drawn(5) == {i for i in range(5, 25) if i % 7 < 4}


def test_value_at_a_time_as_finely_as_it_is_still_known() -> None:
    history = History(("a",), stale_after_s=0.5)
    time_s = np.arange(0.0, 60.0, 0.001)
    history.append(time_s, np.sin(time_s)[:, None])
    # the newest 24 s are there row by row: exact to a row
    assert history.at("a", 59.0) == pytest.approx((math.sin(59.0), math.sin(59.0)), abs=2e-3)
    low, high = history.at("a", 5.02)
    assert low <= math.sin(5.02) <= high
    assert high - low < 0.06  # exact: a bucket is 0.05 s wide, the slope at most 1
    assert all(math.isnan(x) for x in history.at("a", -1.0))
    assert all(math.isnan(x) for x in history.at("a", 61.0)), "behind the newest row nothing is known"


def test_cursors_stay_in_the_view() -> None:
    cursors = Cursors([-1.0, 50.0], are_shown=True)
    cursors.place(0.0, 60.0)
    assert cursors.times == pytest.approx([20.0, 50.0])
    cursors.step(1, 0.5, 0.0, 60.0)
    assert cursors.times[1] == 60.0
    assert cursors.nearest(58.0) == 1
    assert cursors.head() == "A 0:00:20.0 · B 0:01:00.0 · B − A 0:00:40.0"


def test_channels_can_be_left_out(stand: Stand) -> None:
    groups = trend_groups(stand, {"shaft_speed", "dc_voltage"})
    names = {t.channel.name for g in groups for t in g.traces}
    assert names == set(stand.channels) - {"shaft_speed", "dc_voltage"}


def test_every_key_is_listed_once_and_none_is_taken_twice() -> None:
    keys = [c.keys for c in CONTROLS] + [p.keys for p in PANELS]
    assert len(set(keys)) == len(keys)
    listed = [k for k, _ in VIEW_KEYS]
    assert len(set(listed)) == len(listed)
    assert {p.keys for p in PANELS} <= set(listed)


def test_every_explanation_has_what_equation_and_source() -> None:
    for one in EXPLANATIONS:
        assert one.what, one.name
        assert one.equation, one.name
        assert one.source, one.name
    assert "<b>DC link power.</b>" in explanations_html()


def test_photos_of_a_folder_newest_first(tmp_path: Path) -> None:
    import os

    for i, name in enumerate(("old.jpg", "new.PNG", "text.txt")):
        (tmp_path / name).write_bytes(b"x")
        os.utime(tmp_path / name, (1000.0 + i, 1000.0 + i))
    choice = newest_photos(str(tmp_path))
    assert [words.split()[0] for _, words in choice.found] == ["new.PNG", "old.jpg"]
    assert newest_photos(str(tmp_path / "old.jpg")).is_photo
    assert newest_photos(str(tmp_path / "text.txt")).words == "Not a photo: text.txt"
    assert newest_photos(str(tmp_path / "nothing")).words == "No such file or folder."


def test_where_the_settings_lie() -> None:
    assert settings_path({"HOME": "/home/a"}, "linux") == Path("/home/a/.config/benchkit/dashboard.json")
    assert settings_path({"HOME": "/h", "XDG_CONFIG_HOME": "/c"}, "linux") == Path("/c/benchkit/dashboard.json")
    assert settings_path({"APPDATA": "/a"}, "win32") == Path("/a/benchkit/dashboard.json")
