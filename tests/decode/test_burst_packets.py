"""The ring of a burst source: what is missing is counted, what comes late is put where it belongs."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.decode.burst_files import samples_of
from benchkit.decode.burst_packets import BurstRing, Packet, parse
from benchkit.errors import UsageError
from benchkit.model.bursts import BurstChannel, BurstFile, BurstFileKind, BurstPacket, BurstSource
from benchkit.units import Quantity

CHANNELS = (BurstChannel("a", "A", Quantity.CURRENT), BurstChannel("b", "B", Quantity.CURRENT))
SOURCE = BurstSource(
    "scope", CHANNELS, 1000.0, 0.0, ">i2", 0.02, 0.03, (), 5, packet=BurstPacket(b"\xb5", 4, is_big_endian=False)
)


def samples(first: int, count: int) -> np.ndarray:
    i = np.arange(first, first + count)
    return np.column_stack([i % 1000, -(i % 777)]).astype(">i2")


def test_a_packet_is_read_as_declared() -> None:
    datagram = b"\xb5" + (4_000_000_000).to_bytes(4, "little") + samples(5, 3).tobytes()
    found = parse(SOURCE, datagram)
    assert isinstance(found, Packet)
    assert found.counter == 4_000_000_000
    assert found.samples.tolist() == samples(5, 3).tolist()
    assert "not with the sync bytes" in str(parse(SOURCE, b"\xb6" + datagram[1:]))
    assert "no whole number of samples" in str(parse(SOURCE, datagram[:-1]))
    assert "too short" in str(parse(SOURCE, datagram[:6]))


@settings(max_examples=60, deadline=None)
@given(
    sent=st.lists(st.integers(1, 9), min_size=20, max_size=40),
    drawn=st.data(),
    first=st.sampled_from([0, 12345, 2**32 - 60]),  # the counter turns over in the middle
)
def test_against_a_plain_model(sent: list[int], drawn: st.DataObject, first: int) -> None:
    """Some packets are lost, some change places: the burst holds what has come, once, and counts the rest."""
    starts = [first + sum(sent[:i]) for i in range(len(sent))]
    kept = [i for i in range(len(sent)) if i in (0, len(sent) - 1) or drawn.draw(st.integers(0, 4))]
    order = list(kept)
    for k in range(1, len(order) - 2):
        if not drawn.draw(st.integers(0, 3)):
            order[k], order[k + 1] = order[k + 1], order[k]
    ring = BurstRing(SOURCE, 2000)
    for i in order:
        ring.feed(Packet(starts[i] % 2**32, samples(starts[i], sent[i])), 1_000_000 * starts[i])
    here = sorted(n for i in kept for n in range(starts[i], starts[i] + sent[i]))
    trigger = first + sum(sent) // 2
    low, high = max(first, trigger - 20), min(trigger + 30, first + sum(sent))
    inside = [n for n in here if low <= n < high]
    record = ring.cut(trigger, 1, "x", 0, 1.0)
    assert ring.lost == sum(sent) - len(here)
    assert (record is None) == (not inside)
    if record is not None:
        assert record.samples.tolist() == np.concatenate([samples(n, 1) for n in inside]).tolist()
        assert record.first_counter + record.trigger_sample == trigger
        assert record.missing == inside[-1] - inside[0] + 1 - len(inside)


def test_a_device_that_starts_again_is_no_gap() -> None:
    ring = BurstRing(SOURCE, 100)
    ring.feed(Packet(50_000, samples(50_000, 20)), 0)
    ring.feed(Packet(10, samples(10, 20)), 10)
    assert (ring.restarts, ring.lost, ring.next) == (1, 0, 30)


def test_the_quickest_packets_lay_samples_onto_host_time() -> None:
    ring = BurstRing(SOURCE, 4000)
    rng = np.random.default_rng(1)
    for k in range(300):
        late_ns = 0 if k % 10 == 0 else int(rng.integers(0, 5_000_000))
        # the last sample of packet k has just been taken at (k+1)*10 ms; 7 ms of it are the way
        ring.feed(Packet(10 * k, samples(10 * k, 10)), (k + 1) * 10_000_000 + 7_000_000 + late_ns)
    place, u = ring.place(1_507_000_000)
    assert place == 1500  # exact: 1.5 s after the start, at 1000 a second
    assert 0.28 < u < 3.0


def file_source(kind: BurstFileKind, **changes: object) -> BurstSource:
    from dataclasses import replace

    fields: dict[str, object] = {"columns": (2, 0), "trigger_row": 1} | changes
    file = BurstFile(kind, "captures", "*", **fields)  # type: ignore[arg-type]
    return replace(SOURCE, wire_type="<i2" if kind is not BurstFileKind.CSV else "<f8", packet=None, file=file)


TABLE = np.arange(12, dtype="<i2").reshape(4, 3)


def npy(array: np.ndarray) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array)
    return buffer.getvalue()


def test_files_are_read_as_declared() -> None:
    expected = TABLE[:, [2, 0]].tolist()
    assert samples_of(file_source(BurstFileKind.NPY), npy(TABLE), where="x").tolist() == expected
    assert samples_of(file_source(BurstFileKind.NPY), npy(np.asfortranarray(TABLE)), where="x").tolist() == expected
    raw = file_source(BurstFileKind.RAW, row_values=3, skip_bytes=5)
    assert samples_of(raw, b"head!" + TABLE.tobytes(), where="x").tolist() == expected
    text = "\n".join(",".join(map(str, row)) for row in TABLE.tolist())
    assert samples_of(file_source(BurstFileKind.CSV), text.encode(), where="x").tolist() == expected


@pytest.mark.parametrize(
    ("source", "data", "message"),
    [
        (file_source(BurstFileKind.NPY), b"nothing", "a file of NumPy"),
        (file_source(BurstFileKind.NPY), npy(TABLE.astype("<f4")), "samples of type <f4"),
        (file_source(BurstFileKind.NPY), npy(np.array([{}], dtype=object)), "samples of type"),
        (file_source(BurstFileKind.NPY), npy(TABLE)[:-2], "fill the file"),
        (file_source(BurstFileKind.RAW, row_values=3), TABLE.tobytes()[:-1], "whole rows"),
        (file_source(BurstFileKind.CSV), b"1,2,3\n4,5\n", "line 2.*at least 3 values"),
        (file_source(BurstFileKind.CSV), b"1,2,3\n4,5,six\n", "line 2.*numbers with"),
        (file_source(BurstFileKind.CSV, decimal_mark=",", separator=";"), b"1.5;2;3\n", "line 1.*numbers with ','"),
        (file_source(BurstFileKind.CSV), b"1,2,3\n", "trigger in row 1"),
        (file_source(BurstFileKind.CSV), b"1,2\x00,3\n", "NUL"),
    ],
)
def test_a_file_that_is_not_as_declared_is_refused(source: BurstSource, data: bytes, message: str) -> None:
    with pytest.raises(UsageError, match=message):
        samples_of(source, data, where="capture.bin")
