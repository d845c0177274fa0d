"""A table of states as a page shows it."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import TypeVar

S = TypeVar("S", bound=StrEnum)
T = TypeVar("T", bound=StrEnum)


def table_markdown(table: Mapping[tuple[S, T], S], what: str) -> str:
    """``table`` (state, trigger -> state) as Markdown: a row for each way out of a state, and where to.

    ``what`` heads the first column. States and triggers come in their own order.
    """
    start, trigger = next(iter(table))
    lines = [f"| {what} | trigger | leads to |", "|---|---|---|"]
    lines += [
        f"| {_in_words(one)} | {by.value} | {_in_words(table[one, by])} |"
        for one in type(start)
        for by in type(trigger)
        if (one, by) in table
    ]
    return "\n".join(lines) + "\n"


def _in_words(state: StrEnum) -> str:
    return state.value.replace("_", " ")
