"""What the report says about the heartbeat output."""

from __future__ import annotations

from dataclasses import replace

from benchkit.model.events import Event, EventKind
from benchkit.model.heartbeat import CoilOutput, ControlLine, Heartbeat, LineOutput, MessageOutput
from benchkit.report.heartbeat import AID, heartbeat_paragraph
from benchkit.report.model import RunReport
from benchkit.report.sections_protection import limits_section

CLOSING = Event(60.0, EventKind.HEARTBEAT, "heartbeat: 600 beats, period 100 ms", data={"beats": 600})


def with_heartbeat(run: RunReport, output: LineOutput | MessageOutput | CoilOutput, *events: Event) -> RunReport:
    stand = replace(run.stand, heartbeat=Heartbeat(0.1, False, output))
    return replace(run, stand=stand, events=(*run.events, *events))


def test_nothing_without_a_heartbeat(full_run: RunReport) -> None:
    assert heartbeat_paragraph([full_run]) is None


def test_setting_and_figures_in_one_line(full_run: RunReport) -> None:
    run = with_heartbeat(full_run, LineOutput("COM4", ControlLine.DTR), CLOSING)
    said = heartbeat_paragraph([run])
    assert said is not None
    assert said.text == f"DTR of COM4, not stopped by a trip: 600 beats, period 100 ms. {AID}"
    section = limits_section([run])
    assert section is not None
    assert said in section.blocks


def test_a_run_that_was_not_closed(full_run: RunReport) -> None:
    run = with_heartbeat(full_run, CoilOutput("plc", 12), Event(1.0, EventKind.HEARTBEAT, "heartbeat goes out"))
    said = heartbeat_paragraph([run])
    assert said is not None
    assert said.text.startswith("coil 12 of plc, not stopped by a trip: the run was not closed")
