"""What is particular to SCPI: identity, error queue, and answers that come late, in part or unasked."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from benchkit.errors import LinkError
from benchkit.model.samples import BadFrame, BadFrameReason, Gap, Reply
from benchkit.model.sources import ScpiQuery
from benchkit.sources.build import build_source
from benchkit.sources.clock import HostClock
from benchkit.sources.contract import Source
from tests.sources.contract import poll_until_lost
from tests.sources.instruments import IDENTITY, Pty, ScpiPeer, scpi_spec
from tests.sources.polled_rigs import needs_pty
from tests.sources.test_modbus import events_until, has, rows_of

IDENTITY_TOLD = f"identity: {IDENTITY.decode()}"
Script = Callable[[str], bytes | float | None]


@contextmanager
def instrument(
    path: Path | None, script: Script = lambda line: None, **changes: object
) -> Iterator[tuple[ScpiPeer, Source]]:
    """A responder and a source, over a pseudo-terminal where there is a path for one, else over TCP."""
    pty = Pty(path / "port") if path else None
    peer = ScpiPeer(pty=pty)
    peer.script = script
    source = build_source(scpi_spec(pty.name if pty else f"socket://127.0.0.1:{peer.port}", **changes), HostClock())
    try:
        yield peer, source
    finally:
        source.close()
        peer.stop()
        if pty:
            pty.unplug()


def replies_of(events: list[object]) -> list[str]:
    return [event.text for event in events if isinstance(event, Reply)]


class Once:
    """Does ``order`` the first time that ``line`` is asked after ``armed``."""

    def __init__(self, line: str, order: bytes | float) -> None:
        self.line, self.order, self.is_armed = line, order, True

    def __call__(self, line: str) -> bytes | float | None:
        if line == self.line and self.is_armed:
            self.is_armed = False
            return self.order
        return None


both = pytest.mark.parametrize("is_pty", [pytest.param(True, marks=needs_pty, id="pty"), pytest.param(False, id="tcp")])


@both
def test_identity_is_told_at_every_opening(tmp_path: Path, is_pty: bool) -> None:
    with instrument(tmp_path if is_pty else None) as (peer, source):
        for _ in range(2):
            source.open()
            events = events_until(source, lambda events: len(rows_of(events)) >= 3)
            assert replies_of(events) == [IDENTITY_TOLD]
            source.close()
        assert peer.lines[:4] == ["*IDN?", "SYST:ERR?", "MEAS:VOLT?", "FETC:SPE?"]


@both
def test_late_answer_is_never_taken_for_the_next_question(tmp_path: Path, is_pty: bool) -> None:
    chance = random.Random(21)
    asked = [0]

    def script(line: str) -> bytes | float | None:
        if not line.startswith("Q"):
            return chance.choice([0.021, 0.05]) if chance.random() < 0.05 else None
        asked[0] += 1
        if chance.random() < 0.15:
            # late: by a little, or by more than what follows; the answer is that of its own question
            time.sleep(chance.choice([0.021, 0.03, 0.06]))
        return b"%d,%d\n" % (int(line[1]), asked[0])

    queries = (ScpiQuery("Q1?", ("one", "first")), ScpiQuery("Q2?", ("two", "second")))
    with instrument(tmp_path if is_pty else None, script, timeout_s=0.02, queries=queries) as (_, source):
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 30 and has(Gap, 6)(events), 3000)
    for one, first, two, second in rows_of(events):
        assert (one, two) == (1.0, 2.0)
        assert second == first + 1
    numbers = [row[1] for row in rows_of(events)]
    assert numbers == sorted(set(numbers))


@both
def test_partial_answer_is_no_sample(tmp_path: Path, is_pty: bool) -> None:
    script = Once("FETC:SPE?", b"#18\x00\x00\n")
    with instrument(tmp_path if is_pty else None, script, timeout_s=0.05) as (_, source):
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 3)
        (cut,) = [event for event in events if isinstance(event, BadFrame)]
        assert cut.detail == "the answer to FETC:SPE? was not complete within 0.05 s"
        assert cut.data == b"#18\x00\x00\n"
        assert {n for _, n in rows_of(events)} == {1500.5}


@both
@pytest.mark.parametrize(
    ("answer", "reason", "told"),
    [
        (b"1.5,2.5\n", BadFrameReason.FIELD_COUNT, "2 numbers in answer to MEAS:VOLT?, expected 1"),
        (b"OVLD\n", BadFrameReason.NOT_A_NUMBER, "field 1 is no number: 'OVLD'"),
        (b"\n", BadFrameReason.NOT_A_NUMBER, "field 1 is no number: ''"),
    ],
)
def test_answer_of_another_form_is_no_sample(
    tmp_path: Path, is_pty: bool, answer: bytes, reason: BadFrameReason, told: str
) -> None:
    with instrument(tmp_path if is_pty else None, Once("MEAS:VOLT?", answer)) as (_, source):
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 3)
        (refused,) = [event for event in events if isinstance(event, BadFrame)]
        assert (refused.reason, refused.detail) == (reason, told)


@needs_pty
def test_bytes_that_come_unasked(tmp_path: Path) -> None:
    with instrument(tmp_path, interval_s=0.05) as (peer, source):
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 2)
        assert peer.pty is not None
        os.write(peer.pty.master, b"9999\n")
        events += events_until(source, lambda events: len(rows_of(events)) >= 3)
        (refused,) = [event for event in events if isinstance(event, BadFrame)]
        assert refused.detail == "bytes came unasked, before MEAS:VOLT?"
        assert refused.data == b"9999\n"
        assert 9999.0 not in [udc for udc, _ in rows_of(events)]


@needs_pty
def test_answers_from_before_the_opening_are_passed_over(tmp_path: Path) -> None:
    def script(line: str) -> bytes | None:
        # what an earlier program had asked comes before the identity
        return b"1.5\n#15HE\nLO\n-2.5,3\n" + IDENTITY + b"\n" if line == "*IDN?" else None

    with instrument(tmp_path, script) as (_, source):
        source.open()
        events = events_until(source, lambda events: len(rows_of(events)) >= 3)
        assert replies_of(events) == [IDENTITY_TOLD]
        assert not has(BadFrame)(events)


@both
def test_unknown_query_is_explained_by_the_instrument(tmp_path: Path, is_pty: bool) -> None:
    queries = (ScpiQuery("MEAS:VLOT?", ("udc",)),)
    with instrument(tmp_path if is_pty else None, timeout_s=0.05, queries=queries) as (_, source):
        source.open()
        events = events_until(source, has(Reply, 2))
        gap = next(event for event in events if isinstance(event, Gap))
        assert (gap.missing, gap.cause) == (1, "no answer to MEAS:VLOT? within 0.05 s")
        assert replies_of(events)[:2] == [IDENTITY_TOLD, 'error of the instrument: -113,"Undefined header"']
        assert rows_of(events) == []


@both
def test_commands_are_acknowledged(tmp_path: Path, is_pty: bool) -> None:
    with instrument(tmp_path if is_pty else None) as (peer, source):
        source.open()
        events_until(source, lambda events: len(rows_of(events)) >= 1)
        source.send("SOUR:SPE 2500")
        source.send("OUTP OFF")
        source.send("*OPC?")
        events = events_until(source, has(Reply, 3))
        assert replies_of(events) == ["ok SOUR:SPE 2500", 'refused OUTP OFF: -113,"Undefined header"', "*OPC? 1"]
        assert "SOUR:SPE 2500" in peer.lines


@both
def test_instrument_without_error_queue(tmp_path: Path, is_pty: bool) -> None:
    def script(line: str) -> bytes | None:
        return b"" if line == "SYST:ERR?" else None

    with instrument(tmp_path if is_pty else None, script, timeout_s=0.05) as (peer, source):
        source.open()
        events_until(source, lambda events: len(rows_of(events)) >= 1)
        source.send("SOUR:SPE 2500")
        assert replies_of(events_until(source, has(Reply))) == ["ok SOUR:SPE 2500"]
        assert peer.lines.count("SYST:ERR?") == 1


@both
def test_command_goes_out_though_the_instrument_does_not_answer(tmp_path: Path, is_pty: bool) -> None:
    with instrument(tmp_path if is_pty else None, lambda line: b"", timeout_s=0.05, interval_s=0.05) as (peer, source):
        source.open()
        source.send("OUTP OFF")
        events = events_until(source, has(Reply))
        assert replies_of(events) == ["unanswered OUTP OFF: no answer to *IDN? within 0.05 s"]
        assert "OUTP OFF" in peer.lines


@needs_pty
def test_instrument_that_is_switched_on_late(tmp_path: Path) -> None:
    is_on = [False]
    with instrument(tmp_path, lambda line: None if is_on[0] else b"", timeout_s=0.02) as (_, source):
        source.open()
        events = events_until(source, has(Gap, 3))
        assert rows_of(events) == []
        is_on[0] = True
        events = events_until(source, lambda events: len(rows_of(events)) >= 3)
        assert replies_of(events) == [IDENTITY_TOLD]


def test_connection_on_which_nobody_answers_counts_as_lost() -> None:
    with instrument(None, lambda line: b"", timeout_s=0.02) as (_, source):
        source.open()
        with pytest.raises(LinkError, match=r"is lost: no answer to 5 sweeps running"):
            poll_until_lost(source, [])
