"""Consistent overhead byte stuffing: any bytes become bytes without a zero, so that a zero can end a packet.

S. Cheshire and M. Baker, *Consistent Overhead Byte Stuffing*, IEEE/ACM Transactions on Networking 7 (1999) 159. A
code byte n stands before n - 1 bytes that are not zero, and for the zero behind them; 0xFF stands before 254 bytes and
for no zero; the last zero is not part of the packet.

>>> encode(bytes([0x11, 0x22, 0x00, 0x33])).hex(" ")
'03 11 22 02 33'
>>> decode(bytes.fromhex("03 11 22 02 33")).hex(" ")
'11 22 00 33'
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

ByteArray = npt.NDArray[np.uint8]

_RUN = 254
"""Longest run of bytes behind one code."""


def encode(data: bytes) -> bytes:
    """``data`` without zeros; the delimiter is not appended."""
    found = bytearray()
    blocks = data.split(b"\0")
    for number, block in enumerate(blocks, start=1):
        full = len(block) // _RUN * _RUN
        for at in range(0, full, _RUN):
            found += b"\xff" + block[at : at + _RUN]
        if full and full == len(block) and number == len(blocks):
            break  # a full run stands for no zero: nothing is left to say
        found.append(len(block) - full + 1)
        found += block[full:]
    return bytes(found)


def decode(data: bytes) -> bytes | None:
    """What was encoded in ``data``, given without its delimiter; None when no encoder makes such bytes."""
    if 0 in data:
        return None
    parts = []
    at, end = 0, len(data)
    while at < end:
        code = data[at]
        stop = at + code
        if stop > end:
            return None
        parts.append(data[at + 1 : stop])
        if code <= _RUN and stop < end:
            parts.append(b"\0")
        at = stop
    return b"".join(parts)


def most_encoded(size: int) -> int:
    """Longest form of ``size`` bytes, without the delimiter."""
    return size + size // _RUN + 1


def unstuff(frames: ByteArray) -> tuple[ByteArray, npt.NDArray[np.bool_]]:
    """Decode many frames of one length at once: ``frames`` (k, n + 1), none with a zero, and n < 254.

    Returns the bytes (k, n) and whether each frame is one that an encoder makes. Below 254 bytes a code is one byte of
    every frame, wherever it stands, so that all frames are walked together from zero to zero.
    """
    count, length = frames.shape
    bodies = frames[:, 1:].copy()
    flat = bodies.reshape(-1)
    row_start = np.arange(count) * (length - 1) - 1
    at = frames[:, 0].astype(np.intp)  # place of the next code in its frame
    fits = at == length
    inside = np.flatnonzero(at < length)
    at = at[inside]
    start = row_start[inside]
    while len(inside):
        place = start + at
        at += flat[place]
        flat[place] = 0
        ended = at >= length
        if ended.any():
            fits[inside[ended]] = at[ended] == length
            going = ~ended
            inside, at, start = inside[going], at[going], start[going]
    return bodies, fits
