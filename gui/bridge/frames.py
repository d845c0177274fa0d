"""Frames between a window and the process that works for it: a length, then a pickle. Both ends are this program."""

from __future__ import annotations

import pickle
import struct
from typing import Any

_HEAD = struct.Struct("<Q")
TOLD, PART, DONE, FAILED = "told", "part", "done", "failed"


def framed(what: Any) -> bytes:
    """One frame."""
    body = pickle.dumps(what)
    return _HEAD.pack(len(body)) + body


class Unframer:
    """Frames out of bytes in whatever pieces."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[Any]:
        """What became whole."""
        self._buffer += data
        out = []
        while len(self._buffer) >= _HEAD.size:
            (length,) = _HEAD.unpack_from(self._buffer)
            if len(self._buffer) < _HEAD.size + length:
                break
            frame = bytes(self._buffer[_HEAD.size : _HEAD.size + length])
            del self._buffer[: _HEAD.size + length]
            out.append(pickle.loads(frame))  # noqa: S301 - from our own process
        return out
