"""Losses at the same winding temperature and bus voltage, with what is not known about the correction stated.

Winding: the loss in the resistance of the copper rises with its temperature,

    ``dP = P_T2 (t - t_ref) / (234.5 °C + t_ref)`` (1)

P_T2 the part of the loss that goes with torque squared, 234.5 °C that of copper (IEEE 112). Bus: switching loss goes
with the voltage,

    ``dP = s P_inv (U / U_ref - 1)`` (2)

s the switching share of the loss of the inverter. References are not one number: at each set-point they are what is
usual there in all runs together (a parabola over speed and torque), so that the correction stays small.

How far (1) and (2) may be off is a judgement of this project, common practice, no source: a third of the first (magnets
and iron that warm with the winding), 0.45 ± 0.15 for s. Where AC power is not measured P_inv is not known, and a third
of the loss of the drive, ± a sixth of it, stands for it. The doubt is common to all points, so it is added to the
interval of every difference in proportion to the mean correction, and does not average out.

Source: (1) resistance of copper after IEEE 112 (from memory), the rest derived; (2) common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.data import RunData
from benchkit.analysis.compare.surfaces import SharedShape
from benchkit.analysis.map_points import off_usual
from benchkit.model.stand import Role

FloatArray = npt.NDArray[np.float64]

COPPER_C = 234.5
WINDING_DOUBT = 1.0 / 3.0
"""Relative standard uncertainty of the winding correction."""
SWITCHING_SHARE, SWITCHING_DOUBT = 0.45, 0.15
UNKNOWN_INVERTER, UNKNOWN_DOUBT = 0.15, 0.10
"""Without AC power: switching share of the loss of the drive, and its standard uncertainty."""
CAUSES = ("winding temperature", "bus voltage")


@dataclass(frozen=True, slots=True, eq=False)
class Corrected:
    """Corrections of one run: by cause what was added to the loss of each point [W] (n,), and the doubt as a share."""

    added_w: Mapping[str, FloatArray]
    doubt: Mapping[str, float]

    @property
    def total_w(self) -> FloatArray:
        """All causes together (n,) [W]."""
        return np.asarray(np.sum(list(self.added_w.values()), axis=0))


def corrections(runs: Sequence[RunData], subject: str, shape: SharedShape) -> tuple[Corrected, ...]:
    """Corrections of the loss of ``subject`` for every run; zero for what was not measured in all of them.

    ``shape`` is the loss model of the motor (of the drive where AC power is not measured).
    """
    off = {role: _off(runs, role) for role in (Role.WINDING_TEMP, Role.DC_VOLTAGE)}
    found = []
    for k, run in enumerate(runs):
        added = {cause: np.zeros(run.speed_rpm.shape) for cause in CAUSES}
        doubt = dict.fromkeys(CAUSES, 0.0)
        at = off[Role.WINDING_TEMP]
        if at is not None and subject != "inverter":
            usual = run.condition(Role.WINDING_TEMP) - at[k]
            copper = shape.square_of_torque_w(run.speed_rpm, run.torque_nm)
            added[CAUSES[0]] = -copper * at[k] / (COPPER_C + usual)
            doubt[CAUSES[0]] = WINDING_DOUBT
        at = off[Role.DC_VOLTAGE]
        if at is not None and subject != "motor":
            ratio = at[k] / (run.condition(Role.DC_VOLTAGE) - at[k])
            has_ac = "inverter" in run.loss_w
            share, u = (SWITCHING_SHARE, SWITCHING_DOUBT) if has_ac else (UNKNOWN_INVERTER, UNKNOWN_DOUBT)
            added[CAUSES[1]] = -share * run.loss_w["inverter" if has_ac else "drive"] * ratio
            doubt[CAUSES[1]] = u / share
        found.append(Corrected(added, doubt))
    return tuple(found)


def _off(runs: Sequence[RunData], role: Role) -> list[FloatArray] | None:
    """How far each point of each run is from what is usual at its load; None where some run does not measure it."""
    values = np.concatenate([run.condition(role) for run in runs])
    if not np.all(np.isfinite(values)):
        return None
    speed, torque = (np.concatenate([getattr(r, name) for r in runs]) for name in ("speed_rpm", "torque_nm"))
    off = off_usual(values, speed, torque)
    return list(np.split(off, np.cumsum([run.speed_rpm.size for run in runs])[:-1]))
