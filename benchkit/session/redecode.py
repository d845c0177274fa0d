"""Decode the bytes of a journal again, with the profile that the run carries; ``benchkit recover`` adds rows by it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from benchkit.analysis.tare import offsets_after
from benchkit.decode.build import decoder_for
from benchkit.decode.channel_map import ChannelMap
from benchkit.model.events import EventKind
from benchkit.model.run import RunHeader
from benchkit.model.samples import Rows
from benchkit.model.sources import device_time_wrap_s
from benchkit.profiles import stand_from_json
from benchkit.runfile.events import parse_event
from benchkit.runfile.journal import JournalRecord, Kind
from benchkit.runfile.layout import Block, ClockFits
from benchkit.session.lane import block_of
from benchkit.session.timebase import TimeBase


def redecode(header: RunHeader, source: str, records: Iterable[JournalRecord]) -> Iterator[Block | ClockFits]:
    """The blocks of ``source`` as the recorder made them, and its clock fits between them; times of ``records`` count
    from the start of the run.

    A link that was lost and opened again begins with a new decoder, as it did live; the clock of the device went on.
    """
    stand = stand_from_json(header.profile_json)
    spec = stand.sources[source]
    decoder = decoder_for(spec, joined_midway=True)
    channel_map = ChannelMap(stand.channels_of(source), decoder.columns)
    time_base = TimeBase(0, header.time_factor, device_time_wrap_s(spec))
    for record in records:
        happened = parse_event(record.payload) if record.kind is Kind.EVENT else None
        is_loss = happened is not None and happened.kind is EventKind.SOURCE_LOST
        if record.kind is Kind.RECEIVED:
            decoder.feed(record.payload, record.time_ns)
        elif is_loss:
            decoder.close(record.time_ns)
        while (event := decoder.next_event()) is not None:
            if isinstance(event, Rows):
                yield from _told(
                    time_base.lay(block_of(event, channel_map.calibrate(event.values), channel_map, time_base)),
                    time_base,
                )
        if happened is not None and happened.kind is EventKind.TARE:
            names = [channel.name for channel in channel_map.channels]
            channel_map.tare = offsets_after(happened, names, channel_map.tare)
        if is_loss:
            decoder = decoder_for(spec, joined_midway=True)
            yield from _told(time_base.release(), time_base)
    yield from _told(time_base.release(), time_base)


def _told(laid: Block | None, time_base: TimeBase) -> Iterator[Block | ClockFits]:
    """Rows that have their sample times now, and the fits made for them."""
    if laid is None:
        return
    yield laid
    fits = time_base.take_fits()
    if fits.shape[0]:
        yield ClockFits(fits)
