"""The equations behind the numbers of a report, each with its source in short."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchkit.report.model import Coverage, RunReport


@dataclass(frozen=True, slots=True)
class Method:
    """One quantity, its equation and where that stands."""

    quantity: str
    equation: str
    source: str


STEADY = (
    Method("Steadiness", "drift of the fitted line over the window ± t(ν) u, and twice the scatter, against the band",
           "effective sample size: Santer et al., J. Geophys. Res. 105 (2000) 7337"),
    Method("Thermal steadiness", "T(end) − T(end − time) against the allowed change, both from the profile",
           "kind of rule: IEC 60034-1 (second-hand)"),
)  # fmt: skip
POWER = (
    Method("Shaft power", "P = 2π n T", "definition; n in 1/s"),
    Method("DC link power", "P = U I, from means over the steady stretch", "definition"),
    Method("Loss", "P_V = P_in − P_out, motoring positive", "input-output method, IEC 60034-2-1"),
    Method("Efficiency", "η = P_out / P_in", "IEC 60034-2-1"),
)
HEAT = (
    Method(
        "Heat balance", "residual = P_DC − P_shaft − ρ c q (t_out − t_in)",
        "first law; coolant properties from CoolProp",
    ),
)  # fmt: skip
MAP = (
    Method(
        "Map", "P_V(n, T) = Σ c_i · term_i + g(n, T), g a Gaussian process; η = P_out / P_in from P_shaft and P_V",
        "nothing is said outside the hull of the points",
    ),
    Method("Loss terms", "least CV = mean (e_i / (1 − h_ii) / u_i)²", "Allen, Technometrics 16 (1974) 125"),
    Method("Uncertainty of the map", "scatter, lack of fit, calibration, in squares", "JCGM 100:2008, 5"),
    Method("Lack of fit", "F against repeated points, else χ² against scatter", "Draper & Smith, Applied Regression"),
)  # fmt: skip
PROPULSION = (
    Method("Thrust per electrical power", "T / U I", "definition; no efficiency"),
    Method("Ideal over DC power", "T^1.5 / √(2 ρ A) / (U I)", "momentum theory"),
)
DUTY = (Method("Duty", "E_in − E_out = Σ t P_V, η = E_out / E_in", "definition; shared errors added as such"),)
THRUST = (
    Method("Thrust coefficient", "CT = T / (ρ n² D⁴)", "propeller notation, UIUC Propeller Data Site"),
    Method("Torque, power coefficient", "CQ = Q / (ρ n² D⁵), CP = P / (ρ n³ D⁵) = 2π CQ", "as CT"),
    Method("Figure of merit", "FM = √(2/π) · CT^1.5 / CP", "momentum theory, propeller notation"),
    Method(
        "Fit against n²", "y = k n², weighted; F test with replicates, else χ²", "NIST/SEMATECH e-Handbook, 4.4.4.6"
    ),
    Method("Induced velocity", "v_i = √(T / (2 ρ A))", "momentum theory"),
    Method("Air density", "moist air from temperature, pressure, humidity", "CIPM-2007, Metrologia 45 (2008) 149"),
    Method("Reynolds number", "Re = ρ · 0.75 π n D · c / μ, c the chord at 75 % radius", "viscosity: Sutherland"),
)
HEATING = (
    Method("Heating", "T(t) = T_end − (T_end − T_start) exp(−t/τ)", "first-order thermal body"),
    Method("Time to steady", "t = τ ln(|T_end − T_start| / 1 K)", "from the fitted curve"),
    Method(
        "Continuous rating",
        "torque at which the end temperature meets the limit, loss ∝ torque²",
        "from the fitted curve",
    ),
)
NETWORKS = (
    Method("Thermal network", "T = T_ref + Σ R_i · lag_i(loss), 1 to 3 nodes by held-out prediction", "Foster form"),
    Method(
        "Derating map",
        "I = √(((T_lim − T_ref)/R − b n − c n²) / (k (1 + α (T_lim − 20 °C)))), the least over all parts",
        "from network and loss",
    ),
)
BURSTS = (
    Method("Fundamental, harmonics", "least squares of c + Σ a_h cos hφ + b_h sin hφ, φ = 2π f t + π r t²",
           "after IEEE Std 1057, sine fit"),
    Method("THD", "√(Σ A_h²) / A_1, h from 2 to the end of the stated band", "IEC 61000-4-7"),
    Method("Spectrum", "p_k = s c_k |X_k|² / (N Σ w²), Σ p_k the mean square", "Harris, Proc. IEEE 66 (1978) 51"),
    Method("Steps", "state levels by histogram; 10, 50, 90 %; overshoot, settling", "IEEE Std 181-2011"),
    Method("Torque by order", "resampled by angle, whole turns", "common practice"),
    Method("Dead time", "falling edge of one side to rising edge of the other, middle levels", "common practice"),
)  # fmt: skip
UNCERTAINTY = (
    Method("Standard uncertainty", "u² = Σ c_i² u_i² + correlated terms, type A and type B", "JCGM 100:2008 (GUM), 5"),
    Method("95 % interval", "y ± t(ν_eff) · u, ν_eff after Welch-Satterthwaite", "JCGM 100:2008, G.4"),
    Method(
        "Where ± U does not hold", "distributions sent through the formula, seeded Monte Carlo",
        "JCGM 101:2008, 7.9 and 8",
    ),
    Method("Digits", "U to two significant digits, value to match", "JCGM 100:2008, 7.2.6"),
)  # fmt: skip
COVERAGE = (Method("Bounds of a share", "exact binomial", "Clopper & Pearson, Biometrika 26 (1934) 404"),)


def methods_used(runs: Sequence[RunReport], coverage: Coverage | None) -> Iterable[Method]:
    """Methods of the sections that the report has."""
    points = [point for run in runs for point in run.result.points]
    if any(point.electrical is not None for point in points):
        yield STEADY[0]
    if any(point.thermal is not None for point in points):
        yield STEADY[1]
    if any(run.result.balances for run in runs):
        yield from POWER
    if any(run.result.heat_balances for run in runs):
        yield from HEAT
    if any(run.result.maps for run in runs):
        yield from MAP
    if any(run.result.thrust for run in runs):
        yield from THRUST
    if any(run.result.propulsion for run in runs):
        yield from PROPULSION
    if any(run.result.duties for run in runs):
        yield from DUTY
    if any(run.result.heating or run.result.ratings for run in runs):
        yield from HEATING
    if any(run.result.thermal for run in runs):
        yield from NETWORKS
    if any(run.bursts for run in runs):
        yield from BURSTS
    yield from UNCERTAINTY
    if coverage is not None:
        yield from COVERAGE
