"""The proof of limits and the checks before a run on the page, and the flag where a proof is asked for and missing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION
from benchkit.model.events import Event, EventKind
from benchkit.model.proof import LimitProof, Proof
from benchkit.model.start_conditions import StartConditions
from benchkit.report.flags import open_flags
from benchkit.report.model import Number, Paragraph, RunReport, Table, Text
from benchkit.report.proofs import proof_of
from benchkit.report.sections_protection import limits_section

HOT = LimitProof(
    "winding_hot", "", "trip", "above", "winding_temp", True, level="bytes", injected=142.2, unit="°C", set_point=140.0,
    set_point_unit="°C", at_first_sample=True, samples=4, driven_s=0.3, action="ramp_down",
    commands=("rack: stop ramp",), decided_s=0.0004, written_s=0.0011, acknowledged_s=0.0079, is_reset=True,
)  # fmt: skip
LOST = replace(HOT, limit="speed_lost", kind="stale", injected=None, set_aside=("winding_hot",))
FLOW = LimitProof("flow_low", "lower edge", "caution", "outside", "coolant_flow", True, level="rows", injected=3.8)
PROOF = Proof(
    "airboat", "big motor", "3", "0" * 64, "1" * 64, "4" * 64, "2026-03-04T09:00:00+00:00",
    "Ada Reed", "bench-2", "0.1.0", False,
    0.2, (HOT, LOST, FLOW), "key", "a1b2" * 16,
)  # fmt: skip


def taken(proof: Proof) -> Event:
    data: dict[str, Any] = {"who": proof.who, "record": {"proof": proof.as_json(), "signature": "x"}}
    return Event(0.0, EventKind.PROOF, "limit set proven", data=data)


@pytest.fixture
def run(bare_run: RunReport) -> RunReport:
    asked = replace(bare_run.stand, start_conditions=StartConditions(limit_set_proven=True))
    return replace(bare_run, stand=asked)


def test_each_limit_with_what_was_injected_and_how_fast_it_was_answered(run: RunReport) -> None:
    section = limits_section([replace(run, events=(taken(PROOF),))])
    assert section is not None
    (table,) = [b for b in section.blocks if isinstance(b, Table) and b.id == "proof-of-limits"]
    hot, lost, flow = (dict(zip((c.key for c in table.columns), row, strict=True)) for row in table.rows)
    assert isinstance(hot["acknowledged"], Number)
    assert (hot["acknowledged"].value, hot["injected"].value) == (pytest.approx(7.9), 142.2)  # type: ignore[union-attr]
    assert (lost["injected"], lost["aside"]) == (Text("frames held back"), Text("winding_hot"))
    assert flow["command"] == Text("none, a caution")
    (line,) = [b for b in section.blocks if isinstance(b, Paragraph) and b.heading == "Proof of limits"]
    assert "Proven by Ada Reed on bench-2" in line.text
    assert "It does not say who a person is" in line.text
    assert NOT_A_SAFETY_FUNCTION in line.text


def test_a_run_without_the_proof_that_its_profile_asks_for(run: RunReport, bare_run: RunReport) -> None:
    def codes(of: RunReport) -> list[str]:
        return [flag.code for flag in open_flags(of)]

    assert "limits_not_proven" in codes(run)
    assert "limits_not_proven" not in codes(replace(run, events=(taken(PROOF),)))
    assert "limits_not_proven" not in codes(bare_run)


def test_what_a_check_found_is_flagged(run: RunReport) -> None:
    data: dict[str, Any] = {"check": "zero_check", "who": "Ada", "findings": ["thrust shows +12 N at rest"]}
    event = Event(3.0, EventKind.PRE_RUN_CHECK, "zero_check: thrust shows +12 N at rest", data=data)
    good = Event(4.0, EventKind.PRE_RUN_CHECK, "cold_soak: all is well", data={"check": "cold_soak", "findings": []})
    with_checks = replace(run, events=(event, good))
    (flag,) = [flag for flag in open_flags(with_checks) if flag.code == "pre_run_check"]
    assert "thrust shows +12 N" in flag.message
    section = limits_section([with_checks])
    assert section is not None
    (table,) = [b for b in section.blocks if isinstance(b, Table) and b.id == "pre-run-checks"]
    assert [row[-1] for row in table.rows][1] == Text("nothing")


def test_a_record_of_another_format_is_no_proof(run: RunReport) -> None:
    event = taken(PROOF)
    other = {**PROOF.as_json(), "format": 2}
    assert proof_of([event]) == PROOF
    assert proof_of([replace(event, data={"record": {"proof": other}})]) is None
    assert proof_of([]) is None
