"""What must be met before a stand may be armed, as the profile says it, beside what always must."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.units import Quantity

ZERO_AT_REST = frozenset({Quantity.FORCE, Quantity.TORQUE, Quantity.CURRENT, Quantity.MASS})
"""Quantities that can be tared. A voltage is not among them: a DC link that holds its charge must never read zero."""


@dataclass(frozen=True, slots=True)
class ChecklistItem:
    """One line of the checklist that a person ticks and signs."""

    name: str
    text: str


@dataclass(frozen=True, slots=True)
class HardwareInput:
    """An input of the hard-wired interlock: its channel must be beyond ``level``, and fresh."""

    name: str
    channel: str
    is_above: bool
    """True: the value must lie above the level; False: below. Equality does not count."""
    level: float


@dataclass(frozen=True, slots=True)
class StartConditions:
    """Section ``[start_conditions]``; without it none of these is asked for."""

    zeroed: tuple[str, ...] = ()
    """Channels that must have been tared in this run."""
    checklist: tuple[ChecklistItem, ...] = ()
    limit_set_proven: bool = False
    inputs: tuple[HardwareInput, ...] = ()


@dataclass(frozen=True, slots=True)
class ProofRecord:
    """That every limit was seen to trip and its stop to arrive, and when.

    ``protection_hash`` says of which: it covers limits and stop actions, not the limits alone.
    """

    protection_hash: str
    proven_utc: str
    who: str = ""
