"""What ``benchkit prove`` does."""

from __future__ import annotations

import contextlib
import signal
import socket
import sys
from argparse import Namespace
from pathlib import Path

from benchkit import __version__
from benchkit.cli.common import load_with_limits, print_json
from benchkit.cli.priority import step_forward
from benchkit.cli.recording import ports_of
from benchkit.errors import UsageError
from benchkit.model.cautions import NOT_A_SAFETY_FUNCTION, ONE_LINE
from benchkit.model.proof import MEANING, EscalationProof, LimitProof, Proof, chain_hash
from benchkit.model.stand import Stand
from benchkit.protect.permissives import protection_hash

NOT_SHOWN = "That a sensor shows what is there is not shown: a proof begins at its number on the link."
INCOMPLETE = 6
"""Exit code of a proof that leaves a limit unproven: as for everything that interlock or recorder would refuse."""


def prove(args: Namespace) -> int:
    """Prove every limit, write the signed record, say what is left."""
    from benchkit.session.signing import FINGERPRINT_SHOWN, key_path, make_key, signed, write_record

    if args.new_key:
        fingerprint = make_key(key_path(), replace_old=True)
        print(f"new key in {key_path()}, fingerprint {fingerprint}", file=sys.stderr if args.json else sys.stdout)
        if not args.stand:
            return 0
    if not args.stand:
        raise UsageError("no stand named", where="prove", expected="STAND, or --new-key alone")
    if not args.who.strip():
        raise UsageError("who proves is not said", where="--who", expected="a name; it goes into the record")
    loaded = load_with_limits(args)
    if not loaded.stand.limit_set.limits:
        raise UsageError("there is no limit to prove", where=loaded.stand.name)
    proof = _proven(loaded.stand, args)
    record = signed(proof, key_path())
    out = Path(args.out or f"{loaded.stand.name}_proof.json")
    write_record(record, out)
    if args.json:
        print_json(record)
    else:
        short = record["proof"]["fingerprint"][:FINGERPRINT_SHOWN]
        print(*_end_lines(proof), f"record: {out}, signed with key {short}…", MEANING, sep="\n")
    return 0 if proof.is_complete else INCOMPLETE


def _proven(stand: Stand, args: Namespace) -> Proof:
    from benchkit.session.process import start_simulated_stand
    from benchkit.session.proving import Bench, Prover
    from benchkit.session.proving_escalation import prove_escalations
    from benchkit.sources.build import build_source
    from benchkit.sources.clock import HostClock

    step_forward()
    clock = HostClock()
    out = sys.stderr if args.json else sys.stdout
    with contextlib.ExitStack() as ending:
        ports = ports_of(args.port, stand)
        if args.simulated:
            child = start_simulated_stand(args.stand, seed=args.seed)
            ending.callback(child.end)
            ports = dict.fromkeys(stand.sources, child.address) | ports
        bench = Bench(
            stand, [build_source(spec, clock, ports.get(name)) for name, spec in stand.sources.items()], clock
        )
        if hasattr(signal, "SIGTERM"):
            signal.signal(signal.SIGTERM, signal.default_int_handler)
        print(ONE_LINE, file=sys.stderr)
        print(*_begin_lines(stand), sep="\n", file=out, flush=True)
        ending.callback(bench.close)
        bench.open()
        bench.wait_for_rest()
        started = clock.utc_now()
        limits = Prover(stand, bench, lambda one: print(_line(one), file=out, flush=True)).prove()
        escalations = prove_escalations(stand, bench)
        print(*map(_escalation_line, escalations), sep="\n", end="\n" * bool(escalations), file=out, flush=True)
    return Proof(
        stand=stand.name,
        limit_set=stand.limit_set.name,
        revision=stand.limit_set.revision,
        limit_set_sha256=stand.limit_set.sha256,
        protection_hash=protection_hash(stand),
        chain_hash=chain_hash(stand),
        proven_utc=started.isoformat(timespec="seconds"),
        who=args.who.strip()[:80],
        host=socket.gethostname(),
        software_version=__version__,
        is_simulated=bool(args.simulated),
        largest_speed_rpm=round(bench.largest_rpm, 3),
        limits=limits,
        notes=(NOT_SHOWN,),
        escalations=escalations,
    )


def _begin_lines(stand: Stand) -> tuple[str, ...]:
    actions = stand.stop_actions
    named = [limit.action for limit in stand.limit_set.limits if limit.action]
    named += [name for one in actions.values() if one.escalate_to for name in (one.name, one.escalate_to)]
    commands = dict.fromkeys(f"{step.source}: {step.command}" for name in named for step in actions[name].steps)
    return (
        f"Proof of {len(stand.limit_set.limits)} limits of {stand.name}: each is made to act by an injected value.",
        f"The stop commands are really sent to the device: {', '.join(commands) or 'none'}.",
        "What they leave behind (gates off, contactor open) stays so. Looking whether the shaft stands still …",
    )


def _escalation_line(one: EscalationProof) -> str:
    if not one.is_proven:
        return f"NOT PROVEN  {one.name}: {one.reason}"
    assert one.escalated_s is not None
    assert one.acknowledged_s is not None
    return (
        f"proven      {one.name}: answers held back, sent {one.attempts} times, escalated after "
        f"{1e3 * one.escalated_s:.0f} ms, acknowledged after {1e3 * one.acknowledged_s:.0f} ms"
    )


def _line(one: LimitProof) -> str:
    if not one.is_proven:
        return f"NOT PROVEN  {one.name}: {one.reason}"
    value = "frames held back" if one.injected is None else f"{one.injected:.6g} {one.unit}"
    told = f"proven      {one.name}: {value}, set point {one.set_point:.6g} {one.set_point_unit}, through {one.level}"
    if one.commands and one.written_s is not None and one.acknowledged_s is not None:
        told += (
            f"; {', '.join(one.commands)}: written {1e3 * one.written_s:.2f} ms, acknowledged "
            f"{1e3 * one.acknowledged_s:.2f} ms after the sample"
        )
    else:
        told += "; told, commands nothing"
    return told + (f"; set aside: {', '.join(one.set_aside)}" if one.set_aside else "")


def _end_lines(proof: Proof) -> tuple[str, ...]:
    trips = [one.acknowledged_s for one in proof.limits if one.acknowledged_s is not None]
    slowest = f"; slowest acknowledgement {1e3 * max(trips):.1f} ms" if trips else ""
    parts = (*proof.limits, *proof.escalations)
    done = f"{len(parts) - len(proof.left)} of {len(parts)} proven{slowest}."
    state = "The proof is complete." if proof.is_complete else f"The proof is INCOMPLETE: {', '.join(proof.left)}."
    return (done, state, NOT_A_SAFETY_FUNCTION)
