"""Published efficiency tables: losses of the cells that say something, and why the others do not.

Source: the definitions of loss and efficiency; what counts as a fill value is a rule of this project.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.power import shaft_power
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class TableLosses:
    """Kept cells as arrays (k,), and a mask over all cells (n,) for each reason to drop one."""

    speed_rpm: FloatArray
    torque_nm: FloatArray
    efficiency: FloatArray
    loss_w: FloatArray
    u_loss_w: FloatArray
    dropped: dict[str, BoolArray]


def table_losses(
    speed_rpm: npt.ArrayLike,
    torque_nm: npt.ArrayLike,
    efficiency: npt.ArrayLike,
    *,
    printed: float = 0.001,
    most_torque_nm: npt.ArrayLike | None = None,
) -> TableLosses:
    """Losses [W] of a motoring efficiency table, without its fill values.

    ``P_loss = P_shaft (1/eta - 1)`` (1), ``u = P_shaft u(eta)/eta²`` (2) with u(eta) the rounding of the table,
    ``printed / √12``.

    Dropped, with the reason: *no power* (speed or torque zero: an efficiency there is a filler); *fill value* (the same
    number as a cell without power carries); *not an efficiency* (outside 0 … 1, or NaN); *beyond the machine* (above
    its greatest torque at that speed, where that is given).

    Args:
        speed_rpm, torque_nm, efficiency: cells, shape (n,) [rpm], [N·m], [1].
        printed: step of the last printed digit of the efficiency.
        most_torque_nm: greatest torque at the speed of each cell (n,), or None.

    >>> found = table_losses([0, 5000, 5000], [30, 30, 40], [0.2, 0.891, 0.2])
    >>> round(float(found.loss_w[0]), 2), int(found.dropped["fill value"].sum())
    (1921.63, 1)
    """
    n, T, eta = (np.asarray(v, dtype=np.float64).ravel() for v in (speed_rpm, torque_nm, efficiency))
    if not n.shape == T.shape == eta.shape:
        raise UsageError("columns of an efficiency table differ in length", got=f"{n.size}, {T.size}, {eta.size}")
    power = shaft_power(n, T)
    none = power == 0.0
    with np.errstate(invalid="ignore"):
        fill = np.isin(eta, np.unique(eta[none & np.isfinite(eta)])) & ~none
        wrong = ~((eta > 0.0) & (eta < 1.0)) & ~none & ~fill
    beyond = np.zeros(n.shape, dtype=np.bool_)
    if most_torque_nm is not None:
        beyond = (np.abs(T) > np.asarray(most_torque_nm, dtype=np.float64).ravel()) & ~none & ~fill & ~wrong
    kept = ~(none | fill | wrong | beyond)
    return TableLosses(
        n[kept],
        T[kept],
        eta[kept],
        power[kept] * (1.0 / eta[kept] - 1.0),
        np.abs(power[kept]) * printed / np.sqrt(12.0) / eta[kept] ** 2,
        {"no power": none, "fill value": fill, "not an efficiency": wrong, "beyond the machine": beyond},
    )
