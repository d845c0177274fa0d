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
from benchkit.session.keys import PASS_SUFFIX, curve_text, read_pass, viewer_keys_from
from benchkit.session.messages import Endpoints, Message, decode

REQUEST_TIMEOUT_S = 3.0


def read_live_file(path: Path) -> Endpoints:
    """Addresses from the small file that a recorder keeps beside its run while it records, or from a pass.

    Raises:
        UsageError: the file is missing or not such a file.
    """
    if path.name.endswith(PASS_SUFFIX):
        publish, request, keys = read_pass(path)
        return Endpoints(publish, request, keys=keys)
    try:
        body = json.loads(path.read_text(encoding="utf-8"))
        keys_or_none = viewer_keys_from(body.get("keys"))
        return Endpoints(
            str(body["publish"]), str(body["request"]), str(body["run_path"]), int(body["pid"]), keys=keys_or_none
        )
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
        self.may_command = True
        """False where the key of this client may only watch; known with the first answer."""
        self._context = zmq.Context()
        self._updates = self._context.socket(zmq.SUB)
        self._updates.setsockopt(zmq.RCVHWM, 2000)
        self._updates.setsockopt(zmq.SUBSCRIBE, b"")
        self._show_keys(self._updates)
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
        answer = _answer_in(self._requests.recv_multipart())
        if answer is None:
            self.malformed += 1
            raise LinkError("answer not understood", where=self.endpoints.request, remedy="Is this a recorder?")
        self.may_command = answer.get("grant", "control") == "control"
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

    def _show_keys(self, socket: zmq.Socket[bytes]) -> None:
        keys = self.endpoints.keys
        if keys is not None:
            socket.curve_publickey = curve_text(keys.public)
            socket.curve_secretkey = curve_text(keys.secret)
            socket.curve_serverkey = curve_text(keys.stand_public)

    def _new_request_socket(self) -> zmq.Socket[bytes]:
        socket = self._context.socket(zmq.REQ)
        self._show_keys(socket)
        socket.connect(self.endpoints.request)
        return socket


def _answer_in(frames: list[bytes]) -> dict[str, Any] | None:
    try:
        answer = json.loads(frames[0]) if len(frames) == 1 else None
    except (ValueError, RecursionError):
        return None
    return answer if isinstance(answer, dict) else None
