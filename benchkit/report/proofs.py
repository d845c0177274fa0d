"""The proof of limits in a report: what was injected, how fast it was answered, and whose key signed it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from benchkit.errors import UsageError
from benchkit.model.events import Event, EventKind
from benchkit.model.proof import EscalationProof, LimitProof, Proof, proof_from_json
from benchkit.report.model import Block, Cell, Column, Paragraph, RunReport, Table, Text, Tone, count, plain
from benchkit.report.rows import of_run, table_by_run

Row = tuple[Cell, ...]


def proof_of(events: Iterable[Event]) -> Proof | None:
    """The last proof that a run took; None where it took none, or one that this version cannot read."""
    found = None
    for event in events:
        record = event.data.get("record") if event.kind is EventKind.PROOF else None
        body = record.get("proof") if isinstance(record, Mapping) else None
        if isinstance(body, Mapping):
            try:
                found = proof_from_json(body)
            except UsageError:
                found = None
    return found


def proof_blocks(runs: Sequence[RunReport]) -> list[Block | None]:
    """A line a run about its proof, and one table of all limits."""
    blocks: list[Block | None] = [*_lines(runs), _table(runs), _escalations(runs)]
    checks = table_by_run(
        runs,
        "pre-run-checks",
        "Checks before the run",
        (Column("time", "Time", "s"), Column("check", "Check"), Column("who", "By"), Column("found", "Found")),
        lambda run: (_check_row(event) for event in run.events if event.kind is EventKind.PRE_RUN_CHECK),
    )
    return [*blocks, checks]


def _lines(runs: Sequence[RunReport]) -> Iterable[Block]:
    for run in runs:
        proof = proof_of(run.events)
        if proof is not None:
            against = "the simulated stand" if proof.is_simulated else "the devices on its links"
            yield Paragraph(
                f"Proven by {proof.who} on {proof.host} at {proof.proven_utc} against {against}, benchkit "
                f"{proof.software_version}; SHA-256 of limits and stop actions {proof.protection_hash[:12]}…; key "
                f"{proof.fingerprint[:16]}…. {proof.meaning}",
                Tone.NOTE,
                f"Proof of limits{of_run(run, runs)}",
            )


def _table(runs: Sequence[RunReport]) -> Table | None:
    return table_by_run(
        runs,
        "proof-of-limits",
        "Proof of limits",
        (
            Column("name", "Limit"),
            Column("case", "Case"),
            Column("injected", "Injected"),
            Column("set_point", "Set-point"),
            Column("through", "Through"),
            Column("samples", "Samples"),
            Column("command", "Command"),
            Column("decided", "Decided", "ms"),
            Column("written", "Command written", "ms"),
            Column("acknowledged", "Acknowledged", "ms"),
            Column("aside", "Set aside"),
        ),
        lambda run: (_row(one) for one in _limits(run)),
        note="Each limit acted at the first sample at which it must, and at none before. Delays and integrals run on "
        "the clock of the injected samples. Reaction times are host time from the deciding sample. Through bytes: "
        "decoder, calibration and protection; through rows: handed in behind the decoder. That a sensor shows what is "
        "there is not shown.",
    )


def _escalations(runs: Sequence[RunReport]) -> Table | None:
    return table_by_run(
        runs,
        "proof-of-escalation",
        "Proof of escalation",
        (
            Column("action", "Stop not answered"),
            Column("attempts", "Sent"),
            Column("escalated", "Escalated", "ms"),
            Column("to", "Next stop"),
            Column("written", "Command written", "ms"),
            Column("acknowledged", "Acknowledged", "ms"),
        ),
        lambda run: (_escalation_row(one) for one in _escalated(run)),
        note="The answers to the first stop were held back; the commands went to the real devices. Times are host time "
        "from the first command.",
    )


def _escalated(run: RunReport) -> tuple[EscalationProof, ...]:
    proof = proof_of(run.events)
    return () if proof is None else proof.escalations


def _escalation_row(one: EscalationProof) -> Row:
    return (
        Text(one.action, code=True),
        count(one.attempts),
        _milliseconds(one.escalated_s, is_trip=True),
        Text(one.to, code=True),
        _milliseconds(one.written_s, is_trip=True),
        _milliseconds(one.acknowledged_s, is_trip=True),
    )


def _limits(run: RunReport) -> tuple[LimitProof, ...]:
    proof = proof_of(run.events)
    return () if proof is None else proof.limits


def _row(one: LimitProof) -> Row:
    is_trip = one.severity == "trip"
    return (
        Text(one.limit, code=True),
        Text(one.case),
        Text("frames held back") if one.injected is None else plain(one.injected, one.unit, 6),
        Text("") if one.set_point is None else plain(one.set_point, one.set_point_unit),
        Text(one.level),
        count(one.samples),
        Text("; ".join(one.commands) or "none, a caution", code=bool(one.commands)),
        *(_milliseconds(at, is_trip=is_trip) for at in (one.decided_s, one.written_s, one.acknowledged_s)),
        Text(", ".join(one.set_aside)),
    )


def _milliseconds(seconds: float | None, *, is_trip: bool) -> Cell:
    if seconds is None:
        return Text("not known", Tone.CAUTION) if is_trip else Text("")
    return plain(1e3 * seconds, "ms", 3)


def _check_row(event: Event) -> Row:
    findings = event.data.get("findings")
    found = [str(one) for one in findings] if isinstance(findings, list) else []
    return (
        plain(round(event.time_s, 3), "s", 10),
        Text(str(event.data.get("check", ""))),
        Text(str(event.data.get("who", ""))),
        Text("; ".join(found), Tone.CAUTION) if found else Text("nothing"),
    )
