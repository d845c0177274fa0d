"""Numbers as text, against the library ``uncertainties`` and by derivation."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from benchkit.model.results import Contribution
from benchkit.report.model import Number, count, plain
from benchkit.report.numbers import (
    MINUS,
    NOT_DETERMINED,
    NOT_MEASURED,
    THIN,
    bounds95,
    mostly_from,
    plain_text,
    rounded_to_uncertainty,
    show,
    show_interval,
    true_minus,
)


def _ungrouped(text: str) -> str:
    return text.replace(THIN, "").replace(MINUS, "-").replace("\N{NO-BREAK SPACE}", " ")


def test_same_digits_as_an_independent_library() -> None:
    random = np.random.default_rng(20261103)
    for value, exponent in zip(random.normal(0.0, 3e4, 600), random.uniform(-6, 1.9, 600), strict=True):
        u = float(10.0**exponent)
        expected, _, spread = f"{ufloat(value, u):.2uf}".partition("+/-")
        got_value, got_spread = map(_ungrouped, rounded_to_uncertainty(float(value), u))
        # below 100 only: above, the library rounds to whole units, the GUM to two digits
        assert (got_value, got_spread) == (expected, spread), (value, u)


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (0.996, 0.0996, ("1.00", "0.10")),  # exact: 0.0996 to two digits is 0.10, not 0.100
        (12345.6, 1234.0, (f"12{THIN}300", "1200")),  # exact: hundreds
        (-0.004, 0.2, ("0.00", "0.20")),  # exact: no minus on a zero
        (-17.26, 0.34, (f"{MINUS}17.26", "0.34")),
    ],
)
def test_rounding_at_the_edges(value: float, uncertainty: float, expected: tuple[str, str]) -> None:
    assert rounded_to_uncertainty(value, uncertainty) == expected


@given(st.floats(allow_nan=False, allow_infinity=False), st.floats(5e-324, 1e300))
def test_any_value_keeps_all_digits_that_its_uncertainty_allows(value: float, uncertainty: float) -> None:
    text, spread = (Decimal(_ungrouped(part)) for part in rounded_to_uncertainty(value, uncertainty))
    # exact: both end at the same place; the uncertainty has two digits, so that place is under a tenth of it
    assert abs(text - Decimal(repr(value))) <= spread / 20
    assert abs(spread - Decimal(repr(uncertainty))) <= spread / 20


@pytest.mark.parametrize(("value", "uncertainty"), [(1.0, 0.0), (1.0, -0.1), (math.nan, 0.1), (1.0, math.inf)])
def test_rounding_to_nothing_is_refused(value: float, uncertainty: float) -> None:
    with pytest.raises(ValueError, match="cannot round"):
        rounded_to_uncertainty(value, uncertainty)


@pytest.mark.parametrize(
    ("bounds", "text"),
    [
        ((0.0, math.inf), NOT_DETERMINED),
        ((-math.inf, math.inf), NOT_DETERMINED),
        ((12.34, math.inf), "at least 12.3"),
        ((-math.inf, 50.0), "at most 50.0"),
    ],
)
def test_an_interval_without_an_end_is_no_number(bounds: tuple[float, float], text: str) -> None:
    """A time constant that the record is far too short for: 29 days, from 0 to infinity."""
    assert str(show(Number(2_498_278.0, "s", 4.2e6, 1.0, bounds=bounds))).startswith(text)


def test_not_measured_is_never_a_number() -> None:
    assert str(show(plain(math.nan, "W"))) == NOT_MEASURED
    assert show(Number(math.nan, "W", 0.1)).figures == NOT_MEASURED
    assert show_interval(Number(math.nan, "W", 0.1)) == ""


def test_unknown_uncertainty_shows_no_interval() -> None:
    for number in (
        plain(3.25, "V"),
        Number(3.25, "V", 0.0),
    ):
        assert _ungrouped(str(show(number))) == "3.25 V"


@pytest.mark.parametrize(("u", "dof"), [(0.1, 0.4), (math.nan, math.inf), (math.inf, 5.0)])
def test_interval_that_cannot_be_stated_is_said_to_be_unknown(u: float, dof: float) -> None:
    number = Number(3.254, "V", u, dof)
    assert bounds95(number) is None
    assert _ungrouped(str(show(number))) == "(3.25 ± ?) V"


def test_per_cent_scales_value_and_interval_alike() -> None:
    # exact: k = 1.959964 for infinite degrees of freedom, 1.959964 * 0.05 % = 0.098 %
    number = Number(0.9123, "1", 0.0005, in_percent=True)
    assert _ungrouped(str(show(number))) == "(91.230 ± 0.098) %"
    assert _ungrouped(show_interval(number)) == "91.132 … 91.328 %"


def test_ratio_has_no_unit_text() -> None:
    assert _ungrouped(str(show(Number(0.1299, "1", 0.0004)))) == "0.12990 ± 0.00078"


@pytest.mark.parametrize(
    ("value", "digits", "expected"),
    [
        (140.0, 6, "140"),
        (0.3, 6, "0.3"),
        (11.0, 4, "11.00"),
        (1123880.0, 4, "1 124 000"),
        (0.0, 6, "0"),
        (8.096e-5, 2, "8.1 × 10⁻⁵"),
        (-2.5e12, 2, "-2.5 × 10¹²"),
    ],
)
def test_plain_numbers(value: float, digits: int, expected: str) -> None:
    text = plain_text(value, digits).replace(MINUS, "-")
    assert text.replace(THIN, " ") == expected


def test_counts_have_no_decimals_and_no_unit() -> None:
    assert _ungrouped(str(show(count(1234567)))) == "1234567"


def test_greatest_contributions_by_share_of_variance() -> None:
    # exact: 0.8² = 64 %, 0.6² = 36 %
    number = Number(1.0, "W", 1.0, budget=(Contribution("b", 0.6), Contribution("a", 0.8), Contribution("c", 0.01)))
    assert mostly_from(number).replace("\N{NO-BREAK SPACE}", " ") == "a 64 %, b 36 %"
    assert mostly_from(plain(1.0, "W")) == ""


def test_negative_numbers_in_texts_get_the_minus_of_print_and_nothing_else_does() -> None:
    assert true_minus("moves by -5.3 K, -0.1 to -2 N (-3)") == "moves by −5.3 K, −0.1 to −2 N (−3)"
    for kept in ("on 2026-11-03", "SEDGE-130-2", "B.14-2", "pt-100", "a - b", "1e-5", "--last"):
        assert true_minus(kept) == kept
