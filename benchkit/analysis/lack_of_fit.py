"""Two questions to a fitted loss model: do its terms suffice, and does the side of approach to a point matter?

Sources: N. R. Draper and H. Smith, *Applied Regression Analysis* (from memory); Student's paired test, JCGM 100 has the
t distribution in G.3.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from benchkit.analysis.fitting import fit_linear
from benchkit.analysis.losses import cells
from benchkit.errors import UsageError
from benchkit.model.results import Estimate
from benchkit.model.results_maps import Hysteresis, LackOfFit

FloatArray = npt.NDArray[np.float64]

LEAST_REPLICATES = 3
"""Degrees of freedom of repeated points that it takes to test against them."""
LEAST_PAIRS = 4
"""Set-points reached from both sides that it takes to test by pairs."""
LEAST_EACH_SIDE = 4
"""Points from either side that it takes to test by regression."""
MOVED = 0.02
"""A step of torque of less than this share of the span is no approach."""


def lack_of_fit(
    speed_rpm: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    residual_w: npt.ArrayLike,
    u_w: npt.ArrayLike | None,
    terms: int,
    beyond_w: npt.ArrayLike = 0.0,
) -> LackOfFit:
    """Test of the residuals of a model against what scatters of itself.

    Where set-points were measured again, their scatter is the yardstick:
    ``F = (SS_lack / (c - p)) / (SS_pure / (N - c))`` (1), c set-points, p terms, SS weighted by 1/u². Else the stated
    scatter: ``chi² = sum (r/u)²`` (2) with N - p degrees of freedom. A small p-value (below 0.05) says that the terms
    do not describe the points to within their scatter; it does not say by how much: see ``beyond_model_w``.

    Args:
        speed_rpm, torque_nm, residual_w: points [rpm], [N·m], [W] (n,).
        u_w: standard uncertainty of each loss from scatter [W] (n,); None: not known.
        terms: number of terms of the model.
        beyond_w: what the map adds to the model at each point [W] (n,).

    Source of (1): N. R. Draper and H. Smith, *Applied Regression Analysis*, section 1.5 / 2.1 (from memory).
    """
    from scipy.stats import chi2, f

    r = np.asarray(residual_w, dtype=np.float64)
    sigma = np.ones(r.shape) if u_w is None else np.asarray(u_w, dtype=np.float64)
    beyond = float(np.sqrt(np.mean(np.square(beyond_w))))
    groups = cells(speed_rpm, torque_nm)
    weight, z = 1.0 / sigma**2, r
    distinct = int(np.unique(groups).size)
    pure_dof, lack_dof = r.size - distinct, distinct - terms
    if pure_dof >= LEAST_REPLICATES and lack_dof > 0:
        centre = np.bincount(groups, weight * z) / np.bincount(groups, weight)
        pure = float(np.sum(weight * (z - centre[groups]) ** 2))
        lack = max(float(np.sum(weight * z**2)) - pure, 0.0)
        if pure > 0.0:
            statistic = (lack / lack_dof) / (pure / pure_dof)
            p = float(f.sf(statistic, lack_dof, pure_dof))
            return LackOfFit("replicates", statistic, lack_dof, pure_dof, p, beyond)
    dof = r.size - terms
    if u_w is None or dof <= 0:
        return LackOfFit("not tested", math.nan, max(dof, 0), 0, math.nan, beyond)
    statistic = float(np.sum((r / sigma) ** 2))
    return LackOfFit("stated scatter", statistic, dof, 0, float(chi2.sf(statistic, dof)), beyond)


def approach(torque_nm: npt.ArrayLike) -> npt.NDArray[np.int_]:
    """From which side each point was reached (n,): 1 from lower torque, -1 from higher, 0 unknown.

    Torques [N·m] are in the order in which they were taken. Where the torque stayed (within 2 % of its span) while the
    speed moved, the side is that of the last step of torque.

    >>> approach([10.0, 50.0, 90.0, 90.0, 50.0]).tolist()
    [0, 1, 1, 1, -1]
    """
    T = np.asarray(torque_nm, dtype=np.float64)
    step = np.diff(T, prepend=T[:1])
    least = MOVED * (float(np.ptp(T)) or 1.0)
    side = np.zeros(T.size, dtype=np.int_)
    last = 0
    for k in range(T.size):
        if abs(step[k]) > least:
            last = 1 if step[k] > 0.0 else -1
        side[k] = last
    return side


def hysteresis(
    speed_rpm: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    u_w: npt.ArrayLike,
    design: npt.ArrayLike,
) -> Hysteresis:
    """Is the loss another when the torque came down than when it went up?

    A torque flange with hysteresis and a winding still warm from a higher load both show so. Set-points reached from
    both sides are compared in pairs: mean difference, Student's t with pairs - 1 degrees of freedom, each loss first
    freed from the small difference of the set-points by the model. With fewer than four pairs a column of ±½ joins the
    terms of the model (1): its coefficient is the difference, tested with Student's t.

    Args:
        speed_rpm, torque_nm, loss_w: points [rpm], [N·m], [W] (n,), in the order in which they were taken.
        u_w: standard uncertainty of each loss from scatter [W] (n,).
        design: terms of the model at the points (n, p).
    """
    from scipy.special import stdtr

    n, T, loss, sigma, X = (np.asarray(v, dtype=np.float64) for v in (speed_rpm, torque_nm, loss_w, u_w, design))
    side = approach(T)
    up, down = int(np.sum(side > 0)), int(np.sum(side < 0))
    pairs = _pair_differences(cells(n, T), side, fit_linear(X, loss, sigma).residuals)
    if len(pairs) >= LEAST_PAIRS:
        mean = float(np.mean(pairs))
        u, dof, method = float(np.std(pairs, ddof=1)) / math.sqrt(len(pairs)), len(pairs) - 1, "pairs"
    else:
        if min(up, down) < LEAST_EACH_SIDE:
            reason = f"{up} points were approached from lower torque and {down} from higher: at least 4 of each"
            return Hysteresis("not tested", down, up, None, math.nan, reason)
        known = side != 0
        try:
            fit = fit_linear(np.column_stack([X, -0.5 * side])[known], loss[known], sigma[known])
        except UsageError:
            reason = "the side of approach goes with speed and torque, and cannot be told from them"
            return Hysteresis("not tested", down, up, None, math.nan, reason)
        if fit.dof < 1:
            return Hysteresis("not tested", down, up, None, math.nan, "too few points for the terms and the side")
        mean, u, dof, method = float(fit.parameters[-1]), float(fit.u[-1]), fit.dof, "regression"
    p = 2.0 * float(stdtr(dof, -abs(mean / u))) if u > 0.0 else math.nan
    return Hysteresis(method, down, up, Estimate(mean, u, "W", float(dof)), p)


def _pair_differences(groups: npt.NDArray[np.intp], side: npt.NDArray[np.int_], residual: FloatArray) -> list[float]:
    """From above less from below, for every set-point that was reached from both sides."""
    found = []
    for group in np.unique(groups):
        here = groups == group
        above, below = residual[here & (side < 0)], residual[here & (side > 0)]
        if above.size and below.size:
            found.append(float(above.mean() - below.mean()))
    return found
