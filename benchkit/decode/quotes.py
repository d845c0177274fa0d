"""Fields in double quotes (RFC 4180), one line at a time."""

from __future__ import annotations

import csv


def split_quoted(text: str, separator: str) -> list[str] | None:
    """Fields of one line of which some stand in double quotes; None where the quotes do not match."""
    try:
        rows = list(csv.reader([text], delimiter=separator, strict=True))
    except csv.Error:
        return None
    return rows[0] if len(rows) == 1 else None
