"""Runs as thermal fits see them.

Source: rules of this project.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from benchkit.analysis.thermal.lags import check_times
from benchkit.errors import UsageError

FloatArray = npt.NDArray[np.float64]

LEAST_SAMPLES = 20
"""A thermal fit needs so many temperatures."""


@dataclass(frozen=True, slots=True, eq=False)
class ThermalRun:
    """One stretch of record: times (n,) [s], temperature (n,) [°C], reference (n,) [°C], losses (n, kinds) [W].

    NaN in ``temp_c`` is a reading that was not taken; reference and losses must be whole (split the run where they are
    not). ``u_temp_k`` [K] weights runs against each other. ``from_rest``: everything had the temperature of the
    reference when the run began and no loss was before it, so its start is no unknown. At a constant loss only such a
    run tells the resistances apart.
    """

    time_s: FloatArray
    temp_c: FloatArray
    reference_c: FloatArray
    loss_w: FloatArray
    name: str = "run"
    u_temp_k: float = 1.0
    from_rest: bool = False


def thermal_run(
    time_s: npt.ArrayLike,
    temp_c: npt.ArrayLike,
    reference_c: npt.ArrayLike,
    loss_w: npt.ArrayLike,
    *,
    name: str = "run",
    u_temp_k: float = 1.0,
    from_rest: bool = False,
) -> ThermalRun:
    """A checked :class:`ThermalRun`; a scalar reference or loss holds for the whole run.

    Times (n,) [s], temperature (n,) [°C] with NaN where it was not measured, reference (n,) [°C], losses (n,) or
    (n, kinds) [W]; ``u_temp_k`` [K] weights runs against each other.

    Raises:
        UsageError: times that do not rise, too few readings, a gap in losses or reference, a weight not positive.
    """
    t, temp = np.asarray(time_s, dtype=np.float64), np.asarray(temp_c, dtype=np.float64)
    check_times(t)
    reference = np.broadcast_to(np.asarray(reference_c, dtype=np.float64), t.shape)
    loss = np.asarray(loss_w, dtype=np.float64)
    if loss.ndim < 2:
        loss = np.broadcast_to(loss, t.shape)[:, None]
    if loss.shape[0] != t.size or temp.shape != t.shape:
        raise UsageError("shapes do not fit together", where=name, got=f"{t.shape}, {temp.shape}, {loss.shape}")
    if np.count_nonzero(np.isfinite(temp)) < LEAST_SAMPLES:
        raise UsageError("too few temperatures for a thermal fit", where=name, expected=f"at least {LEAST_SAMPLES}")
    for what, column in (("reference temperature", reference), ("loss", loss)):
        if not np.all(np.isfinite(column)):
            row = int(np.argmin(np.isfinite(column.reshape(t.size, -1)).all(axis=1)))
            raise UsageError(
                f"{what} was not measured all the time",
                where=f"{name}, row {row}",
                remedy="A network cannot be driven across a gap: split the run there.",
            )
    if not u_temp_k > 0.0:
        raise UsageError("a weight must be positive", where=name, got=u_temp_k)
    return ThermalRun(t, temp, reference, loss, name, u_temp_k, from_rest)


def part_of(run: ThermalRun, keep: slice | npt.NDArray[np.bool_]) -> ThermalRun:
    """Some rows of a run, the first among them; units as in the run."""
    return replace(
        run,
        time_s=run.time_s[keep],
        temp_c=run.temp_c[keep],
        reference_c=run.reference_c[keep],
        loss_w=run.loss_w[keep],
    )
