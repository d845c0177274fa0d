"""The recorder in one message, put together from its parts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchkit.model.stand import Stand
from benchkit.protect.protection import Protection
from benchkit.session.book import Book
from benchkit.session.lane import Lane
from benchkit.session.messages import BeatStatus, FirstOutStatus, LinkCounts, Status
from benchkit.session.plan_status import PlanStatus
from benchkit.session.protection_status import Prediction, protection_status


def status_of(
    stand: Stand,
    protection: Protection,
    lanes: Iterable[Lane],
    book: Book,
    start_ns: int,
    now: int,
    *,
    heartbeat: int,
    predictions: Sequence[Prediction],
    refused: LinkCounts,
    beats: BeatStatus | None,
    plan: PlanStatus | None,
) -> Status:
    """What dashboards are told at ``now`` [host ns]; ``heartbeat`` counts the messages."""
    first = protection.first_out
    return Status(
        time_s=(now - start_ns) * 1e-9,
        state=protection.state,
        permissives=protection.permissives,
        recording=book.is_recording,
        run_path=str(book.run_path),
        disk_free_bytes=book.disk.free_bytes,
        disk_left_s=book.disk.left_s,
        limit_set=stand.limit_set.name,
        revision=stand.limit_set.revision,
        sources={lane.name: lane.status(now) for lane in lanes},
        first_out=None
        if first is None
        else FirstOutStatus(first.limits, first.order_resolved, (first.sample_ns - start_ns) * 1e-9),
        standing=tuple(protection.standing_causes),
        heartbeat=heartbeat,
        refused=refused,
        limit_hash=stand.limit_set.short_hash,
        protection=protection_status(protection, start_ns, now, tuple(predictions)),
        beats=beats,
        plan=plan,
    )
