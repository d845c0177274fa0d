"""What is true of points and of time in tolerance, from the plant and the set-points alone."""

from __future__ import annotations

from bisect import bisect_right

import numpy as np

from benchkit.model.plans import Axis, Done, Outcome, Until
from benchkit.model.samples import FloatArray
from benchkit.model.stand import Stand

TIME, SPEED, TORQUE, WINDING = range(4)


def unsteady(stand: Stand, truth: FloatArray, done: tuple[Done, ...]) -> list[str]:
    """Points that were taken although the plant was not steady.

    Over the reading and the dwell before it the true state must not move by more than the bands of the stand, and over
    the reading its true derivative must not lead beyond them within one dwell.
    """
    rules, found = stand.steadiness, []
    for one in done:
        dwell = one.step.dwell
        if one.outcome is not Outcome.TAKEN or dwell is None or dwell.until not in (Until.STEADY, Until.THERMAL):
            continue
        early, start, stop = (
            bisect_right(truth[:, TIME], t) for t in (one.from_s - rules.dwell_s, one.from_s, one.to_s)
        )
        reading = truth[start - 1 : stop]
        for column, band in ((SPEED, rules.speed_band_rpm), (TORQUE, rules.torque_band_nm)):
            moved = float(np.ptp(truth[early:stop, column]))
            rate = float(np.max(np.abs(np.diff(reading[:, column]) / np.diff(reading[:, TIME])), initial=0.0))
            if moved > band or rate * rules.dwell_s > band:
                found.append(f"{one.step.name}: moved {moved:.3g}, rate {rate:.3g} a second")
    return found


def off_target(done: tuple[Done, ...], truth: FloatArray) -> list[str]:
    """Points whose true mean over the reading is not within the tolerance of the target."""
    found = []
    for one in done:
        if one.outcome is not Outcome.TAKEN:
            continue
        rows = truth[bisect_right(truth[:, TIME], one.from_s) : bisect_right(truth[:, TIME], one.to_s)]
        for axis, column in ((Axis.SPEED, SPEED), (Axis.TORQUE, TORQUE)):
            if axis in one.step.tolerance and len(rows):
                away = abs(float(rows[:, column].mean()) - one.step.target[axis])
                if away > one.step.tolerance[axis]:
                    found.append(f"{one.step.name}: {axis.value} {away:.3g} away")
    return found
