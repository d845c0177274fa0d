"""The recorder's loop: wait, read, decode, protect, act; then hand over, publish, serve. In that order, every turn.

Whatever protects comes first in a turn. Disk, dashboards and requests come after it and cannot delay it: writing is
done by a process of its own, links are opened in threads of their own, sockets never wait.
"""

from __future__ import annotations

import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from benchkit.decode.log import log_event
from benchkit.errors import BenchkitError, LinkError, UsageError
from benchkit.model.events import Event, EventKind, JsonValue
from benchkit.model.interlock import State, Trigger
from benchkit.model.plans import Plan
from benchkit.model.run import RunHeader
from benchkit.model.samples import BadFrame, DecodeEvent, FloatArray, Gap, Reply, Rows
from benchkit.model.stand import Stand
from benchkit.plans.sequence import NextPoint
from benchkit.protect.outcomes import Command, Happened, Outcome
from benchkit.protect.protection import Protection
from benchkit.runfile.closing import ClosedRun
from benchkit.runfile.layout import Block, joined
from benchkit.runfile.plan_journal import PlanJournal
from benchkit.session.beats import Beats
from benchkit.session.book import STOP_PATIENCE_S, Book
from benchkit.session.bursts import Bursts
from benchkit.session.desk import Desk
from benchkit.session.forecast import Forecast
from benchkit.session.keeping import Begin
from benchkit.session.lane import Lane
from benchkit.session.messages import LiveRows, Status
from benchkit.session.opening import Opening
from benchkit.session.plan_runner import PlanRunner
from benchkit.session.quality_watch import QualityWatch
from benchkit.session.recorder_status import status_of
from benchkit.session.repeats import Repeats
from benchkit.session.requests import answer_request
from benchkit.session.thermal_watch import ThermalWatch
from benchkit.session.waiting import wait_for
from benchkit.sources.clock import Clock
from benchkit.sources.contract import Source

SERVE_EVERY_NS = 33_000_000
"""Hand over, publish and flush about thirty times a second."""
REQUESTS_EVERY_NS = 5_000_000
WAIT_S = 0.005
"""Longest wait for bytes; requests are looked at as often."""
FIRST_OPEN_S = 0.5
"""At the start, links that open within this are open before the first turn; slower ones come in later."""


@dataclass(frozen=True, slots=True)
class Summary:
    """How a recording ended."""

    run_path: Path
    rows: Mapping[str, int]
    trips: int
    closed: ClosedRun


@dataclass(slots=True)
class _Untold:
    """What one decoded event has led to, still to be laid and told."""

    lane: Lane
    event: DecodeEvent
    values: FloatArray | None = None
    """Calibrated; None where the event is no rows."""
    outcomes: Sequence[Outcome] = ()


