"""NIST StRD, linear regression: Pontius, Filip, NoInt1, NoInt2, Wampler1 to Wampler5.

Norris and Longley are in test_nist_linear. Second-hand: as carried, unchanged, in the test data of the numerical
library Math.NET. Wampler1 and 3 to 5 are generated here as they were there: 1 + x + … + x⁵ and a multiple of the
departures of Wampler4.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.analysis.fitting import fit_linear

FILIP_TEXT = """
0.8116 -6.860120914 0.9072 -4.324130045 0.9052 -4.358625055 0.9039 -4.358426747 0.8053 -6.955852379 0.8377 -6.661145254
0.8667 -6.355462942 0.8809 -6.118102026 0.7975 -7.115148017 0.8162 -6.815308569 0.8515 -6.519993057 0.8766 -6.204119983
0.8885 -5.853871964 0.8859 -6.109523091 0.8959 -5.79832982 0.8913 -5.482672118 0.8959 -5.171791386 0.8971 -4.851705903
0.9021 -4.517126416 0.909 -4.143573228 0.9139 -3.709075441 0.9199 -3.499489089 0.8692 -6.300769497 0.8872 -5.953504836
0.89 -5.642065153 0.891 -5.031376979 0.8977 -4.680685696 0.9035 -4.329846955 0.9078 -3.928486195 0.7675 -8.56735134
0.7705 -8.363211311 0.7713 -8.107682739 0.7736 -7.823908741 0.7775 -7.522878745 0.7841 -7.218819279 0.7971 -6.920818754
0.8329 -6.628932138 0.8641 -6.323946875 0.8804 -5.991399828 0.7668 -8.781464495 0.7633 -8.663140179 0.7678 -8.473531488
0.7697 -8.247337057 0.77 -7.971428747 0.7749 -7.676129393 0.7796 -7.352812702 0.7897 -7.072065318 0.8131 -6.774174009
0.8498 -6.478861916 0.8741 -6.159517513 0.8061 -6.835647144 0.846 -6.53165267 0.8751 -6.224098421 0.8856 -5.910094889
0.8919 -5.598599459 0.8934 -5.290645224 0.894 -4.974284616 0.8957 -4.64454848 0.9047 -4.290560426 0.9129 -3.885055584
0.9209 -3.408378962 0.9219 -3.13200249 0.7739 -8.726767166 0.7681 -8.66695597 0.7665 -8.511026475 0.7703 -8.165388579
0.7702 -7.886056648 0.7761 -7.588043762 0.7809 -7.283412422 0.7961 -6.995678626 0.8253 -6.691862621 0.8602 -6.392544977
0.8809 -6.067374056 0.8301 -6.684029655 0.8664 -6.378719832 0.8834 -6.065855188 0.8898 -5.752272167 0.8964 -5.132414673
0.8963 -4.811352704 0.9074 -4.098269308 0.9119 -3.66174277 0.9228 -3.2644011
"""
FILIP = np.array(FILIP_TEXT.split(), dtype=float).reshape(-1, 2)
FILIP_CERTIFIED = [
    ("-1467.48961422980", "298.084530995537"), ("-2772.17959193342", "559.779865474950"),
    ("-2316.37108160893", "466.477572127796"), ("-1127.97394098372", "227.204274477751"),
    ("-354.478233703349", "71.6478660875927"), ("-75.1242017393757", "15.2897178747400"),
    ("-10.8753180355343", "2.23691159816033"), ("-1.06221498588947", "0.221624321934227"),
    ("-0.670191154593408E-01", "0.142363763154724E-01"), ("-0.246781078275479E-02", "0.535617408889821E-03"),
    ("-0.402962525080404E-04", "0.896632837373868E-05"),
]  # fmt: skip
PONTIUS_TEXT = """
.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 1.41599 1.52399 1.63194 1.73947
1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150 1.20004 1.30818
1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829
"""
PONTIUS = np.array(PONTIUS_TEXT.split(), dtype=float)
PONTIUS_CERTIFIED = [
    ("0.673565789473684E-03", "0.107938612033077E-03"),
    ("0.732059160401003E-06", "0.157817399981659E-09"),
    ("-0.316081871345029E-14", "0.486652849992036E-16"),
]
WAMPLER_2_TEXT = """
1.00000 1.11111 1.24992 1.42753 1.65984 1.96875 2.38336 2.94117 3.68928 4.68559 6.00000 7.71561 9.92992 12.75603
16.32384 20.78125 26.29536 33.05367 41.26528 51.16209 63.00000
"""
WAMPLER_2 = np.array(WAMPLER_2_TEXT.split(), dtype=float)
WAMPLER_3_TEXT = """
760 -2042 2111 -1684 3888 1858 11379 17560 39287 64382 113159 175108 273291 400186 581243 811568 1121004 1506550 2002767
2611612 3369180
"""
WAMPLER_3 = np.array(WAMPLER_3_TEXT.split(), dtype=float)
WAMPLER_4_TEXT = """
75901 -204794 204863 -204436 253665 -200894 214131 -185192 221249 -138370 315911 -27644 455253 197434 783995 608816
1370781 1303798 2205519 2408860 3444321
"""
WAMPLER_4 = np.array(WAMPLER_4_TEXT.split(), dtype=float)
# certified for Wampler4; for Wampler3 a hundredth, for Wampler5 a hundred times of it
WAMPLER_4_SD = [
    "215232.624678170", "236355.173469681", "77934.3524331583", "10147.5507550350", "564.566512170752",
    "11.2324854679312",
]  # fmt: skip
X = np.arange(21.0)
POWERS = X[:, None] ** np.arange(6.0)
wide_enough = pytest.mark.skipif(
    np.finfo(np.longdouble).eps >= np.finfo(np.float64).eps,
    reason="parameters of 1 with standard deviations of 2e7: that takes a type longer than a double",
)


def compare(name, fit, certified, residual_sd, published):
    for i, (value, sd) in enumerate(certified):
        published(f"{name} B{i}", fit.parameters[i], value, tolerance=1e-7 * abs(float(value)))
        published(f"{name} sd of B{i}", fit.u[i], sd, tolerance=1e-5 * float(sd))
    published(f"{name} residual sd", fit.residual_sd, residual_sd, tolerance=1e-5 * float(residual_sd))


def test_filip(published):
    y, x = FILIP.T
    assert y.size == 82
    compare(
        "Filip", fit_linear(np.vander(x, 11, increasing=True), y), FILIP_CERTIFIED, "0.334801051324544E-02", published
    )


def test_pontius(published):
    x = np.tile(150_000.0 * np.arange(1, 21), 2)
    fit = fit_linear(np.vander(x, 3, increasing=True), PONTIUS)
    compare("Pontius", fit, PONTIUS_CERTIFIED, "0.205177424076185E-03", published)


def test_lines_through_the_origin(published):
    one = fit_linear(np.arange(60.0, 71.0)[:, None], np.arange(130.0, 141.0))
    compare("NoInt1", one, [("2.07438016528926", "0.165289256198347E-01")], "3.56753034006338", published)
    two = fit_linear([[4.0], [5.0], [6.0]], [3.0, 4.0, 4.0])
    compare("NoInt2", two, [("0.727272727272727", "0.420827318078432E-01")], "0.369274472937998", published)


def test_exact_polynomials(published):
    whole, tenth = fit_linear(POWERS, POWERS.sum(axis=1)), fit_linear(POWERS, WAMPLER_2)
    for i in range(6):
        published(f"Wampler1 B{i}", whole.parameters[i], "1.00000000000000", tolerance=1e-9)
        published(f"Wampler2 B{i}", tenth.parameters[i], f"{10.0**-i:.14e}", tolerance=1e-9 * 10.0**-i)
    published("Wampler1 residual sd", whole.residual_sd, "0.000000000000000", tolerance=1e-9)
    published("Wampler2 residual sd", tenth.residual_sd, "0.000000000000000", tolerance=1e-13)


@pytest.mark.parametrize(
    ("name", "share"), [("Wampler3", 0.01), ("Wampler4", 1.0), pytest.param("Wampler5", 100.0, marks=wide_enough)]
)
def test_large_residuals(name, share, published):
    clean = POWERS.sum(axis=1)
    y = clean + share * (WAMPLER_4 - clean)
    if name == "Wampler3":
        np.testing.assert_allclose(y, WAMPLER_3, rtol=1e-12)
    certified = [("1.00000000000000", f"{share * float(sd):.14e}") for sd in WAMPLER_4_SD]
    compare(name, fit_linear(POWERS, y), certified, f"{share * 236014.502379268:.11e}", published)
