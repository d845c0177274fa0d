"""The recorder's two sockets: one that publishes, one that takes requests. Loopback unless told otherwise."""

from __future__ import annotations

import json
from typing import Any

import zmq

from benchkit.errors import LinkError
from benchkit.session.messages import Message, encode

MAX_REQUEST_BYTES = 64 * 1024
"""A request is one short line; a longer one is not ours."""


class Desk:
    """Publish and take requests without ever waiting: a slow or dead dashboard costs the recorder nothing."""

    def __init__(self, publish: str = "tcp://127.0.0.1:*", request: str = "tcp://127.0.0.1:*") -> None:
        self._context = zmq.Context()
        self._publish = self._context.socket(zmq.PUB)
        self._publish.setsockopt(zmq.SNDHWM, 300)
        self._requests = self._context.socket(zmq.REP)
        self._requests.setsockopt(zmq.MAXMSGSIZE, MAX_REQUEST_BYTES)
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
        self.publish_address = self._publish.getsockopt_string(zmq.LAST_ENDPOINT)
        self.request_address = self._requests.getsockopt_string(zmq.LAST_ENDPOINT)

    def publish(self, message: Message) -> None:
        """Send to all who listen; those who cannot keep up miss messages, nobody waits."""
        self._publish.send_multipart(encode(message), zmq.NOBLOCK)

    def next_request(self) -> dict[str, Any] | None:
        """A waiting request, or None. One that is not a JSON object is answered with the reason and dropped."""
        try:
            data = self._requests.recv(zmq.NOBLOCK)
        except zmq.Again:
            return None
        try:
            request = json.loads(data)
            if isinstance(request, dict) and isinstance(request.get("do"), str):
                return request
        except (ValueError, RecursionError):
            pass
        self.answer({"ok": False, "error": "request not understood: expected a JSON object with a text 'do'"})
        return None

    def answer(self, answer: dict[str, Any]) -> None:
        """Answer the request taken last."""
        self._requests.send(json.dumps(answer, default=str).encode("utf-8"), zmq.NOBLOCK)

    def close(self) -> None:
        """Close both sockets; what was published last still goes out."""
        self._publish.close(linger=300)
        self._requests.close(linger=300)
        self._context.term()
