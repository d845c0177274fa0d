"""Instruments that speak SCPI over a serial port or TCP: queries asked on schedule.

Answers do not say to which question they belong. After a question without a usable answer, whatever still comes is
passed over until the instrument has answered ``*IDN?``: its identity is a text that no measurement looks like, and an
instrument answers in order, so that nothing old can come after it. The same exchange begins every connection, and the
identity is handed out as a reply (``identity: ...``), and so is what stands in the error queue (``SYST:ERR?``).

A command is written as it is. Its acknowledgement is the answer to ``SYST:ERR?``, or to ``*OPC?`` where an instrument
does not know that; a command that is itself a query is answered with what the instrument says.
"""

from __future__ import annotations

from collections.abc import Callable

from benchkit.decode.records import MAX_CONTENT, Outcome, UnusableReplyError, failure, record
from benchkit.decode.scpi import (
    ReplyReader,
    ScpiDecoder,
    content_bytes,
    error_text,
    is_identity,
    pack_replies,
    reply_values,
)
from benchkit.model.sources import ScpiSource
from benchkit.sources.clock import Clock
from benchkit.sources.polling import LOST_AFTER, ExchangeError, Line, Link, PolledSource
from benchkit.sources.serial_link import SerialLink
from benchkit.sources.tcp_link import TcpLink

IDENTITY = "*IDN?"
NEXT_ERROR = "SYST:ERR?"
IS_DONE = "*OPC?"
MOST_ERRORS = 10
"""Errors read from the queue of the instrument at a time."""


def scpi_source(spec: ScpiSource, clock: Clock, port: str | None = None) -> PolledSource:
    """The source of a SCPI instrument; ``port`` takes the place of the port of the profile."""
    device = port or spec.port
    where = f"sources.{spec.name}"
    is_tcp = device.startswith("socket://")

    def open_link() -> Link:
        return TcpLink(device, spec.timeout_s, where) if is_tcp else SerialLink(device, spec.baud, where)

    return PolledSource(
        spec.name,
        device,
        clock,
        spec.interval_s,
        open_link=open_link,
        instrument_on=lambda line: ScpiInstrument(spec, line),
        new_decoder=lambda: ScpiDecoder(spec.queries),
        check_command=lambda text: text,
        lost_after=LOST_AFTER if is_tcp else None,
    )


class ScpiInstrument:
    """A SCPI instrument on an open line (see :class:`benchkit.sources.polling.Instrument`)."""

    def __init__(self, spec: ScpiSource, line: Line) -> None:
        self._spec = spec
        self._line = line
        self._reader = ReplyReader()
        self._timeout_ns = round(spec.timeout_s * 1e9)
        self._is_in_step = False
        self._has_error_queue = True
        self._identity = b""
        self._said: list[bytes] = []
        self.unanswered = 0

    def sweep(self, number: int, between: Callable[[], None]) -> bytes:
        """Ask all queries once; one record, after those of what the instrument says of itself."""
        try:
            content = self._ask_all(between)
            self.unanswered = 0
            self._said.append(record(Outcome.ANSWERED, number, content))
        except ExchangeError as fault:
            self.unanswered = self.unanswered + 1 if fault.outcome is Outcome.NO_ANSWER else 0
            self._said.append(failure(fault.outcome, number, fault.text, fault.evidence))
        return self._take_said()

    def command(self, text: str) -> bytes:
        """Write ``text`` at once, then see what became of it; a query waits until answers are in step."""
        is_query = "?" in text.partition(" ")[0]
        try:
            if is_query and not self._is_in_step:
                self._find_step()
            self._line.write(text.encode("ascii") + b"\n")
            if is_query:
                self._say(f"{text} {_text(self._answer(text))}")
            else:
                if not self._is_in_step:
                    self._find_step()
                self._say(self._verdict(text))
        except ExchangeError as fault:
            self._say(f"unanswered {text}: {fault}")
        return self._take_said()

    def _ask_all(self, between: Callable[[], None]) -> bytes:
        replies = []
        for query in self._spec.queries:
            between()
            if not self._is_in_step:
                self._find_step()
                self._tell_errors()
            replies.append(self._ask(query.command, content_bytes(query)))
        content = pack_replies(replies)
        if len(content) > MAX_CONTENT:
            raise ExchangeError(Outcome.DAMAGED, f"{len(content)} bytes of answers, more than {MAX_CONTENT}")
        for query, reply in zip(self._spec.queries, replies, strict=True):
            try:
                reply_values(query, reply)
            except UnusableReplyError:
                self._is_in_step = False  # the decoder says what is wrong with it; it may belong to another question
        return content

    def _verdict(self, command: str) -> str:
        """What became of a command: ``ok``, or ``refused`` with the error of the instrument."""
        if self._has_error_queue:
            error = error_text(self._ask(NEXT_ERROR))
            return f"refused {command}: {error}" if error else f"ok {command}"
        self._ask(IS_DONE)
        return f"ok {command}"

    def _tell_errors(self) -> None:
        """Hand out what stands in the error queue; an instrument without one is not asked again."""
        try:
            for _ in range(MOST_ERRORS if self._has_error_queue else 0):
                error = error_text(self._ask(NEXT_ERROR))
                if not error:
                    break
                self._say(f"error of the instrument: {error}")
        except ExchangeError:
            self._has_error_queue = False
            self._find_step()

    def _find_step(self) -> None:
        """Ask for the identity, and pass over everything until it comes."""
        self._line.read_waiting()
        self._reader.clear()
        self._line.write(IDENTITY.encode("ascii") + b"\n")
        until_ns = self._line.now_ns() + self._timeout_ns
        while not is_identity(reply := self._next_reply(IDENTITY, until_ns)):
            pass
        self._is_in_step = True
        if reply != self._identity:
            self._identity = reply
            self._say(f"identity: {_text(reply)}")

    def _ask(self, question: str, block_bytes: int = 0) -> bytes:
        """The answer to ``question``."""
        unasked = self._reader.clear() + self._line.read_waiting()
        if unasked:
            self._is_in_step = False
            raise ExchangeError(Outcome.DAMAGED, f"bytes came unasked, before {question}", unasked)
        self._line.write(question.encode("ascii") + b"\n")
        return self._answer(question, block_bytes)

    def _answer(self, question: str, block_bytes: int = 0) -> bytes:
        try:
            return self._next_reply(question, self._line.now_ns() + self._timeout_ns, block_bytes)
        except ExchangeError:
            self._is_in_step = False
            raise

    def _next_reply(self, question: str, until_ns: int, block_bytes: int = 0) -> bytes:
        while (reply := self._reader.next_reply(block_bytes)) is None:
            data = self._line.read(until_ns)
            if data:
                self._reader.feed(data)
                continue
            within = f"within {self._spec.timeout_s:g} s"
            cut = self._reader.waiting
            if cut:
                raise ExchangeError(Outcome.DAMAGED, f"the answer to {question} was not complete {within}", cut)
            raise ExchangeError(Outcome.NO_ANSWER, f"no answer to {question} {within}")
        return reply

    def _say(self, text: str) -> None:
        self._said.append(record(Outcome.REPLY, 0, text.encode("utf-8")))

    def _take_said(self) -> bytes:
        said, self._said = self._said, []
        return b"".join(said)


def _text(reply: bytes) -> str:
    return reply.decode("ascii", "backslashreplace")
