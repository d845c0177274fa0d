"""The recorder's two sockets: one that publishes, one that takes requests. Loopback unless told otherwise."""

from __future__ import annotations

import json
import re
from typing import Any

import zmq

from benchkit.errors import LinkError, UsageError
from benchkit.session.door import Door
from benchkit.session.keys import Grant, Known
from benchkit.session.messages import LinkCounts, Message, encode

MAX_REQUEST_BYTES = 64 * 1024
"""A request is one short line; a longer one is not ours."""
WATCHING = frozenset({"describe"})
"""What a key that may only watch may ask."""
_LOOPBACK = re.compile(r"(tcp://(127(\.\d{1,3}){3}|localhost|\[::1\]):.*|ipc://.*|inproc://.*)")


class Desk:
    """Publish and take requests without ever waiting: a slow or dead dashboard costs the recorder nothing.

    Without a ``door`` only this machine can reach it. With one, whoever has no known key sees nothing.
    """

    def __init__(
        self, publish: str = "tcp://127.0.0.1:*", request: str = "tcp://127.0.0.1:*", door: Door | None = None
    ) -> None:
        if door is None:
            _only_here(publish, request)
        self.door = door
        self._counts = LinkCounts() if door is None else door.counts
        self._grant = Grant.CONTROL
        self._context = zmq.Context()
        self._publish = self._context.socket(zmq.PUB)
        self._publish.setsockopt(zmq.SNDHWM, 300)
        self._publish.setsockopt(zmq.MAXMSGSIZE, MAX_REQUEST_BYTES)
        self._requests = self._context.socket(zmq.REP)
        self._requests.setsockopt(zmq.MAXMSGSIZE, MAX_REQUEST_BYTES)
        if door is not None:
            door.guard(self._context, (self._publish, self._requests))
        try:
            self._publish.bind(publish)
            self._requests.bind(request)
        except zmq.ZMQError as error:
            self.close()
            raise LinkError(
                "cannot open the recorder's address",
                where=f"{publish}, {request}",
                got=str(error),
                remedy="Is another recorder using it? Choose another port.",
            ) from error
        self._is_bound = True
        self.publish_address = self._publish.getsockopt_string(zmq.LAST_ENDPOINT)
        self.request_address = self._requests.getsockopt_string(zmq.LAST_ENDPOINT)

    @property
    def counts(self) -> LinkCounts:
        """What came to the sockets and was not used."""
        return self._counts

    def publish(self, message: Message) -> None:
        """Send to all who listen; those who cannot keep up miss messages, nobody waits."""
        self._publish.send_multipart(encode(message), zmq.NOBLOCK)

    def next_request(self) -> dict[str, Any] | None:
        """A waiting request, or None. One that is not a JSON object is answered with the reason and dropped.

        A key that may only watch is told so, and the request goes no further. Where there are keys, the name of the key
        stands in ``who``.
        """
        if self.door is not None:
            self.door.turn()
            self._part_with_lost_keys(self.door)
        try:
            frames = self._requests.recv_multipart(zmq.NOBLOCK, copy=False)
        except zmq.Again:
            return None
        known = self._sender(frames[0])
        self._grant = Grant.CONTROL if self.door is None else known.grant if known is not None else Grant.WATCH
        request = _request_in([frame.bytes for frame in frames])
        if request is None:
            self._counts.not_understood += 1
            self._refuse("request not understood: expected a JSON object with a text 'do'")
            return None
        if self.door is not None and known is None:
            self._counts.denied += 1
            self._refuse("this key is not known any more")
            return None
        if self._grant is not Grant.CONTROL and request["do"] not in WATCHING:
            self._counts.denied += 1
            self._refuse(
                f"{request['do'][:40]}: this key may watch, and command nothing. The owner of the stand grants more."
            )
            return None
        if known is not None:
            request["who"] = f"{str(request.get('who', ''))[:60]} (key of {known.name})"
        return request

    def _part_with_lost_keys(self, door: Door) -> None:
        """Cut the connections of all who watch when a key was withdrawn: those who are known come back by themselves.

        The address is let go and taken again, which ends every connection that it had (libzmq 4). Letting go takes the
        library a moment; until then this is tried again each turn.
        """
        if door.has_lost_a_key() and self._is_bound:
            self._publish.unbind(self.publish_address)
            self._is_bound = False
        if not self._is_bound:
            try:
                self._publish.bind(self.publish_address)
            except zmq.ZMQError:
                return
            self._is_bound = True

    def answer(self, answer: dict[str, Any]) -> None:
        """Answer the request taken last."""
        body = json.dumps({**answer, "grant": self._grant.value}, default=str)
        self._requests.send(body.encode("utf-8"), zmq.NOBLOCK)

    def close(self) -> None:
        """Close both sockets; what was published last still goes out."""
        sockets = (self._publish, self._requests)
        if self.door is not None:
            self.door.close(sockets)
        for socket in sockets:
            socket.close(linger=300)
        self._context.term()

    def _sender(self, frame: zmq.Frame) -> Known | None:
        if self.door is None:
            return None
        try:
            return self.door.known(frame.get("User-Id"))
        except zmq.ZMQError:
            return None

    def _refuse(self, why: str) -> None:
        self.answer({"ok": False, "error": why})


def _request_in(frames: list[bytes]) -> dict[str, Any] | None:
    if len(frames) != 1:
        return None
    try:
        request = json.loads(frames[0])
    except (ValueError, RecursionError):
        return None
    return request if isinstance(request, dict) and isinstance(request.get("do"), str) else None


def _only_here(*addresses: str) -> None:
    for address in addresses:
        if not _LOOPBACK.fullmatch(address):
            raise UsageError(
                "this address can be reached from other machines, and no keys are asked for",
                where=address,
                expected="an address of this machine, such as tcp://127.0.0.1:*",
                remedy="Make keys with: benchkit keys FOLDER --new. Then record with --keys FOLDER.",
            )
