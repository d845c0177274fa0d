"""NIST StRD, univariate summary statistics: Lew, Mavro, NumAcc1 to NumAcc4 (Michelso: test_nist_michelso).

Second-hand: as carried, unchanged, in the test data of the numerical library Math.NET; NumAcc1 from memory. The
constructed sets are built here as their files say: one middle value, then one tenth less and more in turn.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.uncertainty import autocorrelation, correlation_time, type_a

MAVRO_TEXT = """
2.00180 2.00170 2.00180 2.00190 2.00180 2.00170 2.00150 2.00140 2.00150 2.00150 2.00170 2.00180 2.00180 2.00190 2.00190
2.00210 2.00200 2.00160 2.00140 2.00130 2.00130 2.00150 2.00150 2.00160 2.00150 2.00140 2.00130 2.00140 2.00150 2.00140
2.00150 2.00160 2.00150 2.00160 2.00190 2.00200 2.00200 2.00210 2.00220 2.00230 2.00240 2.00250 2.00270 2.00260 2.00260
2.00260 2.00270 2.00260 2.00250 2.00240
"""
LEW_TEXT = """
-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99 -543 -175 162 -457 -346
204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83 27 -564 -112 131 -507 -254 199 -311 -495 143
-46 -579 -90 136 -472 -338 202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92 -534 -243 194
-355 -465 156 -81 -578 -64 139 -449 -384 193 -198 -538 110 -44 -577 -6 66 -552 -164 161 -460 -344 205 -281 -504 134 -28
-576 -118 156 -437 -381 200 -220 -540 83 11 -568 -160 172 -414 -408 188 -125 -572 -32 139 -492 -321 205 -262 -504 142
-83 -574 0 48 -571 -106 137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515 -280 201 300 -506 131 -45
-578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147 -566 25 68 -535 -244 194 -351 -463 174 -125
-570 15 72 -550 -190 172 -424 -385 198 -218 -536 96
"""


def numbers(text):
    return np.array(text.split(), dtype=float)


def constructed(middle_tenths):
    turn = np.where(np.arange(1001) == 0, 0, np.where(np.arange(1001) % 2 == 1, -1, 1))
    return (middle_tenths + turn) / 10.0


# double precision keeps fewer digits of the deviation where nine leading digits are the same: a ten-millionth of 1e-9
CASES = [
    ("Lew", numbers(LEW_TEXT), 200, "-177.435000000000", "277.332168044316", "-0.307304800605679", 1e-13),
    ("Mavro", numbers(MAVRO_TEXT), 50, "2.00185600000000", "0.000429123454003053", "0.937989183438248", 1e-11),
    ("NumAcc1", np.array([10000001.0, 10000003.0, 10000002.0]), 3, "10000002", "1.0", "-0.5", 1e-13),
    ("NumAcc2", constructed(12), 1001, "1.2", "0.1", "-0.999", 1e-13),
    ("NumAcc3", constructed(10_000_002), 1001, "1000000.2", "0.1", "-0.999", 1e-8),
    ("NumAcc4", constructed(100_000_002), 1001, "10000000.2", "0.1", "-0.999", 1e-7),
]


@pytest.mark.parametrize(("name", "y", "count", "mean", "sd", "r1", "allowed"), CASES, ids=[c[0] for c in CASES])
def test_certified(name, y, count, mean, sd, r1, allowed, published):
    assert y.size == count
    found, u, _ = type_a(y)
    published(f"{name} mean", found, mean, tolerance=1e-14 * abs(float(mean)))
    published(f"{name} lag-1 autocorrelation", autocorrelation(y)[1], r1, tolerance=max(allowed, 1e-12))
    # our u of the mean, taken back to the standard deviation of one reading (exact: equation 3 of type_a)
    worth = max(count / correlation_time(y), 2.0)
    s = u * np.sqrt(worth - 1.0) * np.sqrt(count / (count - 1.0))
    published(f"{name} standard deviation", s, sd, tolerance=allowed * float(sd))
