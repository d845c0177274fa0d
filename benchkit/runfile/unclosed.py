"""Reading the HDF5 file of a recorder that died: as it is, without waiting for a writer that will not come back.

Such a file carries the mark *open for writing* in its first 48 bytes (superblock version 3, HDF5 File Format
Specification 3.0, II.A.2), and HDF5 opens it only in SWMR mode. There, on damaged metadata, it tries again a
hundred times and doubles the wait each time, which never ends; h5py has no switch for it. So the file is handed to
HDF5 through a view in which the mark is taken off and the end of file is the true one. The file itself is not
touched.
"""

from __future__ import annotations

import io
import os
import struct
from pathlib import Path
from typing import Any

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_SUPERBLOCK = struct.Struct("<8sBBBBQQQQ")
"""Signature, version, sizes of offsets and lengths, flags, base, extension, end of file, root; then a check value."""
_OPEN_FOR_WRITING = 0x01 | 0x04


class UnmarkedFile(io.RawIOBase):
    """Read-only view of a run file without its *open for writing* mark.

    Raises:
        OSError: the first bytes are not those of a marked HDF5 file, or are damaged.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._file = path.open("rb", buffering=0)
        try:
            self._size = os.fstat(self._file.fileno()).st_size
            self._head = unmarked(self._file.read(_SUPERBLOCK.size + 4), self._size)
        except BaseException:
            self._file.close()
            raise

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        return self._file.tell()

    def readinto(self, buffer: Any) -> int:
        view = memoryview(buffer).cast("B")
        start = self._file.tell()
        done = 0
        while done < len(view):
            count = self._file.readinto(view[done:])
            if not count:
                raise OSError(f"the file ends at byte {self._size}, wanted {start + len(view)}")
            done += count
        if start < len(self._head):
            part = self._head[start : start + len(view)]
            view[: len(part)] = part
        return done

    def close(self) -> None:
        self._file.close()
        super().close()


def unmarked(head: bytes, size: int) -> bytes:
    """The first 48 bytes of a run file without the mark, for a file of ``size`` bytes.

    Raises:
        OSError: not the start of an HDF5 file that is marked as open for writing, or its check value does not fit.
    """
    if len(head) < _SUPERBLOCK.size + 4 or not head.startswith(_SIGNATURE):
        raise OSError("file signature not found")
    if struct.unpack_from("<I", head, _SUPERBLOCK.size)[0] != lookup3(head[: _SUPERBLOCK.size]):
        raise OSError("the check value of the first bytes does not fit")
    signature, version, offsets, lengths, flags, base, extension, _, root = _SUPERBLOCK.unpack_from(head)
    if version != 3 or (offsets, lengths, base) != (8, 8, 0) or not flags & _OPEN_FOR_WRITING:
        raise OSError("not marked as open for writing")
    plain = _SUPERBLOCK.pack(signature, version, offsets, lengths, 0, base, extension, size, root)
    return plain + struct.pack("<I", lookup3(plain))


def lookup3(data: bytes) -> int:
    """Check value of HDF5 metadata: Bob Jenkins' hash ``hashlittle`` of lookup3.c (2006), start value 0."""
    a = b = c = (0xDEADBEEF + len(data)) & _MASK
    words = struct.unpack(f"<{-(-len(data) // 12) * 3}I", data + bytes(-len(data) % 12))
    for i in range(0, len(words), 3):
        a, b, c = (a + words[i]) & _MASK, (b + words[i + 1]) & _MASK, (c + words[i + 2]) & _MASK
        if i + 3 < len(words):
            for turn in (4, 6, 8, 16, 19, 4):
                a = ((a - c) & _MASK) ^ _rotate(c, turn)
                c = (c + b) & _MASK
                a, b, c = b, c, a
    if words:
        for turn in (14, 11, 25, 16, 4, 14, 24):
            c = ((c ^ b) - _rotate(b, turn)) & _MASK
            a, b, c = b, c, a
    return b if words else c


_MASK = 0xFFFF_FFFF


def _rotate(x: int, k: int) -> int:
    return ((x << k) | (x >> (32 - k))) & _MASK
