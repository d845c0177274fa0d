"""The tests of steadiness while a run goes on: rows and their times in, "settled", "not yet" and the time left out.

The blocks and the test are those of the analysis after the run (:mod:`~benchkit.analysis.folding`,
:mod:`~benchkit.analysis.stillness`), so that a point that was called settled live is found afterwards. Time is that of
the rows. Memory is bounded: the blocks of one dwell, and those of the thermal rule.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.folding import Folding
from benchkit.analysis.settled import change_label, deciding
from benchkit.analysis.stillness import BLOCKS_PER_DWELL, band_of, movement
from benchkit.model.results import SteadyLabel
from benchkit.model.stand import Stand, ThermalSteadiness

FloatArray = npt.NDArray[np.float64]

SPANS = 2.2
"""Memory for temperatures, in times of the thermal rule: the approach to an end is told from two changes in a row."""
LOOKS = 240
"""How often the thermal rule is looked at within its time: every 7.5 s of half an hour."""


@dataclass(frozen=True, slots=True)
class SteadyNow:
    """What is known after the last whole block.

    ``moved`` is the movement over the last dwell in bands, of the worst channel: at most 1 where all hold still, NaN
    before a whole dwell has passed, infinite where a channel is not measured. ``left_s`` is the least time until
    readings may begin if nothing moves from here, 0 when they may, NaN where it cannot be told.
    """

    time_s: float
    moved: float
    is_settled: bool
    """Everything has held still for a dwell and for the time of stabilisation: readings may begin."""
    left_s: float
    thermal: SteadyLabel | None = None
    thermal_left_s: float = math.nan
    """Time until the slowest temperature changes by no more than allowed, if it goes on approaching its end as it did
    over twice the time of the rule; NaN where it does not approach one."""


class _Newest:
    """Times [s] and rows of the newest ``most`` blocks, as arrays that are there already: making them anew from single
    rows at every block took most of the time."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._times, self._rows = np.empty(2 * most), np.empty((2 * most, 0))
        self._stop = 0

    def __len__(self) -> int:
        return min(self._stop, self._most)

    def clear(self) -> None:
        self._stop = 0

    def append(self, time_s: float, row: FloatArray) -> None:
        """One more block: its time [s], and its means (columns,) in their units."""
        if not self._stop:
            self._rows = np.empty((2 * self._most, row.size))
        if self._stop == self._times.size:
            for kept in (self._times, self._rows):
                kept[: self._most] = kept[self._most :]
            self._stop = self._most
        self._times[self._stop], self._rows[self._stop] = time_s, row
        self._stop += 1

    def arrays(self) -> tuple[FloatArray, FloatArray]:
        """Times [s] (n,) and rows (n, columns), oldest first; good until the next ``append``."""
        kept = slice(self._stop - len(self), self._stop)
        return self._times[kept], self._rows[kept]


class RunningSteadiness:
    """``feed`` rows as they come; ``restart`` at every commanded change; ``now`` tells.

    Args:
        bands: widest movement of each channel that must hold still, in its unit.
        dwell_s: over how long [s].
        stabilise_s: how long all must have held still before readings begin [s].
        thermal: rule for the temperatures; their values are fed beside the others.
    """

    def __init__(
        self,
        bands: Sequence[float],
        dwell_s: float,
        stabilise_s: float = 0.0,
        thermal: ThermalSteadiness | None = None,
    ) -> None:
        self._limits = np.array(bands, dtype=np.float64)
        self._dwell_s, self._stabilise_s, self._thermal = dwell_s, stabilise_s, thermal
        self._length_s = dwell_s / BLOCKS_PER_DWELL
        self._held = _Newest(max(BLOCKS_PER_DWELL, math.ceil(stabilise_s / self._length_s)))
        spans = 0.0 if thermal is None else SPANS * thermal.over_s / self._length_s
        self._temps = _Newest(math.ceil(spans) + 1)
        # temperatures are slow: their rule is looked at so often in its time, not at every block
        self._looks = 1 if thermal is None else max(1, math.floor(thermal.over_s / LOOKS / self._length_s))
        self.restart()

    def feed(self, time_s: npt.ArrayLike, held: npt.ArrayLike, temps_c: npt.ArrayLike | None = None) -> list[SteadyNow]:
        """Rows (n,), (n, channels) that must hold still and (n, temperatures) of the thermal rule.

        Returns:
            What was known after each block that became whole with these rows, oldest first.
        """
        t, x = np.asarray(time_s, dtype=np.float64), np.asarray(held, dtype=np.float64)
        if temps_c is not None:
            x = np.concatenate([x, np.asarray(temps_c, dtype=np.float64)], axis=1)
        self._folding.feed(t, x)
        known = []
        for is_new, times, means in self._folding.take():
            if is_new:
                self._forget()
            known += [self._after(time, row) for time, row in zip(times.tolist(), means, strict=True)]
        return known

    def restart(self) -> None:
        """A set-point was commanded, or the link was away: what follows is another stretch."""
        self._folding = Folding(self._length_s, self._dwell_s)
        self._forget()

    def _forget(self) -> None:
        self._held.clear()
        self._temps.clear()
        self._still, self._count = 0, 0
        self._thermal_now: tuple[SteadyLabel | None, float] = (None, math.nan)
        self._now = SteadyNow(math.nan, math.nan, False, math.nan)

    @property
    def now(self) -> SteadyNow:
        """What is known after the last whole block."""
        return self._now

    def _after(self, time_s: float, means: FloatArray) -> SteadyNow:
        self._held.append(time_s, means[: self._limits.size])
        times, held = self._held.arrays()
        moved = movement(times[-BLOCKS_PER_DWELL:], held[-BLOCKS_PER_DWELL:], self._limits, BLOCKS_PER_DWELL)
        self._still = 0 if not moved.size or moved[0] > 1.0 else max(self._still + 1, BLOCKS_PER_DWELL)
        needed = max(self._dwell_s, self._stabilise_s)
        quiet = self._still or min(_quiet_blocks(held, self._limits), BLOCKS_PER_DWELL - 1)
        left_s = max(0.0, needed - quiet * self._length_s)
        is_settled = self._still > 0 and left_s <= 1e-9 * needed
        if self._thermal is not None:
            self._temps.append(time_s, means[self._limits.size :])
            if self._count % self._looks == 0:
                self._thermal_now = _thermal_now(*self._temps.arrays(), self._thermal)
        self._count += 1
        moved_now = float(moved[0]) if moved.size else math.nan
        self._now = SteadyNow(time_s, moved_now, is_settled, left_s, *self._thermal_now)
        return self._now


