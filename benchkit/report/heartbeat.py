"""One paragraph about the heartbeat output: what was set, and how steadily beats went out."""

from __future__ import annotations

from collections.abc import Sequence

from benchkit.model.events import EventKind
from benchkit.model.heartbeat import CoilOutput, Heartbeat, LineOutput, MessageOutput
from benchkit.report.model import Paragraph, RunReport
from benchkit.report.rows import of_run

AID = "A heartbeat is an aid and no safety function; the hard-wired chain stays."


def heartbeat_paragraph(runs: Sequence[RunReport]) -> Paragraph | None:
    """The heartbeat of each run that had one; None when none had."""
    lines = [f"{_set_up(run.stand.heartbeat)}: {_kept(run)}{of_run(run, runs)}." for run in runs if run.stand.heartbeat]
    return Paragraph(" ".join([*lines, AID]), heading="Heartbeat output") if lines else None


def _set_up(heartbeat: Heartbeat | None) -> str:
    assert heartbeat is not None
    match heartbeat.output:
        case LineOutput(port, line):
            where = f"{line.value.upper()} of {port}"
        case MessageOutput(source, command):
            where = f"'{command}' to {source}"
        case CoilOutput(source, address):
            where = f"coil {address} of {source}"
    return f"{where}, {'stopped by a trip' if heartbeat.stop_on_trip else 'not stopped by a trip'}"


def _kept(run: RunReport) -> str:
    """What the run keeps of it: written when it was closed."""
    closing = [e.message for e in run.events if e.kind is EventKind.HEARTBEAT and "beats" in e.data]
    return closing[-1].removeprefix("heartbeat: ") if closing else "the run was not closed, its figures are not there"
