"""Where a plan stands after the entries of its journal: for a recording that takes it up again."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from benchkit.model.plans import AfterStop, Done, Outcome, Step, StepKind, StopCause, Until
from benchkit.plans.account import number
from benchkit.plans.entries import Entry, EntryKind, target_from
from benchkit.plans.progress import Progress
from benchkit.plans.table import Phase

_OUTCOMES = {
    EntryKind.TAKEN: Outcome.TAKEN,
    EntryKind.SKIPPED: Outcome.SKIPPED,
    EntryKind.CONFIRMED: Outcome.CONFIRMED,
}


def restored(entries: Iterable[Entry], steps: Sequence[Step]) -> Progress:
    """Where a plan of these ``steps`` stands after ``entries``.

    One that was under way comes back as MOVING: the caller stops it, with the cause that the recording was cut off.
    """
    so_far = _SoFar({step.index: step for step in steps})
    for entry in entries:
        take = _TAKES.get(entry.kind)
        if take is not None:
            take(so_far, entry)
    return so_far.progress()


@dataclass(slots=True)
class _SoFar:
    known: Mapping[int, Step]
    phase: Phase = Phase.LOADED
    step: Step | None = None
    good_s: float = 0.0
    last: int | None = None
    """The step that time was held for last, while that may count on."""
    done: list[Done] = field(default_factory=list)
    approvals: dict[str, str] = field(default_factory=dict)
    cause: StopCause | None = None
    detail: str = ""
    run: str = ""

    def opened(self, entry: Entry) -> None:
        self.run = str(entry.data.get("run", ""))

    def approved(self, entry: Entry) -> None:
        self.approvals[str(entry.data.get("role", ""))] = str(entry.data.get("who", ""))

    def begun(self, _entry: Entry) -> None:
        self.phase, self.cause, self.detail = Phase.MOVING, None, ""

    def entered(self, entry: Entry) -> None:
        self.step = step = self._step(entry)
        by_hand = step is not None and step.kind is StepKind.BY_HAND
        self.phase = Phase.AWAITING if by_hand else Phase.MOVING
        goes_on = step is not None and self.last == step.index and step.after_stop is AfterStop.GO_ON
        if not goes_on:
            self.good_s = 0.0
        self.last = None if step is None else step.index

    def timed(self, entry: Entry) -> None:
        self.good_s += number(entry.data.get("good_s"))

    def over(self, entry: Entry) -> None:
        data = entry.data
        step = self._step(entry) or _step_from(entry)
        if step is not None:
            times = (number(data.get("from_s")), number(data.get("to_s")))
            outside_s, cause = number(data.get("outside_s")), str(data.get("cause", ""))
            means = target_from(data.get("means"))
            waited_s = number(data.get("waited_s"))
            self.done.append(Done(step, _OUTCOMES[entry.kind], *times, means, outside_s, cause, self.run, waited_s))
        self.step, self.good_s, self.last = None, 0.0, None
        if entry.kind is EntryKind.CONFIRMED:
            self.phase, self.cause = Phase.HELD, StopCause.HAND_STEP

    def repeated(self, entry: Entry) -> None:
        key = (entry.data.get("segment"), entry.data.get("turn"))
        kept = [one for one in self.done if (one.step.segment, one.step.turn) != key]
        if len(kept) != len(self.done):
            self.step = None
        self.done, self.good_s, self.last = kept, 0.0, None

    def stopped(self, entry: Entry) -> None:
        known = {cause.value: cause for cause in StopCause}
        self.phase = Phase.HELD
        self.cause = known.get(str(entry.data.get("cause")), StopCause.BY_HAND)
        self.detail = str(entry.data.get("detail", ""))

    def finished(self, _entry: Entry) -> None:
        self.phase, self.step = Phase.DONE, None

    def abandoned(self, _entry: Entry) -> None:
        self.phase, self.step = Phase.ABANDONED, None

    def progress(self) -> Progress:
        dwell = None if self.step is None else self.step.dwell
        by_time = dwell is not None and dwell.until is Until.TIME
        return Progress(
            phase=self.phase,
            step=self.step,
            good_s=self.good_s if by_time else 0.0,
            done=tuple(self.done),
            approvals=self.approvals,
            cause=self.cause,
            detail=self.detail,
        )

    def _step(self, entry: Entry) -> Step | None:
        return self.known.get(int(number(entry.data.get("step"))))


def _step_from(entry: Entry) -> Step | None:
    """A step that the plan does not list, as one that was chosen on the way: what its entry says of it."""
    data, kinds = entry.data, {kind.value: kind for kind in StepKind}
    kind = kinds.get(str(data.get("kind")))
    if kind is None:
        return None
    index, turn, place, of = (int(number(data.get(key))) for key in ("step", "turn", "number", "of"))
    return Step(
        index,
        kind,
        str(data.get("segment", "")),
        turn,
        place,
        of,
        target_from(data.get("target")),
        tolerance=target_from(data.get("tolerance")),
        rating=str(data.get("rating", "")),
    )


_TAKES: Mapping[EntryKind, Callable[[_SoFar, Entry], None]] = {
    EntryKind.OPENED: _SoFar.opened,
    EntryKind.APPROVED: _SoFar.approved,
    EntryKind.BEGUN: _SoFar.begun,
    EntryKind.RESUMED: _SoFar.begun,
    EntryKind.STEP: _SoFar.entered,
    EntryKind.TIME: _SoFar.timed,
    EntryKind.TAKEN: _SoFar.over,
    EntryKind.SKIPPED: _SoFar.over,
    EntryKind.CONFIRMED: _SoFar.over,
    EntryKind.REPEATED: _SoFar.repeated,
    EntryKind.STOPPED: _SoFar.stopped,
    EntryKind.FINISHED: _SoFar.finished,
    EntryKind.ABANDONED: _SoFar.abandoned,
}
