"""Thermal networks: Foster and Cauer forms, conversion both ways, exact response to losses and coolant.

A **Cauer** form is the ladder that can be pointed at: capacity C_1 is the heated part (winding, junction), R_1 leads to
C_2, and the last resistance leads to the coolant. A **Foster** form is a sum of lags with the same response at the
heated node; its parts are no bodies. Both describe the same measurement, so a fit finds the one and gives the other.

Source: Foster and Cauer forms, textbook of network synthesis; modes, textbook of linear systems; (6), (7) and the loss
slope derived here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.lags import check_times, decays, lag
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Foster:
    """``Z(t) = sum_i R_i (1 - exp(-t/tau_i))`` (1): resistances (n,) [K/W] and time constants (n,) [s]."""

    resistance_k_w: FloatArray
    tau_s: FloatArray

    def __post_init__(self) -> None:
        _checked("Foster form", self.resistance_k_w, self.tau_s)

    @property
    def total_k_w(self) -> float:
        """Resistance from the heated node to the reference [K/W]."""
        return float(np.sum(self.resistance_k_w))


@dataclass(frozen=True, slots=True, eq=False)
class Cauer:
    """Ladder from the heated node to the reference: capacities (n,) [J/K], resistances (n,) [K/W] after each."""

    capacity_j_k: FloatArray
    resistance_k_w: FloatArray

    def __post_init__(self) -> None:
        _checked("Cauer form", self.capacity_j_k, self.resistance_k_w)
        if np.any(self.capacity_j_k <= 0.0) or np.any(self.resistance_k_w <= 0.0):
            raise UsageError("a Cauer form has positive capacities and resistances")

    @property
    def total_k_w(self) -> float:
        """Resistance from the heated node to the reference [K/W]."""
        return float(np.sum(self.resistance_k_w))


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """Any network ``C dT/dt = -G T + P + g_ref T_ref`` (2).

    ``capacity_j_k`` (n,), ``conductance_w_k`` G (n, n), symmetric, with the way to the reference on its diagonal, and
    ``to_reference_w_k`` g_ref (n,), the conductance of each node to the reference.
    """

    capacity_j_k: FloatArray
    conductance_w_k: FloatArray
    to_reference_w_k: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """A network in its own modes: rates (n,) [1/s], slowest first, and shapes (n nodes, n modes).

    ``T_k(t) = sum_i shape_ki x_i(t)``, ``dx_i/dt = -rate_i x_i + sum_j shape_ji q_j`` (3), q the heat into each node.
    """

    rate_per_s: FloatArray
    shape: FloatArray


def _checked(what: str, first: FloatArray, second: FloatArray) -> None:
    if first.ndim != 1 or first.shape != second.shape or first.size == 0:
        raise UsageError(f"a {what} has as many of one as of the other", got=f"{first.shape} and {second.shape}")
    if not (np.all(np.isfinite(first)) and np.all(np.isfinite(second))):
        raise UsageError(f"a {what} needs finite numbers")


def network_of(cauer: Cauer) -> Network:
    """The ladder as matrices (2)."""
    n = cauer.capacity_j_k.size
    g = 1.0 / cauer.resistance_k_w
    matrix = np.diag(g)
    for i in range(1, n):
        matrix[i, i] += g[i - 1]
        matrix[i - 1, i] = matrix[i, i - 1] = -g[i - 1]
    sink = np.zeros(n)
    sink[-1] = g[-1]
    return Network(cauer.capacity_j_k, matrix, sink)


def modes_of(network: Network) -> Modes:
    """Modes by the symmetric eigenproblem of ``C^-1/2 G C^-1/2`` (4)."""
    root = 1.0 / np.sqrt(network.capacity_j_k)
    rates, vectors = np.linalg.eigh(network.conductance_w_k * np.outer(root, root))
    return Modes(rates, vectors * root[:, None])


def foster_of(cauer: Cauer) -> Foster:
    """Foster form with the same response at the heated node: ``R_i = shape_1i² tau_i`` (5), slowest last.

    >>> two = foster_of(Cauer(np.array([100.0, 1000.0]), np.array([0.05, 0.10])))
    >>> two.tau_s.round(3).tolist(), round(two.total_k_w, 12)
    ([4.526, 110.474], 0.15)
    """
    modes = modes_of(network_of(cauer))
    tau = 1.0 / modes.rate_per_s[::-1]
    return Foster(np.asarray(modes.shape[0, ::-1] ** 2 * tau), np.asarray(tau))


def cauer_of(foster: Foster) -> Cauer:
    """Ladder with the same response at its heated node.

    The rates ``1/tau_i`` and weights ``R_i/tau_i`` belong to one tridiagonal matrix (4): Lanczos' recursion, started
    from the square roots of the weights, finds it; its entries are ``1/(R_1 C_1)``, ``-1/(R_1 sqrt(C_1 C_2))`` and so
    on. Unlike the division of polynomials this loses no digits where time constants differ by decades.

    Validity: all R_i positive and all tau_i different; otherwise there is no ladder of as many nodes.

    Raises:
        UsageError: outside of that.

    Source: Gladwell, *Inverse Problems in Vibration*, 2nd ed. 2004, ch. 4 (from memory); derived.
    """
    R, tau = foster.resistance_k_w, foster.tau_s
    n = R.size
    if np.any(R <= 0.0) or np.any(tau <= 0.0) or np.unique(tau).size < n:
        raise UsageError(
            "no ladder has this response at its heated node",
            got=f"R {R.tolist()} K/W, tau {tau.tolist()} s",
            expected="positive resistances and different time constants",
            remedy="The sensor may not sit on the heated part: use the Foster form.",
        )
    rates, weights = 1.0 / tau, R / tau
    vectors = np.zeros((n, n))
    vectors[0] = np.sqrt(weights / weights.sum())
    diagonal, beside = np.zeros(n), np.zeros(max(n - 1, 0))
    for k in range(n):
        moved = rates * vectors[k]
        diagonal[k] = float(vectors[k] @ moved)
        if k + 1 < n:
            for _ in range(2):  # against all before, twice: the vectors stay perpendicular to the last digit
                moved -= vectors[: k + 1].T @ (vectors[: k + 1] @ moved)
            beside[k] = float(np.linalg.norm(moved))
            vectors[k + 1] = moved / beside[k]
    capacity, conductance = np.zeros(n), np.zeros(n)
    capacity[0] = 1.0 / float(weights.sum())
    before = 0.0
    for k in range(n):
        conductance[k] = diagonal[k] * capacity[k] - before
        if k + 1 < n:
            capacity[k + 1] = (conductance[k] / beside[k]) ** 2 / capacity[k]
            before = conductance[k]
    # the last conductance by the total, which the sum of differences would spoil
    resistance = 1.0 / conductance
    resistance[-1] = float(R.sum()) - float(resistance[:-1].sum())
    return Cauer(capacity, resistance)


def impedance(foster: Foster, time_s: npt.ArrayLike) -> FloatArray:
    """Thermal impedance Z(t) [K/W] (1) at times after a step of loss."""
    t = np.asarray(time_s, dtype=np.float64)
    return np.asarray(-np.expm1(-t[..., None] / foster.tau_s) @ foster.resistance_k_w)


def reference_weights(tau_s: FloatArray) -> FloatArray:
    """Weights (n,) [1] by which lags of the reference temperature add up at the heated end of a ladder.

    The heated end is the free end: ``T_1/T_ref = 1/prod_i (1 + s tau_i)`` (6), in partial fractions
    ``w_i = prod_{k != i} tau_i/(tau_i - tau_k)`` (7). They sum to one.
    """
    weights = np.ones(tau_s.size)
    for i in range(tau_s.size):
        for k in range(tau_s.size):
            if k != i:
                weights[i] *= tau_s[i] / (tau_s[i] - tau_s[k])
    return weights


def respond(
    foster: Foster,
    time_s: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    reference_c: npt.ArrayLike,
    parts_k: npt.ArrayLike | None = None,
) -> FloatArray:
    """Temperature (n,) [°C] of the heated node for losses (n,) [W] and reference (n,) [°C], straight between samples.

    ``parts_k`` are the rises (order,) [K] that each lag already carries at the first time; None: at rest with
    the first loss. The reference was at rest before the first time.
    """
    t = np.asarray(time_s, dtype=np.float64)
    loss = np.broadcast_to(np.asarray(loss_w, dtype=np.float64), t.shape)
    reference = np.broadcast_to(np.asarray(reference_c, dtype=np.float64), t.shape)
    start = foster.resistance_k_w * loss[0] if parts_k is None else np.asarray(parts_k, dtype=np.float64)
    out = np.zeros(t.shape)
    for R, tau, w, first in zip(
        foster.resistance_k_w, foster.tau_s, reference_weights(foster.tau_s), start, strict=True
    ):
        out += R * lag(t, loss, float(tau), start=0.0) + first * decays(t, float(tau))
        out += w * lag(t, reference, float(tau))
    return out


def simulate(
    network: Network,
    time_s: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    reference_c: npt.ArrayLike,
    start_c: npt.ArrayLike,
) -> FloatArray:
    """Temperatures (n, nodes) [°C] of every node for losses (n, nodes) [W] and reference (n,) [°C], exactly stepped.

    Inputs run straight between samples; ``start_c`` (nodes,) are the temperatures at the first time. A network with a
    negative rate (thermal runaway) is stepped, too.
    """
    t = np.asarray(time_s, dtype=np.float64)
    check_times(t)
    nodes = network.capacity_j_k.size
    heat = np.broadcast_to(np.asarray(loss_w, dtype=np.float64), (t.size, nodes)).copy()
    reference = np.broadcast_to(np.asarray(reference_c, dtype=np.float64), t.shape)
    heat += reference[:, None] * network.to_reference_w_k
    modes = modes_of(network)
    into = heat @ modes.shape  # heat into each mode
    first = modes.shape.T @ (network.capacity_j_k * np.asarray(start_c, dtype=np.float64))
    x = np.empty((t.size, nodes))
    for i, rate in enumerate(modes.rate_per_s):
        if rate > 0.0:
            x[:, i] = lag(t, into[:, i] / rate, float(1.0 / rate), start=float(first[i]))
        else:
            x[:, i] = _growing(t, into[:, i], float(rate), float(first[i]))
    return x @ modes.shape.T


def _growing(t: FloatArray, heat: FloatArray, rate: float, first: float) -> FloatArray:
    x = np.empty(t.shape)
    x[0] = first
    for k, dt in enumerate(np.diff(t)):
        z = -rate * dt
        phi = np.exp(z)
        a, b = (np.expm1(z) / z, (np.expm1(z) - z) / z**2) if abs(z) > 1e-6 else (1.0 + z / 2.0, 0.5 + z / 6.0)
        x[k + 1] = phi * x[k] + dt * ((a - b) * heat[k] + b * heat[k + 1])
    return x


def steady_c(network: Network, loss_w: npt.ArrayLike, reference_c: float) -> FloatArray:
    """Temperatures (nodes,) [°C] in the end: ``G T = P + g_ref T_ref`` (8).

    NaN where the network never settles (its own heating outruns the cooling).
    """
    if np.linalg.eigvalsh(network.conductance_w_k)[0] <= 0.0:
        return np.full(network.capacity_j_k.size, np.nan)
    heat = np.asarray(loss_w, dtype=np.float64) + network.to_reference_w_k * reference_c
    return np.asarray(np.linalg.solve(network.conductance_w_k, heat))


def with_loss_slope(network: Network, slope_w_k: float, node: int = 0) -> Network:
    """The network under a loss that grows by ``slope_w_k`` [W/K] with the temperature of ``node``.

    Resistance loss at constant current does: ``P = P_20 (1 + alpha (T - 20 °C))``. The slope is taken off the
    conductance; where it is larger than the cooling, the smallest rate is negative: the part runs away.
    """
    matrix = network.conductance_w_k.copy()
    matrix[node, node] -= slope_w_k
    return Network(network.capacity_j_k, matrix, network.to_reference_w_k)
