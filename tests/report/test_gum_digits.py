"""Rounding of reported values.

Source: JCGM 100:2008 (GUM), 7.2.2, 7.2.4, 7.2.6 and H.1.6. The GUM writes a decimal comma and groups decimals; the
digits are compared.
"""

from __future__ import annotations

import math

import pytest

from benchkit.report.model import Number
from benchkit.report.numbers import THIN, bounds95, rounded_to_uncertainty, show


def test_mass_standard_with_standard_uncertainty() -> None:
    # 7.2.2: m_S = 100,021 47 g with u_c = 0,35 mg
    assert rounded_to_uncertainty(100.02147, 0.35e-3) == ("100.02147", "0.00035")


def test_mass_standard_with_expanded_uncertainty() -> None:
    # 7.2.4: m_S = (100,021 47 ± 0,000 79) g, k = 2,26 from the t-distribution for 9 degrees of freedom
    shown = show(Number(100.02147, "g", 0.35e-3, dof=9))
    assert (shown.value, shown.half_width, shown.unit) == ("100.02147", "0.00079", "g")
    assert str(shown).replace("\N{NO-BREAK SPACE}", " ") == "(100.02147 ± 0.00079) g"


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (10.05762, 0.027, ("10.058", "0.027")),  # 7.2.6: y = 10,057 62 Ω with 27 mΩ is rounded to 10,058 Ω
        (28.05, 28.05, ("28", "28")),  # 7.2.6: 28,05 kHz should be rounded down to 28 kHz
    ],
)
def test_value_rounded_to_its_uncertainty(value: float, uncertainty: float, expected: tuple[str, str]) -> None:
    assert rounded_to_uncertainty(value, uncertainty) == expected


def test_length_of_end_gauge() -> None:
    # H.1.6: l = (50,000 838 ± 0,000 093) mm, u_c = 32 nm, 16 effective degrees of freedom, k = 2,92 at 99 %
    assert rounded_to_uncertainty(50_000_838.0, 93.0) == (f"50{THIN}000{THIN}838", "93")
    # at 95 %: t_95(16) = 2,12 (table G.2), so U = 67,8 nm
    bounds = bounds95(Number(50_000_838.0, "nm", 32.0, dof=16))
    assert bounds is not None
    assert math.isclose(0.5 * (bounds[1] - bounds[0]), 2.12 * 32.0, abs_tol=0.005 * 32.0)