class Recorder:
    """Records one run. Make it, ``run`` it; ``ask_to_end`` may be called from a signal handler."""

    def __init__(
        self,
        stand: Stand,
        header: RunHeader,
        sources: Sequence[Source],
        run_path: Path,
        clock: Clock,
        desk: Desk,
        *,
        duration_s: float | None = None,
        bursts: Bursts | None = None,
    ) -> None:
        self.stand = stand
        self.header = header
        self.run_path = run_path
        self.clock = clock
        self.desk = desk
        self.bursts = bursts
        self.plan: PlanRunner | None = None
        self.start_ns = clock.now_ns()
        self.lanes = {
            source.name: Lane(i, source, stand, self.start_ns, header.time_factor) for i, source in enumerate(sources)
        }
        self.protection = Protection(stand, self.start_ns)
        columns = {lane.name: lane.channel_names for lane in self.lanes.values()}
        self._thermal = ThermalWatch(stand, columns, self.start_ns, header.time_factor)
        self._forecast = Forecast(self.protection, self._thermal)
        self._beats = Beats.of(stand, self.lanes, clock, self._send)
        self._end_ns = None if duration_s is None else self.start_ns + round(duration_s * 1e9)
        self._book = Book(run_path, self.start_ns, self.protection, self._act, self._happened)
        self._untold: deque[_Untold] = deque()
        self._fresh: dict[str, list[Block]] = {name: [] for name in self.lanes}
        self._quality = {lane.name: QualityWatch(stand, lane.name, lane.channel_names) for lane in self.lanes.values()}
        self._next_serve = self._next_requests = self.start_ns
        self._has_brought = False
        self._kept: dict[str, int] = {}
        self._heartbeat = 0
        self._trips = 0
        self._repeats = Repeats()
        self._is_ending = False
        self._has_begun = False

    # -- outside

    def ask_to_end(self) -> None:
        """End in order: stop the stand if it runs, then close the run."""
        self._is_ending = True

    def run(self) -> Summary:
        """Record until asked to end, the time is over, or every source is finished.

        Raises:
            BenchkitError: the run file cannot be created or closed. Protection went on until the end.
        """
        while not self.step():
            pass
        return self.finish()

    def step(self) -> bool:
        """One turn of the loop; True when the recording is over and ``finish`` is due."""
        self.begin()
        if self._is_over():
            return True
        self._turn()
        return False

    def finish(self) -> Summary:
        """Stop the stand if it runs, then close the run."""
        if self.plan is not None:
            self.plan.close(self.clock.now_ns())
        self._wind_down()
        if self._beats is not None:
            self._beats.close()
        if self.bursts is not None:
            self.bursts.end()  # the stand has been stopped: nothing waits for us but the last bursts
        if not self._book.is_retired:
            self._serve(self.clock.now_ns())
        if not self._book.is_retired:
            self._retire()
        for lane in self.lanes.values():
            if lane.opening is not None:
                lane.opening.give_up()
            else:
                lane.source.close()
        closed = self._book.take_closed()
        if isinstance(closed, BenchkitError):
            raise closed
        return Summary(self.run_path, self._kept, self._trips, closed)

    def note(self, kind: EventKind, message: str, data: Mapping[str, JsonValue] | None = None) -> None:
        """Write an event that a person asked for."""
        self._happened(self.clock.now_ns(), kind, message, data=data or {})

    def note_now(self, kind: EventKind, message: str, source: str, data: Mapping[str, JsonValue]) -> None:
        """As ``note``, about a source; all up to now is handed over with it, before any byte that comes later."""
        self._happened(self.clock.now_ns(), kind, message, source=source, data=data)
        self._book.hand_over()

    def take_plan(
        self,
        plan: Plan,
        journal: PlanJournal,
        following: NextPoint | None = None,
        is_edited: Callable[[], str] = str,
        notice: str = "",
    ) -> None:
        """Carry out a plan in this recording; it begins when a person says so. ``following`` chooses the steps;
        ``is_edited`` and ``notice`` as in :class:`~benchkit.session.plan_runner.PlanRunner`.
        """
        run_id, is_fresh = self.header.run_id, self._is_fresh
        self.plan = PlanRunner(
            plan, self.stand, journal, run_id, self.protection, self, is_fresh, following, is_edited, notice
        )

    def _is_fresh(self, source: str) -> bool:
        lane = self.lanes[source]
        return not lane.is_lost and not lane.status(self.clock.now_ns()).stale

    def request_trigger(self, trigger: Trigger, who: str) -> None:
        """Move the interlock; raises RefusedError with the reason."""
        self._act(self.protection.request(trigger, self.clock.now_ns(), who))

    def ask_protection(self, outcomes: Sequence[Outcome]) -> None:
        """Carry out what protection has answered to a request."""
        self._act(outcomes)

    def limit_moved(self, name: str, set_point: float) -> None:
        """A set point was moved: what predicts the time to it is told."""
        self._thermal.move_limit(name, set_point)

    def send_set_point(self, source: str, text: str, data: Mapping[str, JsonValue]) -> bool:
        """Write a set-point command; False where it did not go out. The caller has checked that it is allowed."""
        if not self._send(self.lanes[source], text):
            return False
        self._happened(self.clock.now_ns(), EventKind.SET_POINT, text, source=source, data=data)
        return True

    # -- one turn

    def _turn(self) -> None:
        for lane in self.lanes.values():
            self._follow_link(lane)
        open_lanes = [lane for lane in self.lanes.values() if lane.is_open and not lane.source.is_finished]
        if len(self.lanes) == 1:
            if open_lanes:
                self._poll(open_lanes[0], WAIT_S)
            else:
                self.clock.sleep(WAIT_S)
        else:
            self._poll_ready(open_lanes)
        now = self.clock.now_ns()
        self._act(self.protection.tick(now))
        if self._beats is not None:  # all that protects is done in this turn: now a beat is true
            self._act(self._beats.turn(open_lanes, self.protection.state, self.clock.now_ns()))
        if self.plan is not None:
            self.plan.turn(self.clock.now_ns())
        if now >= self._next_requests:
            self._next_requests = now + REQUESTS_EVERY_NS
            self._take_request()
        if now >= self._next_serve:
            self._next_serve = now + SERVE_EVERY_NS
            self._serve(now)

    def _poll_ready(self, lanes: Sequence[Lane]) -> None:
        """Wait for all links in one place, then look at those that have something."""
        by_name = {lane.name: lane for lane in lanes}
        ready = wait_for((lane.source for lane in lanes), 0.0 if self._has_brought else WAIT_S, self.clock)
        # what an opening left to say is there before any byte is
        names = {source.name for source in ready} | {lane.name for lane in lanes if lane.is_fresh_open}
        self._has_brought = False
        for name in names:
            self._has_brought |= self._poll(by_name[name], 0.0)

    def _poll(self, lane: Lane, timeout_s: float) -> bool:
        try:
            polled = lane.source.poll(timeout_s)
        except LinkError as error:
            self._lose(lane, error)
            return False
        if polled is None:
            return False
        if polled.data:
            self._book.bytes_taken += len(polled.data)
            self._book.batch.received.append((lane.name, polled.arrival_ns, polled.data))
        for event in polled.events:  # first all that protects, then what is told and kept
            if isinstance(event, Rows):
                values = lane.map.calibrate(event.values)
                outcomes = self.protection.feed(lane.name, event.arrival_ns, values, self.clock.now_ns())
                self._untold.append(_Untold(lane, event, values, outcomes))
                self._command(outcomes)
            elif isinstance(event, Reply):
                outcomes = self.protection.reply(lane.name, event.text, self.clock.now_ns())
                self._untold.append(_Untold(lane, event, None, outcomes))
                self._command(outcomes)
            else:
                self._untold.append(_Untold(lane, event))
        self._catch_up()
        return True

    def _catch_up(self) -> None:
        """Tell and lay what a poll has brought, in the order in which it came."""
        while self._untold:
            one = self._untold.popleft()
            lane, event = one.lane, one.event
            self._tell_of(one.outcomes)
            if isinstance(event, Rows):
                assert one.values is not None
                laid, outage = lane.lay(event, one.values)
                if laid is not None:
                    self._fresh[lane.name].append(laid)
                    if self.plan is not None:
                        self.plan.add(lane.name, laid)
                if outage is not None:
                    self._note_noise(lane, outage)
                if lane.loops:
                    for told in lane.loops.feed(event, one.values, self.start_ns, lane.name):
                        self._tell(told)
            elif isinstance(event, Reply):
                self._log_reply(lane, event)
            elif not (isinstance(event, Gap) and lane.outage(event)):
                self._note_noise(lane, event)

    def _log_reply(self, lane: Lane, reply: Reply) -> None:
        if self._beats is not None and self._beats.takes_reply(lane.name, reply.text, reply.arrival_ns):
            return
        at_s = (reply.arrival_ns - self.start_ns) * 1e-9
        self._tell(log_event(reply, at_s, lane.name))
        changed = self._quality[lane.name].reply(reply.text, at_s)
        if changed is not None:
            self._tell(changed)

    def _act(self, outcomes: Sequence[Outcome]) -> None:
        """Commands go out before anything is told about them."""
        self._command(outcomes)
        self._tell_of(outcomes)

    def _command(self, outcomes: Iterable[Outcome]) -> None:
        for outcome in outcomes:
            if isinstance(outcome, Command):
                lane = self.lanes[outcome.source]
                if self._send(lane, outcome.text):
                    self.protection.written(outcome, self.clock.now_ns())

    def _tell_of(self, outcomes: Iterable[Outcome]) -> None:
        for outcome in outcomes:
            if isinstance(outcome, Happened):
                if outcome.kind is EventKind.TRIP:
                    self._trips += 1
                self._happened(
                    outcome.time_ns, outcome.kind, outcome.message, outcome.source, outcome.channel, outcome.data
                )

    def _send(self, lane: Lane, text: str) -> bool:
        if not lane.is_open:
            return False
        try:
            lane.source.send(text)
        except LinkError as error:
            self._lose(lane, error)
            return False
        except UsageError as error:
            # a replay takes no commands, and some lines cannot go on a wire: told, and reading goes on
            self._happened(self.clock.now_ns(), EventKind.REFUSED, str(error), source=lane.name)
            return False
        self._book.batch.sent.append((lane.name, self.clock.now_ns(), text.encode() + b"\n"))
        return True

    # -- links

    def _follow_link(self, lane: Lane) -> None:
        """Open a lost link again when its pause is over; take it in when it is open."""
        if lane.is_open:
            return
        if lane.opening is None:
            if self.clock.now_ns() >= lane.retry_at_ns:
                lane.opening = Opening(lane.source)
            return
        if not lane.opening.is_done:
            return
        opening, lane.opening = lane.opening, None
        try:
            opening.check()
        except LinkError as error:
            if lane.is_lost:
                lane.lost(self.clock.now_ns())
            else:
                self._lose(lane, error)
            return
        was_lost = lane.is_lost
        lane.opened()
        now = self.clock.now_ns()
        if was_lost:
            self._act(self.protection.source_back(lane.name, now))
            self._book.hand_over()
        else:
            self.protection.source_opened(lane.name, now)

    def _lose(self, lane: Lane, error: LinkError) -> None:
        if lane.is_lost:
            return
        self._catch_up()
        now = self.clock.now_ns()
        lane.lost(now)
        self._end_of_link(lane, keep_outage=True)
        self._act(self.protection.source_lost(lane.name, now, str(error)))
        self._book.hand_over()  # the journal tells bytes from before a loss and after it by the event between them

    def _end_of_link(self, lane: Lane, *, keep_outage: bool = False) -> None:
        """Nothing more comes: rows that were held are laid, an outage that nothing has ended is told."""
        held = lane.time_base.release()
        if held is not None:
            self._fresh[lane.name].append(held)
        outage = None if keep_outage else lane.left_over()
        if outage is not None:
            self._note_noise(lane, outage)

    # -- telling

    def _happened(
        self,
        time_ns: int,
        kind: EventKind,
        message: str,
        source: str = "",
        channel: str = "",
        data: Mapping[str, JsonValue] | None = None,
    ) -> None:
        self._tell(Event((time_ns - self.start_ns) * 1e-9, kind, message, source, channel, data or {}))

    def _tell(self, event: Event) -> None:
        if self.bursts is not None:
            self.bursts.take(event)
        self._write_down(self._repeats.take(event))

    def _write_down(self, events: Iterable[Event]) -> None:
        for event in events:
            self._book.batch.events.append(event)
            self.desk.publish(event)

    def _note_noise(self, lane: Lane, event: BadFrame | Gap) -> None:
        """Every bad frame and gap is counted, however many are told."""
        lane.count(event)
        self._tell(log_event(event, (event.arrival_ns - self.start_ns) * 1e-9, lane.name))

    def _serve(self, now: int) -> None:
        if self._book.turn(now):
            self._retire()
        if self.bursts is not None:
            events, files = self.bursts.turn((now - self.start_ns) * 1e-9)
            self._book.batch.bursts += files
            self._write_down(events)
        self._write_down(self._repeats.over((now - self.start_ns) * 1e-9))
        self._gather()
        self._look_at_quality((now - self.start_ns) * 1e-9)
        self._book.hand_over()
        self.desk.publish(self.status(now))

    def _look_at_quality(self, now_s: float) -> None:
        """At most one source a turn, so that a turn costs the same however many there are."""
        due = next((watch for watch in self._quality.values() if watch.is_due(now_s)), None)
        if due is not None:
            for event in due.look(now_s):
                self._tell(event)
        for event in self._thermal.look(now_s):
            self._tell(event)

    def _gather(self) -> None:
        """Publish the rows that came since the last time, and put them into the batch."""
        for name, blocks in self._fresh.items():
            if not blocks:
                continue
            block = blocks[0] if len(blocks) == 1 else joined(blocks)
            lane = self.lanes[name]
            self.desk.publish(LiveRows(name, lane.channel_names, block.time_s, block.arrival_s, block.values))
            lane.keep_timed(block)
            self._quality[name].add(block)
            self._thermal.add(name, block)
            self._book.batch.blocks.append((name, block))
            self._book.batch.fits.append((name, lane.time_base.take_fits()))
            self._book.row_bytes += len(block) * lane.row_bytes
            self._fresh[name] = []

    # -- the end of recording, in order or before its time

    def _retire(self) -> None:
        """Write what is there and have the run closed; protection does not wait for it."""
        for lane in self.lanes.values():
            self._end_of_link(lane)
        self._kept = {name: lane.rows for name, lane in self.lanes.items()}
        counts: dict[str, JsonValue] = {
            name: {
                "rows": lane.rows,
                "bad_frames": lane.bad_frames,
                "gaps": lane.gaps,
                "sensor_faults": dict(lane.loops.faults),
            }
            for name, lane in self.lanes.items()
        }
        if self._beats is not None:
            self._act([self._beats.summary(self.clock.now_ns())])
        self._write_down(self._repeats.rest())
        data: dict[str, JsonValue] = {"sources": counts}
        if self.bursts is not None:
            data["bursts"] = self.bursts.counts()
        self._happened(self.clock.now_ns(), EventKind.RUN_CLOSED, "run closed in order", data=data)
        self._gather()
        self._book.hand_over()
        self._book.retire()

    def status(self, now: int) -> Status:
        """What dashboards are told."""
        self._heartbeat += 1
        return status_of(
            self.stand,
            self.protection,
            self.lanes.values(),
            self._book,
            self.start_ns,
            now,
            heartbeat=self._heartbeat,
            predictions=self._forecast.turn(now),
            refused=self.desk.counts,
            beats=None if self._beats is None else self._beats.status(),
            plan=None if self.plan is None else self.plan.status(now),
        )

    def _take_request(self) -> None:
        request = self.desk.next_request()
        if request is not None:
            self.desk.answer(answer_request(self, request))

    # -- beginning and end

    def begin(self) -> None:
        """Create the run file and open the links; ``step`` does it where it has not been done."""
        if self._has_begun:
            return
        self._has_begun = True
        sys.setswitchinterval(0.001)  # no other thread may hold the loop for the usual 5 ms
        specs = [lane.spec for lane in self.lanes.values()]
        burst_specs = () if self.bursts is None else self.bursts.specs
        self._book.keeper.start(Begin(self.run_path, self.header, specs, self.start_ns, burst_specs))
        if self.bursts is not None:
            self.bursts.begin(self.run_path, self.start_ns)
        for lane in self.lanes.values():
            lane.opening = Opening(lane.source)
        deadline = time.monotonic() + FIRST_OPEN_S
        for lane in self.lanes.values():
            if lane.opening is not None:
                lane.opening.wait(max(0.0, deadline - time.monotonic()))
            self._follow_link(lane)
        self._happened(self.start_ns, EventKind.RUN_STARTED, f"run {self.header.run_id} started")

    def _is_over(self) -> bool:
        if self._is_ending or (self._end_ns is not None and self.clock.now_ns() >= self._end_ns):
            return True
        return all(lane.source.is_finished for lane in self.lanes.values())

    def _wind_down(self) -> None:
        """Stop the stand if it runs, and wait for it; a stop that is under way is waited for as well."""
        now = self.clock.now_ns()
        if self.protection.state is State.RUNNING:
            self._act(self.protection.request(Trigger.STOP, now, "end of recording"))
        until = now + round(STOP_PATIENCE_S * 1e9)
        while self.protection.state is State.STOPPING and self.clock.now_ns() < until:
            self._turn()
