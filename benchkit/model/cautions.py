"""The usual cautions, in one place: the report, the command line and the dashboard show these texts."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a word or two to find it by, and its text."""

    heading: str
    text: str

    def __str__(self) -> str:
        return f"{self.heading}. {self.text}"


NOT_A_SAFETY_FUNCTION = "A software trip is not a safety function."
NOT_AN_APPROVAL = "A record of measurement: not an approval, not a certificate."
"""The sentence that stands beside every limit, trip and stop."""

SOFTWARE_TRIP = Caution(
    NOT_A_SAFETY_FUNCTION.rstrip("."),
    "Limits and trips described here protect equipment as far as a computer can. People are protected by a "
    "hard-wired emergency stop, guards and distance. No control on a screen is an emergency stop.",
)

CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "High voltage",
        "The DC link and the phases can kill, and capacitors stay charged after switching off. Isolate, wait, and "
        "prove absence of voltage before touching. Work on live parts belongs to people licensed for it.",
    ),
    Caution(
        "Spinning propeller",
        "Stay out of its plane and behind the guard. Treat a propeller as able to start at any time until the "
        "supply is isolated. Blades, keys and couplings can leave the rotor.",
    ),
    SOFTWARE_TRIP,
    Caution(
        "Heat and stored energy",
        "Windings, semiconductors, coolant and batteries stay hot, pressurised or charged after a run.",
    ),
    Caution(
        "Local codes and licensed practice",
        "This document is a record of measurement. It is not an approval, a certificate or an instruction. Local "
        "codes, the makers' documents and the judgement of licensed persons come first.",
    ),
)

ONE_LINE = (
    "High voltage and a spinning propeller: a software trip is not a safety function; rely on the hard-wired "
    "emergency stop, guards and distance, and follow local codes and licensed practice."
)
