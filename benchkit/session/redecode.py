"""Decode the bytes of a journal again, with the profile that the run carries; ``benchkit recover`` adds rows by it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from benchkit.decode.build import decoder_for
from benchkit.decode.channel_map import ChannelMap
from benchkit.model.events import EventKind
from benchkit.model.run import RunHeader
from benchkit.model.samples import Rows
from benchkit.profiles import stand_from_json
from benchkit.runfile.events import parse_event
from benchkit.runfile.journal import JournalRecord, Kind
from benchkit.runfile.layout import Block
from benchkit.session.lane import block_of
from benchkit.session.timebase import TimeBase


def redecode(header: RunHeader, source: str, records: Iterable[JournalRecord]) -> Iterator[Block]:
    """The blocks of ``source`` as the recorder made them; times of ``records`` count from the start of the run."""
    stand = stand_from_json(header.profile_json)
    spec = stand.sources[source]
    decoder = decoder_for(spec, joined_midway=True)
    channel_map = ChannelMap(stand.channels_of(source), decoder.columns)
    time_base = TimeBase(0, header.time_factor)
    for record in records:
        if record.kind is Kind.RECEIVED:
            decoder.feed(record.payload, record.time_ns)
        elif record.kind is Kind.EVENT and parse_event(record.payload).kind is EventKind.SOURCE_LOST:
            decoder.close(record.time_ns)
        while (event := decoder.next_event()) is not None:
            if isinstance(event, Rows):
                yield block_of(event, channel_map, time_base)
        if record.kind is Kind.EVENT and parse_event(record.payload).kind is EventKind.SOURCE_LOST:
            decoder = decoder_for(spec, joined_midway=True)