def _quiet_blocks(held: FloatArray, limits: FloatArray) -> int:
    """Blocks at the end over which no channel ranges wider than its band."""
    back = held[::-1]
    wide = np.maximum.accumulate(back, axis=0) - np.minimum.accumulate(back, axis=0)
    beyond = ~np.all(wide <= limits, axis=1)  # a NaN is beyond
    return int(np.argmax(beyond)) if beyond.any() else int(beyond.size)


def _thermal_now(t: FloatArray, temps: FloatArray, rule: ThermalSteadiness) -> tuple[SteadyLabel | None, float]:
    pairs = list(zip(rule.channels, temps.T, strict=True))
    left = [time_to_end(t, column, rule) for _, column in pairs]
    label = deciding([change_label(t, column, rule, channel=name) for name, column in pairs])
    return label, max(left, key=lambda s: math.inf if math.isnan(s) else s, default=math.nan)


def time_to_end(time_s: FloatArray, means: FloatArray, rule: ThermalSteadiness) -> float:
    """Time [s] until a temperature that approaches an end with one time constant changes by no more than allowed.

    From the changes d_1, d_2 of two neighbouring halves of the record, each of length h:
    ``tau = h / ln(d_1/d_2)`` (1), ``A = d_2 / (exp(h/tau) - 1)`` (2) is what is left to go, and
    ``t = tau ln(|A| (exp(over/tau) - 1) / allowed)`` (3), at least what the record lacks of ``over``. NaN where the
    second change is not smaller than the first, or of another sign. A guide for waiting, without an uncertainty.

    >>> t = np.arange(0.0, 1200.0, 5.0)
    >>> rule = ThermalSteadiness(("winding",), 1.0, 600.0)
    >>> left = time_to_end(t, 80.0 - 60.0 * np.exp(-t / 300.0), rule)
    >>> at = t[-1] + left  # exact: 60 (exp(600/300) - 1) exp(-at/300) = 1
    >>> round(60.0 * (math.exp(2.0) - 1.0) * math.exp(-at / 300.0), 1)
    1.0
    """
    good = ~(np.isnan(time_s) | np.isnan(means))
    t, x = time_s[good], means[good]
    if t.size < BLOCKS_PER_DWELL or not t[-1] > t[0]:
        return math.nan
    span_s = float(min(t[-1] - t[0], 2.0 * rule.over_s))
    ends = max(1, t.size // 60)
    levels = []
    for back_s in (span_s, 0.5 * span_s, 0.0):
        at = int(np.argmin(np.abs(t - (t[-1] - back_s))))
        a = min(max(0, at - ends // 2), t.size - ends)
        levels.append((float(t[a : a + ends].mean()), float(x[a : a + ends].mean())))
    (t_0, x_0), (t_1, x_1), (t_2, x_2) = levels
    first, second = (x_1 - x_0) / (t_1 - t_0), (x_2 - x_1) / (t_2 - t_1)
    lacking_s = max(0.0, rule.over_s - float(t[-1] - t[0]))
    if abs(second) * rule.over_s <= rule.change_k:
        return lacking_s
    if not 0.0 < second / first < 1.0:
        return math.nan
    half_s = 0.5 * (t_2 - t_0)
    tau = half_s / math.log(first / second)
    left_k = abs(x_2 - x_1) / math.expm1((t_2 - t_1) / tau)
    behind_s = float(t[-1]) - t_2
    return max(lacking_s, tau * math.log(left_k * math.expm1(rule.over_s / tau) / rule.change_k) - behind_s)


def running_steadiness(stand: Stand) -> RunningSteadiness:
    """The running form of the stand's steadiness; feed ``steadiness.channels`` and ``steadiness.thermal.channels``."""
    rules = stand.steadiness
    bands = [band_of(stand, name) for name in rules.channels]
    return RunningSteadiness(bands, rules.dwell_s, rules.stabilise_s, rules.thermal)
