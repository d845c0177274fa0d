"""OPC 10000-9 (OPC UA Part 9, Alarms and Conditions), Table B.1: a condition that is acknowledged and confirmed, by its
Active, Acked, Confirmed and Retain. Rows second-hand, as carried in this project's list of published values."""

from __future__ import annotations

import pytest

from benchkit.model.alarms import AlarmRules, Life
from benchkit.model.interlock import State
from benchkit.model.limits import Limit, LimitKind, Severity
from benchkit.protect.alarms import AlarmBook

ROWS = ["FTTF", "TFTT", "TTFT", "FTFT", "FTTF", "TFTT", "FFTT", "FTFT", "FTTF"]
"""Initial; active; acknowledged; inactive; confirmed; active; inactive; acknowledged; confirmed."""


def letters(book: AlarmBook) -> str:
    flags = book["hot"].flags
    return "".join("FT"[value] for value in (flags.active, flags.acked, flags.confirmed, flags.retain))


def hot(*, latching: bool) -> AlarmBook:
    limit = Limit("hot", "winding_temp", LimitKind.ABOVE, Severity.TRIP, 140.0, latching=latching, action="ramp_down")
    return AlarmBook([limit], AlarmRules(), State.STANDBY)


def test_the_printed_sequence() -> None:
    """What the standard calls Confirm is our release: a trip by RESET, a latched caution by a person."""
    book = hot(latching=True)
    steps = (
        lambda t: book.acts("hot", t),
        lambda t: book.acknowledge(["hot"], "Ada", t),
        lambda t: book.lets_go("hot", t),
        book.release,
        lambda t: book.acts("hot", t),
        lambda t: book.lets_go("hot", t),
        lambda t: book.acknowledge(["hot"], "Ada", t),
        book.release,
    )
    seen = [letters(book)]
    for time_ns, step in enumerate(steps, start=1):
        step(time_ns)
        seen.append(letters(book))
    assert seen == ROWS
    assert book["hot"].life is Life.NORMAL


@pytest.mark.parametrize("rows", [["FTTF", "TFTT", "TTTT", "FTTF"]])
def test_without_latching_nothing_waits_to_be_confirmed(rows: list[str]) -> None:
    """Exact: the same table for a condition that needs no confirmation; Confirmed stays true."""
    book = hot(latching=False)
    seen = [letters(book)]
    book.acts("hot", 1)
    seen.append(letters(book))
    book.acknowledge([], "Ada", 2)
    seen.append(letters(book))
    book.lets_go("hot", 3)
    seen.append(letters(book))
    assert seen == rows
