"""Every decoder keeps the contract of ``benchkit.decode.contract``."""

from __future__ import annotations

import doctest
import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import benchkit.decode.contract
from benchkit.errors import UsageError
from benchkit.model.samples import BadFrame, Rows
from tests.decode.can_cases import CAN_CASES
from tests.decode.contract import Case, cut, decode, details, drain, facts
from tests.decode.packet_cases import PACKET_CASES
from tests.decode.record_cases import RECORD_CASES
from tests.decode.tail_cases import TAIL_CASES
from tests.decode.text_cases import TEXT_CASES

CASES = [*CAN_CASES, *TEXT_CASES, *PACKET_CASES, *TAIL_CASES, *RECORD_CASES]

each = pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)


@each
def test_whole(case: Case) -> None:
    assert facts(decode(case.make(), [case.data])) == list(case.facts)


@each
def test_byte_by_byte(case: Case) -> None:
    whole = decode(case.make(), [case.data])
    single = decode(case.make(), [case.data[i : i + 1] for i in range(len(case.data))])
    assert facts(single) == facts(whole)
    assert details(single) == details(whole)


@each
@settings(deadline=None, max_examples=60)
@given(places=st.lists(st.integers(min_value=0, max_value=10_000), max_size=40))
def test_any_chunking(case: Case, places: list[int]) -> None:
    whole = decode(case.make(), [case.data + case.garbage])
    pieces = decode(case.make(), cut(case.data + case.garbage, places))
    assert facts(pieces) == facts(whole)
    assert details(pieces) == details(whole)


@each
def test_empty_pieces_change_nothing(case: Case) -> None:
    pieces = [piece for byte in case.data for piece in (b"", bytes([byte]))]
    assert facts(decode(case.make(), pieces)) == list(case.facts)


@each
def test_garbage_after_it(case: Case) -> None:
    decoder = case.make()
    before = decode(decoder, [case.data])
    garbage = facts(decode(decoder, [case.garbage]))
    after = facts(decode(decoder, [case.good]))
    assert facts(before) == list(case.facts)
    assert garbage, "garbage is not passed over in silence"
    assert all(fact[0] != "row" for fact in garbage), "garbage became a sample"
    assert after, "the next good frame was not found again"
    assert after[-1][0] == "row", "the next good frame was not found again"


@each
def test_garbage_before_it(case: Case) -> None:
    decoder = case.make()
    decode(decoder, [case.garbage])
    found = [fact for fact in facts(decode(decoder, [case.data])) if fact[0] == "row"]
    assert found == [fact for fact in case.facts if fact[0] == "row"]


@each
def test_unfinished_frame_is_never_a_sample(case: Case) -> None:
    decoder = case.make()
    assert decode(decoder, [case.unfinished]) == []
    events = decode(decoder, [], close=True)
    assert [type(event) for event in events] == [BadFrame]


@each
def test_arrival_is_that_of_the_completing_piece(case: Case) -> None:
    decoder = case.make()
    for index in range(len(case.good)):
        decoder.feed(case.good[index : index + 1], 1000 + index)
    (event,) = drain(decoder)
    assert isinstance(event, Rows)
    assert event.arrival_ns.tolist() == [1000 + len(case.good) - 1]


@each
def test_buffer_is_bounded(case: Case) -> None:
    decoder = case.make()
    byte = case.unfinished[-1:]
    piece = byte * 16_384
    decode(decoder, [piece])
    tracemalloc.start()
    try:
        for _ in range(100):
            decode(decoder, [piece])
        kept, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    # A frame and its bookkeeping: far below the 1.6 MB that went through.
    assert kept < 4 * case.max_frame_bytes + 8192


@each
def test_closed_is_closed(case: Case) -> None:
    decoder = case.make()
    decoder.close(1)
    decoder.close(2)
    assert decoder.next_event() is None
    with pytest.raises(UsageError, match=r"the decoder is closed.*new decoder"):
        decoder.feed(case.good, 3)


def test_example_in_the_contract() -> None:
    found = doctest.testmod(benchkit.decode.contract)
    assert found.attempted > 3
    assert found.failed == 0


@each
def test_columns_name_the_values(case: Case) -> None:
    decoder = case.make()
    rows = [event for event in decode(decoder, [case.data]) if isinstance(event, Rows)]
    assert all(block.values.shape[1] == len(decoder.columns) for block in rows)
