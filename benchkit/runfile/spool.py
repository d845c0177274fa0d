"""Bursts on their way into a run: each a small file beside the run until the run is closed.

The process that captures writes it, whole or not at all; the keeping process puts it into the run file; the close of
the run deletes it. After a crash ``benchkit recover`` takes from here what the run file does not have. A file is

    89 42 4B 42 0D 0A 1A 0A | length u32 | head, JSON | samples, C order | CRC-32 u32 of all before it

with little-endian numbers.
"""

from __future__ import annotations

import contextlib
import json
import struct
import zlib
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from benchkit.errors import RunFileError
from benchkit.model.bursts import MOST_BYTES, BurstRecord

MAGIC = b"\x89BKB\r\n\x1a\n"
SUFFIX = ".bursts"
_LENGTH = struct.Struct("<I")
_MOST_HEAD = 16 << 20


def spool_folder(run_path: Path) -> Path:
    """The folder beside a run, there while bursts are on their way."""
    return run_path.with_name(run_path.name + SUFFIX)


def write(folder: Path, record: BurstRecord) -> Path:
    """Write one burst; the file has its name only when it is whole.

    Raises:
        OSError: no room, or the folder cannot be written.
    """
    folder.mkdir(exist_ok=True)
    target = folder / f"{record.source}-{record.number:06d}.burst"
    samples = np.ascontiguousarray(record.samples)
    head = json.dumps(
        {
            "source": record.source,
            "number": record.number,
            "reason": record.reason,
            "sample_rate_hz": record.sample_rate_hz,
            "first_counter": record.first_counter,
            "trigger_sample": record.trigger_sample,
            "trigger_ns": record.trigger_ns,
            "u_trigger_ns": record.u_trigger_ns,
            "missing": record.missing,
            "gaps": np.asarray(record.gaps).reshape(-1, 2).tolist(),
            "type": samples.dtype.str,
            "shape": list(samples.shape),
        }
    ).encode()
    part = target.with_suffix(".part")
    try:
        with part.open("wb") as file:
            check = 0
            for piece in (MAGIC, _LENGTH.pack(len(head)), head, samples.reshape(-1).view(np.uint8).data):
                file.write(piece)
                check = zlib.crc32(piece, check)
            file.write(_LENGTH.pack(check))
        part.replace(target)
    except OSError:
        part.unlink(missing_ok=True)
        raise
    return target


def read(path: Path) -> BurstRecord:
    """The burst of one file.

    Raises:
        RunFileError: missing, torn or not such a file.
    """
    try:
        if path.stat().st_size > MOST_BYTES + _MOST_HEAD:
            raise ValueError("is too long")
        data = path.read_bytes()
        body, start = data[:-4], len(MAGIC) + 4
        if not data.startswith(MAGIC) or len(data) < start + 4:
            raise ValueError("does not begin like one")
        if zlib.crc32(body) != _LENGTH.unpack(data[-4:])[0]:
            raise ValueError("its check value does not fit")
        end = start + _LENGTH.unpack_from(data, len(MAGIC))[0]
        head = json.loads(body[start:end])
        samples = np.frombuffer(body, dtype=np.dtype(str(head["type"])), offset=end).reshape(head["shape"])
        return BurstRecord(
            source=str(head["source"]),
            number=int(head["number"]),
            reason=str(head["reason"]),
            sample_rate_hz=float(head["sample_rate_hz"]),
            first_counter=int(head["first_counter"]),
            trigger_sample=int(head["trigger_sample"]),
            trigger_ns=int(head["trigger_ns"]),
            u_trigger_ns=int(head["u_trigger_ns"]),
            missing=int(head["missing"]),
            gaps=np.array(head["gaps"], dtype=np.int64).reshape(-1, 2),
            samples=samples,
        )
    except (OSError, ValueError, KeyError, TypeError, struct.error, RecursionError) as error:
        raise RunFileError(
            f"not a whole burst: {error}",
            where=str(path),
            remedy="It was cut off by a crash or changed since; the others are not touched by it.",
        ) from error


def waiting(run_path: Path) -> list[Path]:
    """Files of bursts that lie beside a run, in order of source and number."""
    return sorted(spool_folder(run_path).glob("*.burst"))


def clear(run_path: Path, brought: Iterable[Path]) -> None:
    """Delete the files of bursts that the run holds now; what it does not hold stays."""
    for path in brought:
        path.unlink(missing_ok=True)
    with contextlib.suppress(OSError):
        spool_folder(run_path).rmdir()
