"""What the generated pages share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

GENERATED = "*Written by `python3 run.py docs`; what is said here is changed in the program.*"


def cell(text: str) -> str:
    """Text for one cell of a Markdown table: no line breaks, and no bar that would end the cell."""
    return " ".join(text.split()).replace("|", "\\|")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """The lines of a Markdown table; the cells are Markdown already."""
    yield f"| {' | '.join(head)} |"
    yield f"|{'---|' * len(head)}"
    for row in rows:
        yield f"| {' | '.join(row)} |"
