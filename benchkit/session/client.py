"""The other end of a recorder: receive what it publishes, send it requests. Used by the dashboard and the demo.

Threads: a client belongs to the thread that made it.
"""

from __future__ import annotations

import json
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import zmq

from benchkit.errors import LinkError, RefusedError, UsageError
from benchkit.session.messages import Endpoints, Message, decode

REQUEST_TIMEOUT_S = 3.0


def read_live_file(path: Path) -> Endpoints:
    """Addresses from the small file that a recorder keeps beside its run while it records.

    Raises:
        UsageError: the file is missing or not such a file.
    """
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        return Endpoints(str(body["publish"]), str(body["request"]), str(body["run_path"]), int(body["pid"]))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise UsageError(
            "no recorder announces itself here",
            where=str(path),
            got=str(error),
            expected="the .live.json file beside a run that is being recorded",
            remedy="Start a recording, or open the run itself.",
        ) from None


class RecorderClient:
    """Attach to one recorder. ``malformed`` counts messages that were not understood and not used."""

    def __init__(self, endpoints: Endpoints) -> None:
        self.endpoints = endpoints
        self.malformed = 0
        self._context = zmq.Context()
        self._updates = self._context.socket(zmq.SUB)
        self._updates.setsockopt(zmq.RCVHWM, 2000)
        self._updates.setsockopt(zmq.SUBSCRIBE, b"")
        self._updates.connect(endpoints.publish)
        self._requests = self._new_request_socket()

    def receive(self, timeout_s: float = 0.0) -> Message | None:
        """Next message, or None when none came in time."""
        deadline = time.monotonic() + timeout_s
        while True:
            left_ms = max(0, int((deadline - time.monotonic()) * 1000.0))
            if not self._updates.poll(left_ms):
                return None
            try:
                return decode(self._updates.recv_multipart(zmq.NOBLOCK))
            except LinkError:
                self.malformed += 1

    def request(self, do: str, **arguments: Any) -> dict[str, Any]:
        """Ask the recorder to do something; returns its answer.

        Raises:
            RefusedError: the recorder said no, with its reason.
            LinkError: it did not answer.
        """
        self._requests.send(json.dumps({"do": do, **arguments}).encode("utf-8"))
        if not self._requests.poll(int(REQUEST_TIMEOUT_S * 1000)):
            self._requests.close(linger=0)
            self._requests = self._new_request_socket()
            raise LinkError(
                "no answer",
                where=self.endpoints.request,
                expected=f"an answer to {do!r} within {REQUEST_TIMEOUT_S:g} s",
                remedy="Is the recorder still running? Act on the stand itself, not on the screen.",
            )
        answer: dict[str, Any] = json.loads(self._requests.recv())
        if not answer.get("ok"):
            raise RefusedError(str(answer.get("error", "refused without a reason")))
        return answer

    def describe(self) -> dict[str, Any]:
        """Profile, header and addresses of the run."""
        return self.request("describe")

    def close(self) -> None:
        """Detach; the recorder does not notice."""
        self._updates.close(linger=0)
        self._requests.close(linger=0)
        self._context.term()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def _new_request_socket(self) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.REQ)
        socket.connect(self.endpoints.request)
        return socket
