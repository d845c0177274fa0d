"""A recorded run as sources again: the bytes that were received, decoded by the profile that the run carries.

What comes out goes through calibration, limits and recording of the stand that is given now: to see what other limits
or another calibration would have made of a run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from benchkit.decode.build import decoder_for
from benchkit.errors import UsageError, did_you_mean
from benchkit.model.events import EventKind
from benchkit.model.samples import Rows
from benchkit.model.stand import Stand
from benchkit.profiles import stand_from_json
from benchkit.runfile.reader import Run
from benchkit.sources.contract import Source
from benchkit.sources.replay import ReplayClock, ReplaySource


def replay_sources(run: Run, stand: Stand, clock: ReplayClock, speed: float) -> Sequence[Source]:
    """The sources of ``stand`` with the rows of ``run``, ``speed`` times as fast as they once came.

    Whoever plays them takes the time from ``clock`` as well.

    Raises:
        UsageError: the run has no source of that name, or its bytes cannot be decoded again.
    """
    recorded = stand_from_json(run.header.profile_json)
    for name in stand.sources:
        if name not in run.sources:
            raise UsageError(
                "the run has no such source",
                where=f"sources.{name}",
                expected=", ".join(run.sources),
                remedy=did_you_mean(name, run.sources),
            )
    return [
        ReplaySource(name, decoder_for(recorded.sources[name]).columns, rows_of(run, recorded, name), clock, speed)
        for name in stand.sources
    ]


def rows_of(run: Run, stand: Stand, source: str) -> Iterator[Rows]:
    """Rows of one source as its decoder gave them; a link that was lost begins with a new decoder, as it did live."""
    spec = stand.sources[source]
    decoder = decoder_for(spec, joined_midway=True)
    losses = [
        round(event.time_s * 1e9)
        for event in run.events()
        if event.kind is EventKind.SOURCE_LOST and event.source == source
    ]
    for arrival_ns, data in run.received(source):
        while losses and losses[0] <= arrival_ns:
            losses.pop(0)
            decoder = decoder_for(spec, joined_midway=True)
        decoder.feed(data, arrival_ns)
        while (event := decoder.next_event()) is not None:
            if isinstance(event, Rows):
                yield event
