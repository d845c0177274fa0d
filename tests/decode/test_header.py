"""The line of names at the top of a file."""

from __future__ import annotations

import pytest

from benchkit.decode.header import format_of_file
from benchkit.errors import DataError
from tests.decode.text_cases import COMMA, PLAIN


@pytest.mark.parametrize(
    "header", [b"udc,idc\n", b"udc,idc\r\n", b'"udc", "idc"\n', b"\xef\xbb\xbfudc,idc\n", b"udc,idc*1F\n"]
)
def test_names_as_declared(header: bytes) -> None:
    assert format_of_file(PLAIN, header, "run.csv") == PLAIN


def test_other_order() -> None:
    assert format_of_file(PLAIN, b"idc,udc\n", "run.csv").columns == ("idc", "udc")


@pytest.mark.parametrize(
    ("header", "message"),
    [
        (b"", r"run\.csv: line 1: the file is empty"),
        (b"udc,idx\n", r"line 1: column 'idc' is missing; column 'idx' is not declared .*Did you mean 'idc'\? Mend"),
        (b"udc\n", r"line 1: column 'idc' is missing \(expected the columns udc, idc"),
        (b"udc,idc,n\n", r"line 1: column 'n' is not declared"),
        (b"udc,idc,idc\n", r"line 1: column 'idc' is named twice"),
        (b"udc;idc\n", r"line 1: none of the declared columns is named .*Check the separator"),
        (b"400.0,12.5\n", r"line 1: none of the declared columns is named .*the first line names the columns"),
        (b"\xff\xfeu\x00d\x00c\x00", r"line 1: the file is UTF-16 text\. Save it again as CSV in ASCII or UTF-8"),
        (b"udc,\x00idc\n", r"line 1: NUL byte at byte 5"),
        (b"udc,\xb5idc\n", r"line 1: byte 0xB5 at byte 5"),
        (b"udc," * 30 + b"\n", r"line 1: no line end within 64 bytes"),
    ],
)
def test_refused(header: bytes, message: str) -> None:
    with pytest.raises(DataError, match=message):
        format_of_file(PLAIN, header, "run.csv")


def test_separator_of_the_format_is_used() -> None:
    assert format_of_file(COMMA, b"idc;udc\n", "run.csv").columns == ("idc", "udc")
