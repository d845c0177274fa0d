"""Verdicts in plain words, one a region of the map: better, worse, equivalent within x, not shown.

Source: the order of the questions is a rule of this project; tests and adjustments in
:mod:`benchkit.analysis.compare.statistics`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.statistics import (
    ALPHA,
    benjamini_hochberg,
    equivalence,
    holm,
    p_two_sided,
    smallest_shown,
    t_quantile,
)
from benchkit.errors import UsageError, did_you_mean

FloatArray = npt.NDArray[np.float64]

RULES = ("holm", "bh", "none")
RULE_WORDS = {
    "holm": "any false claim on the map at most 5 % likely (Holm)",
    "bh": "of all claims at most 5 % false on average (Benjamini-Hochberg)",
    "none": "each region by itself at 5 %: with many regions some claims are chance",
}


class Word(StrEnum):
    """The answers. ``DIFFERENT`` is one on a metric of which neither way is better."""

    BETTER = "better"
    WORSE = "worse"
    EQUIVALENT = "equivalent"
    DIFFERENT = "different"
    NOT_SHOWN = "not shown"
    REFUSED = "refused"
    """Something else than the firmware is different, by more than a correction can mend."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is said of one quantity in one region. Numbers in its unit; B less A.

    ``p_adjusted`` is adjusted for all regions; ``smallest`` the difference that would have been shown with 80 %
    probability; ``margin`` NaN where no equivalence was asked for.
    """

    word: Word
    text: str
    difference: float
    u: float
    dof: float
    low: float
    high: float
    p_value: float
    p_adjusted: float
    p_equivalent: float
    smallest: float
    margin: float = math.nan


def verdicts(
    difference: npt.ArrayLike,
    u: npt.ArrayLike,
    dof: npt.ArrayLike,
    *,
    margin: float = math.nan,
    rule: str = "holm",
    lower_is_better: bool | None = True,
    unit: str = "%",
    refused: Sequence[str] = (),
    p_values: npt.ArrayLike | None = None,
) -> tuple[Verdict, ...]:
    """Judge k differences together.

    *Better* or *worse*: the adjusted p-value of "no difference" is below 5 %. Else *equivalent*: that of the two
    one-sided tests against the margin is. Else *not shown*, with the smallest difference that would have been shown.
    Intervals are those of each region by itself.

    Args:
        difference, u, dof: shape (k,); a u of NaN (no repeats) gives *not shown*.
        margin: what still counts as equal, in the unit; NaN: not asked.
        rule: one of :data:`RULES`.
        lower_is_better: None where neither way is: *different* instead of the two.
        p_values: shape (k,), of other tests; NaN: by Student's t.
        refused: names of differences that forbid a verdict.

    Raises:
        UsageError: an unknown rule, or a margin that is not positive.
    """
    if rule not in RULES:
        raise UsageError(
            "no such rule for many tests", got=rule, expected=", ".join(RULES), remedy=did_you_mean(rule, RULES)
        )
    if margin <= 0.0:
        raise UsageError(
            "the margin of equivalence is above zero", got=margin, remedy="State what would still be equal."
        )
    d, spread = np.asarray(difference, dtype=np.float64), np.asarray(u, dtype=np.float64)
    nu = np.broadcast_to(np.asarray(dof, dtype=np.float64), d.shape)
    with np.errstate(divide="ignore", invalid="ignore"):
        p = np.where(spread > 0.0, p_two_sided(d / spread, nu), np.nan)
    if p_values is not None:
        given = np.asarray(p_values, dtype=np.float64)
        p = np.where(np.isnan(given), p, given)
    p_adjusted = adjusted(p, rule)
    p_equal = np.full(d.shape, np.nan)
    if math.isfinite(margin):
        one_sided = [equivalence(*x, margin).p_value for x in zip(d, spread, nu, strict=True)]
        p_equal = adjusted(np.array(one_sided), rule)
    half = t_quantile(1.0 - ALPHA / 2.0, nu) * spread
    # by itself where one of many: the first step of Holm is what a lone difference has to pass
    level = ALPHA / max(1, int(np.isfinite(p).sum())) if rule == "holm" else ALPHA
    found = []
    for k in range(d.size):
        smallest = smallest_shown(float(spread[k]), float(nu[k]), level)
        word = _word(float(d[k]), float(p_adjusted[k]), float(p_equal[k]), lower_is_better, bool(refused))
        low, high = float(d[k] - half[k]), float(d[k] + half[k])
        text = _text(word, float(d[k]), low, high, smallest, margin, unit, refused)
        found.append(
            Verdict(
                word, text, float(d[k]), float(spread[k]), float(nu[k]), low, high, float(p[k]), float(p_adjusted[k]),
                float(p_equal[k]), smallest, margin,
            )
        )  # fmt: skip
    return tuple(found)


def adjusted(p_values: npt.ArrayLike, rule: str) -> FloatArray:
    """p-values [1] along the last axis after one of :data:`RULES`; NaN stays NaN."""
    if rule == "holm":
        return holm(p_values)
    return benjamini_hochberg(p_values) if rule == "bh" else np.asarray(p_values, dtype=np.float64)


def _word(difference: float, p: float, p_equal: float, lower_is_better: bool | None, refused: bool) -> Word:
    if refused:
        return Word.REFUSED
    if p < ALPHA and lower_is_better is None:
        return Word.DIFFERENT
    if p < ALPHA:
        return Word.BETTER if (difference < 0.0) == lower_is_better else Word.WORSE
    return Word.EQUIVALENT if p_equal < ALPHA else Word.NOT_SHOWN


def _text(
    word: Word, d: float, low: float, high: float, smallest: float, margin: float, unit: str, refused: Sequence[str]
) -> str:
    half = 0.5 * (high - low)
    interval = f"95 % interval {_signed(low, half)} … {_signed(high, half)} {unit}".rstrip()
    if word is Word.REFUSED:
        return f"refused: {', '.join(refused)} {'differs' if len(refused) == 1 else 'differ'} between the sides"
    if word in (Word.BETTER, Word.WORSE, Word.DIFFERENT):
        inside = max(abs(low), abs(high)) < margin
        size = _signed(abs(d), half).lstrip("+")
        return (
            f"{word} by {size} {unit}".rstrip()
            + f" ({interval})"
            + (f", yet less than {margin:g} {unit}" if inside else "")
        )
    if word is Word.EQUIVALENT:
        return f"equivalent within {margin:g} {unit} ({interval})"
    if not math.isfinite(smallest):
        return "not shown: no repeated runs, so it is not known how much two runs of one firmware differ"
    return f"not shown ({interval}); {smallest:.2g} {unit}".rstrip() + " would have been shown"


def _signed(value: float, half: float) -> str:
    """With its sign, to two significant digits of the half-width."""
    if not (math.isfinite(value) and math.isfinite(half) and half > 0.0):
        return f"{value:+.3g}"
    places = max(0, 1 - math.floor(math.log10(half)))
    text = f"{value:+.{places}f}"
    return text.replace("-", "\N{MINUS SIGN}")
