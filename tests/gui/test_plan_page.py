"""The panel of a plan: what it says, what it asks, and that the operator is called for whatever panel is open."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchkit.model.interlock import State
from benchkit.session.plan_status import PlanAccount, PlanStatus
from gui.state.plan_words import (
    NO_PLAN,
    account_words,
    axis_rows,
    is_called_for,
    left_words,
    offered,
    phase_words,
    presence_words,
    settle_words,
    step_words,
)
from gui.state.theme import Tone

WAIT_MS = 15_000
TAKING = PlanStatus(
    "hull_map", "Map before the propeller", "drive", "taking",
    step="point 12", segment="map", target={"speed": 2200.0, "torque": 60.0}, sent={"speed": 2200.0, "torque": 60.0},
    measured={"speed": 2201.4, "torque": 63.2}, tolerance={"speed": 10.0, "torque": 1.5}, next_step="point 13",
    next_target={"speed": 2400.0, "torque": 60.0}, steps_done=11, steps=60, good_s=8.0, wanted_s=20.0, moved=0.4,
    settled_in_s=0.0, left_s=(2400.0, 3000.0, 4300.0), acknowledge_in_s=42.0, stops_in_s=57.0, operator="Ada",
    account=PlanAccount(900.0, 610.0, 2, {"trip": 1}, 11, 0, 1, {"continuous": {
        "credited_s": 300.0, "cycles": 3.0, "asked_s": 1200.0, "asked_cycles": 12.0}}, 10, 60),
)  # fmt: skip


def test_it_says_where_the_plan_stands() -> None:
    assert phase_words(TAKING) == ("Taking the point", Tone.PLAIN)
    assert step_words(TAKING) == "Step 12 of 60: point 12 of map."
    assert settle_words(TAKING) == "Read for 8 s of 20 s."
    assert left_words(TAKING) == "Time left: about 50 min (40 min … 1 h 11 min)."
    speed, torque = axis_rows(TAKING)
    assert (speed.target, speed.measured, speed.following, speed.is_held) == ("2200 ± 10", "2201", "2400", True)
    assert (torque.target, torque.is_held) == ("60.0 ± 1.5", False)
    assert account_words(TAKING).splitlines() == [
        "In tolerance 10 min 10 s of 15 min under way.",
        "Points: 10 of 60 done, 0 left out; 11 taken in all, 1 of them void after a stop.",
        "Starts: 2. Stops: 1 × trip.",
        "continuous: 5 min of 20 min credited, 3 of 12 cycles.",
    ]


def test_a_stopped_plan_says_why_and_that_it_waits_for_a_person() -> None:
    held = replace(TAKING, phase="held", cause="trip", detail="winding_hot")
    words, tone = phase_words(held)
    assert words == "STOPPED: trip, winding_hot. It goes on only when a person says so."
    assert tone is Tone.CAUTION
    assert axis_rows(held)[0].is_held is None


def test_the_operator_is_called_for_ten_seconds_before() -> None:
    assert presence_words(TAKING) == ("Next acknowledgement in 42 s.", Tone.SOFT)
    late = replace(TAKING, acknowledge_in_s=-4.0, stops_in_s=11.0)
    assert presence_words(late)[0] == "ACKNOWLEDGE NOW: without it the plan stops in 11 s."
    assert is_called_for(late)
    assert not is_called_for(replace(late, phase="held"))
    assert not is_called_for(None)


def test_only_what_makes_sense_is_offered() -> None:
    def may(status: PlanStatus, state: State = State.RUNNING, **how: bool) -> frozenset[str]:
        return offered(status, state, **{"has_reason": False, "may_ask": True, **how})

    loaded = replace(TAKING, phase="loaded", step="", acknowledge_in_s=None)
    assert may(TAKING) == {"plan_halt", "plan_leave", "plan_acknowledge"}
    assert may(TAKING, has_reason=True) > {"plan_skip", "plan_abandon"}
    assert may(TAKING, may_ask=False) == frozenset()
    assert may(loaded) == {"plan_begin"}
    assert may(loaded, State.READY) == frozenset()
    assert may(replace(loaded, mode="lead"), State.READY) == {"plan_begin"}
    assert may(replace(loaded, missing_approvals=("test engineer",))) == {"plan_approve"}
    assert may(replace(TAKING, phase="awaiting", acknowledge_in_s=None)) == {"plan_confirm"}
    assert may(replace(TAKING, phase="done"), has_reason=True) == frozenset()


@pytest.mark.gui
def test_from_beginning_to_acknowledgement(qtbot: Any, dashboard: Any, start_publisher: Any) -> None:
    from PySide6.QtCore import Qt
    from PySide6.QtWidgets import QApplication

    publisher = start_publisher(state=State.RUNNING)
    window = dashboard.open_live(publisher.live_file)
    qtbot.addWidget(window)
    window.show()
    qtbot.waitUntil(lambda: window.frame.state_line.link.text() == "LIVE", timeout=WAIT_MS)
    window.drawer.open("plan")
    page = window.drawer.page()
    assert (
        page.title.text() == NO_PLAN or qtbot.waitUntil(lambda: page.title.text() == NO_PLAN, timeout=WAIT_MS) is None
    )
    publisher.plan = replace(TAKING, phase="loaded", step="", acknowledge_in_s=None, stops_in_s=None)
    qtbot.waitUntil(page.buttons["plan_begin"].isEnabled, timeout=WAIT_MS)
    page.buttons["plan_begin"].click()
    publisher.plan = TAKING
    # from here on the recorder hears that somebody watches, the panel open or not
    window.drawer.shut()
    qtbot.waitUntil(lambda: [r["do"] for r in publisher.requests].count("plan_present") >= 2, timeout=WAIT_MS)
    publisher.plan = replace(TAKING, acknowledge_in_s=-1.0, stops_in_s=14.0)
    called = window.panel_buttons["plan"]
    qtbot.waitUntil(lambda: called.text() == "PLAN: K", timeout=WAIT_MS)
    window.activateWindow()
    qtbot.waitUntil(window.isActiveWindow, timeout=WAIT_MS)
    qtbot.keyClick(QApplication.focusWidget() or window, Qt.Key.Key_K)
    qtbot.waitUntil(lambda: "plan_acknowledge" in [r["do"] for r in publisher.requests], timeout=WAIT_MS)
    window.drawer.open("plan")
    page.reason.setText("coolant pump is noisy")
    qtbot.waitUntil(page.buttons["plan_abandon"].isEnabled, timeout=WAIT_MS)
    page.buttons["plan_abandon"].click()
    qtbot.waitUntil(lambda: publisher.requests[-1]["do"] == "plan_abandon", timeout=WAIT_MS)
    assert publisher.requests[-1]["reason"] == "coolant pump is noisy"
    publisher.plan = replace(TAKING, phase="done", steps_done=60)
    qtbot.waitUntil(lambda: page.phase.text() == "Done", timeout=WAIT_MS)
    asked = [r["do"] for r in publisher.requests].count("plan_present")
    qtbot.wait(1300)
    assert [r["do"] for r in publisher.requests].count("plan_present") <= asked + 1
