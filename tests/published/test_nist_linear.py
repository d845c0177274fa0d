"""NIST StRD, linear regression: datasets Norris (J. Norris, NIST) and Longley (JASA 62 (1967) 819)."""

from __future__ import annotations

import numpy as np

from benchkit.analysis.fitting import fit_linear

NORRIS = """0.1 0.2 338.8 337.4 118.1 118.2 888.0 884.6 9.2 10.1 228.1 226.5 668.5 666.3 998.5 996.3 449.1 448.6 778.9
777.0 559.2 558.2 0.3 0.4 0.1 0.6 778.1 775.5 668.8 666.9 339.3 338.0 448.9 447.5 10.8 11.6 557.7 556.0 228.3 228.1
998.0 995.8 888.8 887.6 119.6 120.2 0.3 0.3 0.6 0.3 557.6 556.8 339.3 339.1 888.0 887.2 998.5 999.0 778.9 779.0 10.2
11.1 117.6 118.3 228.9 229.2 668.4 669.1 449.2 448.9 0.2 0.5"""
LONGLEY = """60323 83.0 234289 2356 1590 107608 1947
61122 88.5 259426 2325 1456 108632 1948
60171 88.2 258054 3682 1616 109773 1949
61187 89.5 284599 3351 1650 110929 1950
63221 96.2 328975 2099 3099 112075 1951
63639 98.1 346999 1932 3594 113270 1952
64989 99.0 365385 1870 3547 115094 1953
63761 100.0 363112 3578 3350 116219 1954
66019 101.2 397469 2904 3048 117388 1955
67857 104.6 419180 2822 2857 118734 1956
68169 108.4 442769 2936 2798 120445 1957
66513 110.8 444546 4681 2637 121950 1958
68655 112.6 482704 3813 2552 123366 1959
69564 114.2 502601 3931 2514 125368 1960
69331 115.7 518173 4806 2572 127852 1961
70551 116.9 554894 4007 2827 130081 1962"""


def relative(printed, digits):
    """Tolerance for that many significant digits: double precision does not carry all 15 certified ones."""
    return abs(float(printed)) * 10.0**-digits


def test_norris(published):
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    fit = fit_linear(np.stack([np.ones(x.size), x], axis=1), y)
    for name, ours, printed in (
        ("B0", fit.parameters[0], "-0.262323073774029"),
        ("B1", fit.parameters[1], "1.00211681802045"),
        ("sd of B0", fit.u[0], "0.232818234301152"),
        ("sd of B1", fit.u[1], "0.429796848199937E-03"),
        ("residual standard deviation", fit.residual_sd, "0.884796396144373"),
    ):
        published(f"Norris {name}", ours, printed, tolerance=relative(printed, 11))
    assert fit.dof == 34


def test_longley(published):
    data = np.array(LONGLEY.split(), dtype=float).reshape(-1, 7)
    fit = fit_linear(np.column_stack([np.ones(16), data[:, 1:]]), data[:, 0])
    certified = [
        ("-3482258.63459582", "890420.383607373"),
        ("15.0618722713733", "84.9149257747669"),
        ("-0.358191792925910E-01", "0.334910077722432E-01"),
        ("-2.02022980381683", "0.488399681651699"),
        ("-1.03322686717359", "0.214274163161675"),
        ("-0.511041056535807E-01", "0.226073200069370"),
        ("1829.15146461355", "455.478499142212"),
    ]
    for i, (value, sd) in enumerate(certified):
        published(f"Longley B{i}", fit.parameters[i], value, tolerance=relative(value, 10))
        published(f"Longley sd of B{i}", fit.u[i], sd, tolerance=relative(sd, 10))
    published("Longley residual sd", fit.residual_sd, "304.854073561965", tolerance=relative("304.854073561965", 11))
