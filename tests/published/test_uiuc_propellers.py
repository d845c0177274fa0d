"""UIUC Propeller Data Site, volumes 1 and 2.

J. B. Brandt and M. S. Selig, "Propeller Performance Data at Low Reynolds Numbers", AIAA 2011-1255,
doi 10.2514/6.2011-1255; R. W. Deters, G. K. Ananda, M. S. Selig, "Reynolds Number Effects on the Performance of
Small-Scale Propellers", AIAA 2014-2151. Rows as printed (RPM, CT, CP); thrust, torque, power, figure of merit, tip
Mach and Reynolds number derived from them at rho 1.225, a 340.294, mu 1.7894e-5.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from benchkit.analysis import propeller as p

INCH = 0.0254
RHO, A, MU = 1.225, 340.294, 1.7894e-5

CASES = [
    # diameter in, rpm, CT, CP, c/R, T, Q, P, FM, M_tip, Re75
    (10, 6528, 0.1299, 0.0531, 0.197, "7.84039", "0.129562", "88.5698", "0.703492", "0.255128", "111525"),
    (11, 6473, 0.0903, 0.0323, 0.121, "7.84582", "0.124796", "84.5929", "0.670300", "0.278276", "82187"),
    (9, 4938.333, 0.247589, 0.148435, 0.2301, "5.61087", "0.122386", "63.2908", "0.662218", "0.173700", "79819"),
]


@pytest.mark.parametrize("case", CASES, ids=["10x4.7", "11x5.5", "9x6.75 4 blades"])
def test_printed_row(case, published):
    inches, rpm, ct, cp, chord, thrust, torque, power, merit, mach, reynolds = case
    D = inches * INCH
    T = p.thrust_from_ct(ct, rpm, D, RHO)
    P = p.power_from_cp(cp, rpm, D, RHO)
    Q = P / (2 * math.pi * rpm / 60)
    published("thrust N", T, thrust)
    published("torque N·m", Q, torque)
    published("power W", P, power)
    published("figure of merit", p.figure_of_merit(ct, cp), merit)
    published("tip Mach", p.tip_mach(rpm, D, A), mach)
    published("Reynolds number at 75 % radius", p.reynolds_75(rpm, D, chord * D / 2, RHO, MU), reynolds)
    # and back: from the forces to the printed coefficients
    published("CT", p.ct(T, rpm, D, RHO), f"{ct:.6f}")
    published("CP", p.cp(P, rpm, D, RHO), f"{cp:.6f}")
    published("2 pi CQ", 2 * math.pi * p.cq(Q, rpm, D, RHO), f"{cp:.6f}")


def test_induced_velocity(published):
    published("induced velocity m/s", p.induced_velocity(7.84039, 10 * INCH, RHO), "7.94707")


FILES = [
    ("apcsf_10x4.7_static_kt0835.txt", 10),
    ("apce_11x5.5_static_kt0467.txt", 11),
    ("da4022_9x6.75_4b_static_1086ga.txt", 9),
    ("gwsdd_9x5_static_0797rd.txt", 9),
    ("gwsdd_9x5_static_jb1002.txt", 9),
    ("gwssf_10x4.7_static_jb0875.txt", 10),
]


@pytest.mark.parametrize(("name", "inches"), FILES)
def test_every_row_of_the_files_comes_back(name, inches, published, reference):
    rpm, ct, cp = np.loadtxt(reference(f"uiuc/{name}"), skiprows=1).T
    D = inches * INCH
    T, P = p.thrust_from_ct(ct, rpm, D, RHO), p.power_from_cp(cp, rpm, D, RHO)
    assert rpm.size >= 15
    for row in range(rpm.size):
        published(f"CT row {row + 1}", p.ct(T, rpm, D, RHO)[row], f"{ct[row]:.6f}")
        published(f"CP row {row + 1}", p.cp(P, rpm, D, RHO)[row], f"{cp[row]:.6f}")
    # ideal power over real power, straight from forces (momentum theory), must be the same figure of merit
    ideal = T * p.induced_velocity(T, D, RHO)
    np.testing.assert_allclose(p.figure_of_merit(ct, cp), ideal / P, rtol=1e-12)
    assert np.all(p.figure_of_merit(ct, cp) < 1.0)


def test_specimens_of_one_type_differ_by_percents(reference):
    """Two campaigns on one 9x5 type: 5.5-6.4 % in CT, 0.5-1.1 % in CP between them with the 9x6 pair (derived)."""
    old = np.loadtxt(reference("uiuc/gwsdd_9x5_static_jb1002.txt"), skiprows=1)
    new = np.loadtxt(reference("uiuc/gwsdd_9x5_static_0797rd.txt"), skiprows=1)
    at = np.linspace(3000.0, 6000.0, 7)
    ct_ratio = np.interp(at, new[:, 0], new[:, 1]) / np.interp(at, old[:, 0], old[:, 1])
    cp_ratio = np.interp(at, new[:, 0], new[:, 2]) / np.interp(at, old[:, 0], old[:, 2])
    assert 0.045 < ct_ratio.mean() - 1 < 0.07
    assert 0.003 < cp_ratio.mean() - 1 < 0.02


@pytest.mark.parametrize(("name", "inches"), FILES)
def test_every_row_through_an_operating_point(name, inches, published, reference):
    """The chain of a run: means of channels with uncertainty, moist air, coefficients; n² drops out of each row."""
    from benchkit.analysis.air import moist_air_density
    from benchkit.model.results import Estimate, OperatingPoint
    from benchkit.model.stand import Role
    from benchkit.profiles import load_stand, shared_path

    stand = load_stand(shared_path("stands", "airboat.toml")).stand
    D = inches * INCH
    stand = replace(stand, propeller=replace(stand.propeller, diameter_m=D, u_diameter_m=1e-4))
    table = np.loadtxt(reference(f"uiuc/{name}"), skiprows=1)
    rho = float(moist_air_density(24.0, 99_000.0, 0.4))
    for row, (rpm, ct, cp) in enumerate(table, 1):
        measured = {
            Role.THRUST: (p.thrust_from_ct(ct, rpm, D, rho), 1e-3, "N"),
            Role.TORQUE: (p.power_from_cp(cp, rpm, D, rho) / (2 * math.pi * rpm / 60), 1e-3, "N·m"),
            Role.SPEED: (rpm, 1e-4, "rpm"),
            Role.AIR_TEMP: (24.0, 0.01, "°C"),
            Role.AIR_PRESSURE: (99_000.0, 1e-4, "Pa"),
            Role.AIR_HUMIDITY: (0.4, 0.05, "1"),
        }
        means = {
            stand.roles[role]: Estimate(float(v), share * float(v), unit) for role, (v, share, unit) in measured.items()
        }
        found = p.static_thrust(stand, OperatingPoint(0, "rack", 0, 100, 0.0, 10.0, means))
        published(f"CT row {row}", found.ct.value, f"{ct:.6f}")
        published(f"CP row {row}", found.cp.value, f"{cp:.6f}")
        merit = math.sqrt(2 / math.pi) * ct**1.5 / cp
        assert found.figure_of_merit.value == pytest.approx(merit, rel=1e-9)
        assert 0.0 < found.figure_of_merit.u < 0.01


@pytest.mark.parametrize(
    ("name", "share", "inches", "rpm", "reynolds"),
    [("apcsf_10x4.7_geom.txt", "0.197", 10, 6528, "111525"), ("apce_11x5.5_geom.txt", "0.121", 11, 6473, "82187")],
)
def test_chord_from_the_geometry_files(name, share, inches, rpm, reynolds, published, reference):
    r, c, _ = np.loadtxt(reference(f"uiuc/{name}"), skiprows=1).T
    chord = float(np.interp(0.75, r, c))
    published("c/R at 75 % radius", chord, share)
    D = inches * INCH
    published("Reynolds number", p.reynolds_75(rpm, D, chord * D / 2, RHO, MU), reynolds)
