"""The checks of a stream's samples, a block at a time, for a stream that is not in memory as a whole.

A stream of one block is checked as ever. Of several blocks every check sees each block for itself, and its findings of
one kind on one channel are put together: the rows from the first to the last, the text of the gravest, and in how many
blocks. What counts over the whole stream (a share, a longest stretch) is therefore said of a block. Steps of time and
counter from one block to the next are looked at in rows on either side of the seam.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from benchkit.analysis.quality import check_gaps, check_stream, check_time
from benchkit.model.results import Finding
from benchkit.model.stand import Stand
from benchkit.model.stream import Stream, StreamRows

SEAM_CHECKS = (check_time, check_gaps)
SEAM_ROWS = 10
"""Rows on either side of a seam."""
_GRAVITY = ("note", "caution", "error")


class BlockChecks:
    """``feed`` every block of a stream in order, then ``finish``."""

    def __init__(self, stand: Stand) -> None:
        self._stand = stand
        self._found: list[list[Finding]] = []
        self._rows = 0
        self._tail: Stream | None = None

    def feed(self, block: Stream) -> None:
        """The next rows."""
        if self._tail is not None:
            seam = _joined(self._tail, block.rows(0, SEAM_ROWS))
            at = self._rows - len(self._tail)
            self._found[-1] += [_moved(f, at) for check in SEAM_CHECKS for f in check(self._stand, seam)]
        self._found.append([_moved(finding, self._rows) for finding in check_stream(self._stand, block)])
        self._rows += len(block)
        self._tail = _copied(block.rows(max(0, len(block) - SEAM_ROWS), len(block)))

    def finish(self, stream: StreamRows) -> tuple[Finding, ...]:
        """All findings of the stream that was fed."""
        if not self._found:
            return check_stream(self._stand, stream.rows(0, 0))
        return tuple(self._found[0]) if len(self._found) == 1 else _put_together(self._found)


def _put_together(found: Sequence[Sequence[Finding]]) -> tuple[Finding, ...]:
    kinds: dict[tuple[str, str], list[tuple[int, Finding]]] = {}
    for number, findings in enumerate(found):
        for finding in findings:
            kinds.setdefault((finding.code, finding.channel), []).append((number, finding))
    together = []
    for seen in kinds.values():
        _, gravest = max(seen, key=lambda entry: _GRAVITY.index(entry[1].severity))
        blocks = len({number for number, _ in seen})
        start, stop = min(f.row_start for _, f in seen), max(f.row_stop for _, f in seen)
        text = f"{gravest.message} (In {blocks} of {len(found)} blocks; said of one.)"
        together.append(replace(gravest, message=text, row_start=start, row_stop=stop))
    return tuple(together)


def _moved(finding: Finding, rows: int) -> Finding:
    return replace(finding, row_start=finding.row_start + rows, row_stop=finding.row_stop + rows)


def _joined(a: Stream, b: Stream) -> Stream:
    return replace(
        a,
        time_s=np.concatenate([a.time_s, b.time_s]),
        arrival_s=np.concatenate([a.arrival_s, b.arrival_s]),
        device_time_s=np.concatenate([a.device_time_s, b.device_time_s]),
        counter=np.concatenate([a.counter, b.counter]),
        values=np.concatenate([a.values, b.values]),
    )


def _copied(part: Stream) -> Stream:
    """The same rows in memory of their own: a view would keep the block they came from."""
    return _joined(part, part.rows(0, 0))
