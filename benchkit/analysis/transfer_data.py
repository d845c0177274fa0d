"""From operating points to the data of a loss separation: variables, losses, scatter, errors common to all points."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from benchkit.analysis.loss_terms import CURRENT, FREQUENCY, JUNCTION, SPEED, TORQUE, VOLTAGE, WINDING, LossData
from benchkit.analysis.power import propagate_balance
from benchkit.analysis.transfer import COOLANT
from benchkit.analysis.uncertainty import scatter_only
from benchkit.errors import UsageError
from benchkit.model.results import Estimate, OperatingPoint
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]
Arrays = Mapping[Role, FloatArray]

LEAST_CURRENT = 0.02
"""Points with less than this share of the rated current are left out: the gates may not have switched."""
_POWER = {
    "inverter": (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER),
    "motor": (Role.AC_POWER, Role.SPEED, Role.TORQUE),
}
_INDEX = {"inverter": 3, "motor": 4}
_VARIABLES: Mapping[str, tuple[tuple[str, Role], ...]] = {
    "inverter": ((CURRENT, Role.PHASE_CURRENT), (VOLTAGE, Role.DC_VOLTAGE), (JUNCTION, Role.JUNCTION_TEMP)),
    "motor": (
        (CURRENT, Role.PHASE_CURRENT),
        (SPEED, Role.SPEED),
        (TORQUE, Role.TORQUE),
        (WINDING, Role.WINDING_TEMP),
    ),
}
_OPTIONAL = {JUNCTION, WINDING}
_COOLANT = (Role.COOLANT_INLET_TEMP, Role.COOLANT_OUTLET_TEMP)
OMEGA = 2.0 * math.pi / 60.0


def loss_data(
    stand: Stand, points: Sequence[OperatingPoint], subject: str = "inverter", *, prefix: str = ""
) -> LossData:
    """Losses of "inverter" or "motor" of operating points, with what they depend on.

    The switching frequency is that of the inverter's nameplate in the profile. Coolant is the mean of inlet and outlet.
    A point counts where its powers and the phase current are measured and the current is at least
    :data:`LEAST_CURRENT` of the inverter's rated current; a locked rotor counts. Temperatures that some point lacks
    are left out altogether.

    Raises:
        UsageError: the stand does not measure what the loss takes, or an unknown subject.
    """
    if subject not in _POWER:
        raise UsageError(f"losses of {subject!r} are not separated", expected=", ".join(_POWER))
    roles = dict.fromkeys([*_POWER[subject], *(role for _, role in _VARIABLES[subject])])
    missing = [r.value for r in roles if stand.channel_for(r) is None and not _is_optional(subject, r)]
    if missing:
        raise UsageError(
            f"the losses of the {subject} are not measured on stand {stand.name}",
            got=f"no channel with role {', '.join(missing)}",
            remedy="Name the channels under [roles].",
        )
    rows = [row for point in points if (row := _row(stand, point, subject)) is not None]
    size = len(rows)
    names = {name: role for name, role in _VARIABLES[subject] if size and all(role in row for _, row in rows)}
    if CURRENT not in names and size:
        raise UsageError("no point has a phase current", where=stand.name)
    means = {role: np.array([row[role].value for _, row in rows]) for role in _shared_roles(rows)}
    variables = {name: means[role] for name, role in names.items()}
    if subject == "inverter":
        variables[FREQUENCY] = np.full(size, stand.inverter.switching_frequency_hz)
        coolant = [means[role] for role in _COOLANT if role in means]
        if coolant:
            variables[COOLANT] = np.mean(coolant, axis=0)
    loss = _loss(subject)(means) if size else np.empty(0)
    return LossData(
        variables,
        loss,
        _scatter(stand, [row for _, row in rows], subject, loss),
        _common(stand, means, subject, names),
        tuple(f"{prefix}P{point.index + 1}" for point, _ in rows),
    )


def joined(parts: Sequence[LossData]) -> LossData:
    """Points of several runs as one. Causes of one name are one error: the same instrument served in all the runs.

    Variables that a part lacks are left out; raises UsageError where no part has a point.
    """
    full = [part for part in parts if len(part)]
    if not full:
        raise UsageError(
            "the runs have no point whose losses can be separated",
            remedy="Hold set-points with current until they count as steady points.",
        )
    names = [name for name in full[0].variables if all(name in part.variables for part in full)]
    causes = dict.fromkeys(cause for part in full for cause in part.common)
    common: dict[str, dict[str, FloatArray]] = {}
    for cause in causes:
        moved = dict.fromkeys(name for part in full for name in part.common.get(cause, {}))
        common[cause] = {
            name: np.concatenate([part.common.get(cause, {}).get(name, np.zeros(len(part))) for part in full])
            for name in moved
        }
    return LossData(
        {name: np.concatenate([part.variables[name] for part in full]) for name in names},
        np.concatenate([part.loss_w for part in full]),
        np.concatenate([part.u_w for part in full]),
        common,
        tuple(label for part in full for label in part.labels),
    )


def _is_optional(subject: str, role: Role) -> bool:
    return any(r is role and name in _OPTIONAL for name, r in _VARIABLES[subject])


def _row(stand: Stand, point: OperatingPoint, subject: str) -> tuple[OperatingPoint, dict[Role, Estimate]] | None:
    roles = [*_POWER[subject], *(role for _, role in _VARIABLES[subject]), *_COOLANT]
    row: dict[Role, Estimate] = {}
    for role in roles:
        channel = stand.channel_for(role)
        if channel is not None and channel.name in point.means and point.means[channel.name].is_measured:
            row[role] = point.means[channel.name]
    current = row.get(Role.PHASE_CURRENT)
    least = LEAST_CURRENT * stand.inverter.rated_current_a
    if current is None or current.value < least or any(role not in row for role in _POWER[subject]):
        return None
    return point, row


def _shared_roles(rows: Sequence[tuple[OperatingPoint, Mapping[Role, Estimate]]]) -> list[Role]:
    if not rows:
        return []
    return [role for role in rows[0][1] if all(role in row for _, row in rows)]


def _loss(subject: str) -> Callable[[Arrays], FloatArray]:
    if subject == "inverter":
        return lambda m: np.asarray(m[Role.DC_VOLTAGE] * m[Role.DC_CURRENT] - m[Role.AC_POWER])
    return lambda m: np.asarray(m[Role.AC_POWER] - OMEGA * m[Role.SPEED] * m[Role.TORQUE])


def _scatter(stand: Stand, rows: Sequence[Mapping[Role, Estimate]], subject: str, loss: FloatArray) -> FloatArray:
    """Scatter of each loss (n,) [W], that of the current put through ``P ~ I²``, which is its largest effect."""
    found = np.empty(len(rows))
    for i, row in enumerate(rows):
        alone = {r: scatter_only(e, _name(stand, r)) for r, e in row.items() if r in _POWER[subject]}
        own = propagate_balance(alone).estimates[_INDEX[subject]].u
        current = scatter_only(row[Role.PHASE_CURRENT], _name(stand, Role.PHASE_CURRENT))
        found[i] = math.hypot(own, 2.0 * abs(loss[i]) * current.u / current.value)
    known = found[np.isfinite(found) & (found > 0.0)]
    if known.size == 0:
        return np.full(found.shape, max(1e-3 * float(np.max(np.abs(loss))), 1e-9) if loss.size else 1.0)
    # no lucky point rules the fit
    middle = float(np.median(known))
    return np.where(np.isfinite(found), np.maximum(found, 0.3 * middle), middle)


def _name(stand: Stand, role: Role) -> str:
    return stand.channels[stand.roles[role]].name


def _common(stand: Stand, means: Arrays, subject: str, names: Mapping[str, Role]) -> dict[str, dict[str, FloatArray]]:
    """By cause what one standard uncertainty of a calibration moves: the loss, and the variables."""
    found: dict[str, dict[str, FloatArray]] = {}
    loss = _loss(subject)
    variable_of = {role: name for name, role in names.items()}
    coolant = [role for role in _COOLANT if role in means] if subject == "inverter" else []
    for role, values in means.items():
        channel = stand.channels[stand.roles[role]]
        accuracy = channel.calibration.accuracy
        for kind, shift in (
            ("gain", accuracy.of_reading * values),
            ("zero", np.full(values.shape, accuracy.constant)),
        ):
            if not np.any(shift):
                continue
            moved: dict[str, FloatArray] = {}
            if role in _POWER[subject]:
                moved["loss_w"] = loss({**means, role: values + shift}) - loss(means)
            if role in variable_of:
                moved[variable_of[role]] = shift
            if role in coolant:
                moved[COOLANT] = shift / len(coolant)
            if moved:
                found[f"{channel.name} {kind}"] = moved
    return found
