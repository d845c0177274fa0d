"""The cheap checks while a run is recorded: on the newest rows, at a cost that does not grow with the run.

A finding here is a word to the people at the stand, never a limit: it trips nothing and stops nothing.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence

import numpy as np

from benchkit.analysis.quality.row_facts import DOUBLED, MISSED, STANDS_STILL_RPM, TURNING_RPM, FloatArray, odd_rows
from benchkit.analysis.quality.rows import (
    FROZEN_CHANGES,
    FROZEN_S,
    FROZEN_TIMES,
    check_dropouts,
    check_range,
    check_time,
)
from benchkit.analysis.quality.speed import PULSES
from benchkit.analysis.quality.zero import FRICTION_SHARE, ZERO_ROLES
from benchkit.analysis.tare import zero_of
from benchkit.model.results import Finding
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream

MOST_ROWS = 2000
"""Newest rows that one look takes; older ones of the same second are passed over."""
LEAST_ROWS = 20
REST_LOOKS = 6
"""Looks at rest, one after the other, before a zero is judged."""
CERTAIN = 4.0
"""Standard uncertainties of the calibrations by which a loss must be below zero."""
STEADY = 0.005
"""Share by which the speed may move within a look whose powers are compared."""
LIVE_CODES = (
    "time_backward",
    "time_repeated",
    "frozen",
    "saturated",
    "out_of_range",
    "dropouts",
    DOUBLED,
    MISSED,
    "zero_offset",
    "negative_loss",
)
"""What can be found here, a part of :data:`~benchkit.analysis.quality.words.DETECTORS`."""


class LiveChecks:
    """Looks at the rows of one source, a piece at a time; remembers only how long each channel has stood still."""

    def __init__(self, stand: Stand, source: str, channels: Sequence[str]) -> None:
        self._stand, self._source, self._channels = stand, source, tuple(channels)
        self._units = tuple(stand.channels[name].unit for name in channels)
        self._measured = np.array([stand.channels[name].derived is None for name in channels], dtype=bool)
        count = len(self._channels)
        self._last: FloatArray | None = None
        self._last_s = math.nan
        self._changes, self._still_rows = np.zeros(count), np.zeros(count)
        self._still_since = np.full(count, math.nan)
        self._rows = 0
        self._rests: deque[dict[Role, float]] = deque(maxlen=REST_LOOKS)

    def look(self, time_s: FloatArray, values: FloatArray) -> tuple[Finding, ...]:
        """Findings of the rows since the last look: times (n,) [s] and values (n, channels), the newest of them.

        Rows of the evidence count from the first row that was given.
        """
        time_s, values = time_s[-MOST_ROWS:], values[-MOST_ROWS:]
        if time_s.size < 2:
            return ()
        n = time_s.size
        none = np.full(n, -1, dtype=np.int64)
        stream = Stream(self._source, self._channels, self._units, time_s, time_s, time_s, none, values)
        findings = [*self._frozen(time_s, values)]
        if n >= LEAST_ROWS:
            for check in (check_time, check_range, check_dropouts):
                findings += check(self._stand, stream)
            findings += self._pulses(stream)
            findings += self._zeros(stream)
            findings += self._losses(stream)
        return tuple(findings)

    def _frozen(self, time_s: FloatArray, values: FloatArray) -> list[Finding]:
        before = values[:1] if self._last is None else self._last[None]
        rows = np.concatenate([before, values])
        moved = rows[1:] != rows[:-1]  # NaN is not itself: it stands still nowhere
        if self._last is None:
            moved[0] = True
        n = time_s.size
        any_moved = moved.any(axis=0)
        last = n - 1 - np.argmax(moved[::-1], axis=0)
        self._still_rows = np.where(any_moved, n - 1 - last, self._still_rows + n)
        self._still_since = np.where(any_moved, time_s[last], self._still_since)
        self._changes += np.count_nonzero(moved, axis=0)
        self._rows += n
        self._last, self._last_s = values[-1].copy(), float(time_s[-1])
        usual = (self._rows - self._still_rows) / np.maximum(self._changes, 1.0)
        is_frozen = self._measured & (self._changes >= FROZEN_CHANGES) & (self._still_rows > FROZEN_TIMES * usual)
        is_frozen &= self._last_s - self._still_since >= FROZEN_S
        return [
            Finding(
                "caution",
                "frozen",
                f"The value stands at {values[-1, k]:g} for {self._last_s - self._still_since[k]:.0f} s: frozen?",
                self._channels[k],
                0,
                n,
            )
            for k in np.flatnonzero(is_frozen).tolist()
        ]

    def _pulses(self, stream: Stream) -> list[Finding]:
        speed = self._column(stream, Role.SPEED)
        name = self._stand.roles.get(Role.SPEED, "")
        words = {DOUBLED: "twice", MISSED: "half"}
        return [
            Finding(
                "caution",
                code,
                f"{rows.size} readings of {words[code]} the speed.",
                name,
                int(rows[0]),
                int(rows[-1]) + 1,
            )
            for code, rows in ({} if speed is None else odd_rows(speed)).items()
            if rows.size >= PULSES
        ]

    def _zeros(self, stream: Stream) -> list[Finding]:
        """Over some looks at rest: within one a slow wander of the cell is no scatter."""
        speed = self._column(stream, Role.SPEED)
        if speed is None or not bool(np.all(np.abs(speed) < STANDS_STILL_RPM)):
            self._rests.clear()
            return []
        self._rests.append(
            {role: float(np.mean(x)) for role in ZERO_ROLES if (x := self._column(stream, role)) is not None}
        )
        if len(self._rests) < REST_LOOKS:
            return []
        findings = []
        for role in self._rests[0]:
            channel = self._stand.channels[self._stand.roles[role]]
            zero = zero_of(np.array([rest[role] for rest in self._rests]))
            statement = 3.0 * math.hypot(zero.u, channel.calibration.accuracy.constant)
            covered = max(statement, FRICTION_SHARE * channel.high)
            if abs(zero.mean) > covered:  # NaN is no zero
                text = f"{channel.name} reads {zero.mean:+.3g} {channel.unit} at rest; {covered:.2g} is covered."
                findings.append(Finding("caution", "zero_offset", text, channel.name, 0, len(stream)))
        return findings

    def _losses(self, stream: Stream) -> list[Finding]:
        """Shaft power above DC power, at a speed that holds still, by more than the calibrations leave open."""
        roles = (Role.SPEED, Role.TORQUE, Role.DC_VOLTAGE, Role.DC_CURRENT)
        columns = [self._column(stream, role) for role in roles]
        known = [column for column in columns if column is not None]
        if len(known) < len(roles):
            return []
        speed = known[0]
        quarter = max(1, speed.size // 4)
        level = float(np.mean(speed))
        moved = abs(float(np.mean(speed[-quarter:]) - np.mean(speed[:quarter])))
        if not abs(level) > TURNING_RPM or not moved < STEADY * abs(level):
            return []
        n, torque, u_dc, i_dc = (float(np.mean(column)) for column in known)
        u = [self._accuracy(role, mean) for role, mean in zip(roles, (n, torque, u_dc, i_dc), strict=True)]
        turns = 2.0 * math.pi / 60.0
        loss = u_dc * i_dc - turns * n * torque
        u_loss = math.hypot(u_dc * u[3], i_dc * u[2], turns * n * u[1], turns * torque * u[0])
        if not loss < -CERTAIN * u_loss:  # NaN is no loss
            return []
        text = f"Loss of the drive {loss:.0f} W (u {u_loss:.2g} W): more power comes out than goes in."
        return [Finding("caution", "negative_loss", text, "", 0, len(stream))]

    def _accuracy(self, role: Role, mean: float) -> float:
        channel = self._stand.channels[self._stand.roles[role]]
        return channel.calibration.accuracy.standard_uncertainty(mean)

    def _column(self, stream: Stream, role: Role) -> FloatArray | None:
        name = self._stand.roles.get(role)
        return stream.column(name) if name is not None and name in self._channels else None
