"""Cases of the decoder of growing files for the contract suite."""

from __future__ import annotations

from benchkit.decode.tail import TailDecoder
from benchkit.model.samples import BadFrameReason
from tests.decode.contract import Case, bad, gap, row
from tests.decode.text_cases import PLAIN


def _after_names() -> TailDecoder:
    decoder = TailDecoder(PLAIN, has_names=True)
    decoder.feed(b"udc,idc\n", 0)
    return decoder


TAIL_CASES = [
    Case(
        name="growing files",
        make=_after_names,
        data=(
            b"400.0,12.5\r\n"
            b"398.7,1\x1c\n"  # the file ends within a line
            b'"idc",udc\n'
            b"1,2\n"
            b"\x1c\n"
            b"udc,idx\n"  # no such column: none of its rows is taken
            b"5,6\n"
            b"\x1c\n"
            b"udc,idc\n"
            b"7,8\x1c9\n"  # a separator within a line is no boundary
            b"9,10\n"
        ),
        facts=(
            row(400.0, 12.5),
            bad(BadFrameReason.PARTIAL, b"398.7,1", 3),
            gap(None, 1),
            row(2.0, 1.0),
            gap(None, 1),
            bad(BadFrameReason.NOT_TEXT, b"udc,idx", 1),
            gap(None, 1),
            bad(BadFrameReason.NOT_TEXT, b"7,8\x1c9", 2),
            row(9.0, 10.0),
        ),
        garbage=b"\xff\x00,,\n1,2,3\n\x1c\x1c\n" + b"udc,idc\n" + b"5" * 65 + b"\n",
        good=b"5,6\n",
        unfinished=b"400.0,1",
        max_frame_bytes=64,
    )
]
