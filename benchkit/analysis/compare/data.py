"""What a comparison needs of a run: its points as arrays, their conditions, the zeros at rest, and the stand.

Source: rules of this project; when a shaft counts as at rest is common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from benchkit.analysis.power import propagate_balance
from benchkit.analysis.tare import zero_of
from benchkit.analysis.uncertainty import scatter_only
from benchkit.model.metrics import Metric
from benchkit.model.results import PowerBalance, Settled
from benchkit.model.stand import Role, Stand
from benchkit.model.stream import Stream

FloatArray = npt.NDArray[np.float64]

SUBJECTS = ("drive", "inverter", "motor")
_LOSS_INDEX = {"inverter": 3, "motor": 4, "drive": 5}
_INPUTS = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER, Role.SPEED, Role.TORQUE)
CONDITIONS = (
    Role.WINDING_TEMP, Role.MAGNET_TEMP, Role.JUNCTION_TEMP, Role.COOLANT_INLET_TEMP, Role.COOLANT_FLOW,
    Role.AIR_TEMP, Role.AIR_PRESSURE, Role.AIR_HUMIDITY, Role.DC_VOLTAGE, Role.PHASE_CURRENT,
)  # fmt: skip
STANDS_STILL_RPM = 5.0
LEAST_REST_ROWS = 20
REST_TRIMMED = 0.2
"""Of a rest so much is left out at either end: the shaft has just come to rest, or is about to turn."""


@dataclass(frozen=True, slots=True)
class RestZero:
    """Reading of the torque at rest [N·m] with its standard uncertainty, at a time [s, epoch]."""

    value: float
    u: float
    time_s: float


@dataclass(frozen=True, slots=True, eq=False)
class RunData:
    """One run of a comparison; arrays are (n,), one entry a point, in the order taken.

    ``time_s`` counts from the epoch, so that runs can be put in order. ``loss_w`` and ``u_loss_w`` (scatter alone) go
    by subject, as far as measured. ``input_w`` is the power that flows in. ``conditions`` go by role; NaN where not
    measured.
    """

    label: str
    stand: Stand
    software: str
    time_s: FloatArray
    speed_rpm: FloatArray
    torque_nm: FloatArray
    input_w: FloatArray
    loss_w: Mapping[str, FloatArray]
    u_loss_w: Mapping[str, FloatArray]
    conditions: Mapping[Role, FloatArray]
    zeros: tuple[RestZero, ...] = ()
    unsettled: float = math.nan
    """Share of the points that were not shown to be thermally steady; NaN where the stand has no rule for it."""
    metrics: tuple[Metric, ...] = ()
    """Further numbers of the run."""

    @property
    def firmware(self) -> str:
        """Hash of the firmware, lower case; it tells revisions apart."""
        return self.stand.inverter.firmware_sha256.lower()

    @property
    def revision(self) -> str:
        """Revision in words."""
        return self.stand.inverter.firmware_revision

    @property
    def middle_s(self) -> float:
        """Time of the middle of its points [s, epoch]: mean of the first and the last; NaN without points."""
        return float(0.5 * (self.time_s[0] + self.time_s[-1])) if self.time_s.size else math.nan

    def condition(self, role: Role) -> FloatArray:
        """A condition of every point (n,), in the bench unit of its role; NaN where the stand does not measure it."""
        return self.conditions.get(role, np.full(self.speed_rpm.shape, np.nan))


def run_data(
    label: str,
    stand: Stand,
    software: str,
    started_s: float,
    balances: Sequence[PowerBalance],
    zeros: Sequence[RestZero] = (),
    metrics: Sequence[Metric] = (),
    time_factor: float = 1.0,
) -> RunData:
    """Collect the points of one run; excluded ones and those at standstill are left out.

    ``started_s`` is the start of the run [s, epoch]; ``time_factor`` that of a simulated stand that runs faster.
    """
    slowest = 0.01 * stand.motor.max_speed_rpm
    kept = [
        b
        for b in balances
        if not b.point.is_excluded and b.drive_loss_w.is_measured and abs(b.speed_rpm.value) >= slowest
    ]
    names = {role: stand.roles[role] for role in CONDITIONS if role in stand.roles}

    def means(role: Role) -> FloatArray:
        return np.array([b.point.means[names[role]].value if names[role] in b.point.means else np.nan for b in kept])

    scatter = np.array([_scatter(stand, b) for b in kept]).reshape(len(kept), -1)
    losses = {
        "drive": np.array([b.drive_loss_w.value for b in kept]),
        "inverter": np.array([b.inverter_loss_w.value for b in kept]),
        "motor": np.array([b.motor_loss_w.value for b in kept]),
    }
    measured = {s: v for s, v in losses.items() if v.size and np.all(np.isfinite(v))}
    dc, shaft = (np.array([getattr(b, n).value for b in kept]) for n in ("dc_power_w", "shaft_power_w"))
    middle = np.array([0.5 * (b.point.time_start_s + b.point.time_end_s) for b in kept])
    return RunData(
        label=label,
        stand=stand,
        software=software,
        time_s=started_s + middle / time_factor,
        speed_rpm=np.array([b.speed_rpm.value for b in kept]),
        torque_nm=np.array([b.torque_nm.value for b in kept]),
        input_w=np.maximum(np.abs(dc), np.abs(shaft)),
        loss_w=measured,
        u_loss_w={s: scatter[:, _LOSS_INDEX[s]] for s in measured},
        conditions={role: means(role) for role in names},
        zeros=tuple(zeros),
        unsettled=_unsettled(kept),
        metrics=tuple(metrics),
    )


def _unsettled(balances: Sequence[PowerBalance]) -> float:
    labels = [b.point.thermal.state for b in balances if b.point.thermal is not None]
    return sum(label is not Settled.STEADY for label in labels) / len(labels) if labels else math.nan


def _scatter(stand: Stand, balance: PowerBalance) -> list[float]:
    """Standard uncertainties of all powers of a point from scatter alone."""
    inputs = {}
    for role in _INPUTS:
        name = stand.roles.get(role)
        if name is not None and name in balance.point.means:
            inputs[role] = scatter_only(balance.point.means[name], name)
    return [e.u for e in propagate_balance(inputs).estimates]


def rest_zeros(stand: Stand, stream: Stream, started_s: float, time_factor: float = 1.0) -> tuple[RestZero, ...]:
    """Torque [N·m] read at the first and at the last rest of a stream; empty where the stand never stood still.

    ``started_s`` is the start of the run [s, epoch]; ``time_factor`` [1] that of a simulated stand that runs faster.
    """
    speed, torque = stand.channel_for(Role.SPEED), stand.channel_for(Role.TORQUE)
    if speed is None or torque is None or speed.name not in stream.channels or torque.name not in stream.channels:
        return ()
    n = stream.values[:, stream.channels.index(speed.name)]
    values = stream.values[:, stream.channels.index(torque.name)]
    still = np.abs(n) < STANDS_STILL_RPM
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(np.int8)))
    stretches = [
        (a, b) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True) if b - a >= LEAST_REST_ROWS
    ]
    ends = stretches if len(stretches) < 2 else [stretches[0], stretches[-1]]
    found = []
    for a, b in ends:
        trim = int(REST_TRIMMED * (b - a))
        good = values[a + trim : b - trim]
        good = good[np.isfinite(good)]
        if good.size >= LEAST_REST_ROWS // 2:
            zero = zero_of(good)
            found.append(RestZero(zero.mean, zero.u, started_s + float(stream.time_s[(a + b) // 2]) / time_factor))
    return tuple(found)
