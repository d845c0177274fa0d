"""What else is different between two sets of runs beside the firmware: found, judged, and put side by side.

Stated differences come from the stand profiles in the run files: every field is compared. Measured ones come from the
points: temperatures, voltage, air, torque at rest, torque per ampere. A difference is *refused* (no verdict: what was
measured is not the same thing), *corrected* (losses were brought to common conditions, with the doubt added), or
*marked* (shown beside the verdict). Tolerances are common practice, no source.

Source: rules of this project.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from enum import Enum, StrEnum

import numpy as np
import numpy.typing as npt

from benchkit.analysis.compare.data import RunData
from benchkit.analysis.compare.order import Block
from benchkit.errors import UsageError
from benchkit.model.stand import Role, Stand

FloatArray = npt.NDArray[np.float64]

LOSS_ROLES = (Role.DC_VOLTAGE, Role.DC_CURRENT, Role.AC_POWER, Role.SPEED, Role.TORQUE)
"""Roles whose channels make the loss: a changed calibration there is a changed yardstick."""


class Treatment(StrEnum):
    """What is done about a difference."""

    NONE = "within tolerance"
    CORRECTED = "corrected"
    MARKED = "marked"
    REFUSED = "refused"
    ACCEPTED = "accepted"
    """Refused by rule, accepted by a person with a reason."""


@dataclass(frozen=True, slots=True)
class Confounder:
    """One thing compared beside the firmware. ``a``, ``b`` as text; ``difference``, ``allowed`` NaN for what is stated.

    ``name`` is a short word to accept it by; ``meaning`` one sentence.
    """

    name: str
    label: str
    a: str
    b: str
    treatment: Treatment
    meaning: str
    difference: float = math.nan
    allowed: float = math.nan
    unit: str = ""

    @property
    def is_flagged(self) -> bool:
        """True for everything but what is within tolerance."""
        return self.treatment is not Treatment.NONE


@dataclass(frozen=True, slots=True)
class _Condition:
    role: Role
    label: str
    unit: str
    allowed: float
    relative: bool
    treatment: Treatment
    meaning: str


_CONDITIONS = (
    _Condition(Role.WINDING_TEMP, "Winding temperature", "K", 3.0, False, Treatment.CORRECTED,
               "copper loss rises by 0.4 % per kelvin; losses were brought to a common temperature"),
    _Condition(Role.DC_VOLTAGE, "Bus voltage", "%", 1.0, True, Treatment.CORRECTED,
               "switching loss goes with it, and field weakening begins earlier; only the first is corrected"),
    _Condition(Role.MAGNET_TEMP, "Magnet temperature", "K", 4.0, False, Treatment.MARKED,
               "warm magnets need more current for the same torque"),
    _Condition(Role.JUNCTION_TEMP, "Junction temperature", "K", 5.0, False, Treatment.MARKED,
               "conduction loss of the semiconductors rises with it; it may also be a result of the firmware"),
    _Condition(Role.COOLANT_INLET_TEMP, "Coolant inlet temperature", "K", 2.0, False, Treatment.MARKED,
               "all temperatures of the drive follow it"),
    _Condition(Role.COOLANT_FLOW, "Coolant flow", "%", 5.0, True, Treatment.MARKED,
               "all temperatures of the drive follow it"),
    _Condition(Role.AIR_TEMP, "Air temperature", "K", 5.0, False, Treatment.MARKED,
               "amplifiers and bridges drift with the hall"),
    _Condition(Role.AIR_PRESSURE, "Air pressure", "hPa", 20.0, False, Treatment.MARKED, "windage goes with density"),
    _Condition(Role.AIR_HUMIDITY, "Relative humidity", "%-points", 20.0, False, Treatment.MARKED,
               "bridges drift with it"),
)  # fmt: skip
_SCALE = {Role.AIR_PRESSURE: 0.01, Role.AIR_HUMIDITY: 100.0}
TORQUE_PER_AMPERE = 0.3
"""Per cent: a step of the torque calibration, of the magnets or of the current angle shows so."""
UNSETTLED = 20.0
"""Per cent of the points: more of them not yet settled on one side is another thermal state."""
MATTERS = 0.1
"""Per cent of the input power: zeros of the torque that make less are within tolerance."""


# ------------------------------------------------------------------------------------------- sides
def one_firmware(runs: Sequence[RunData], side: str) -> None:
    """Check that the runs of a side have one firmware hash.

    Raises:
        UsageError: no run, or several hashes.
    """
    if not runs:
        raise UsageError(f"side {side} has no run", remedy="Name one or more run files on either side.")
    by_hash: dict[str, list[str]] = {}
    for run in runs:
        by_hash.setdefault(run.firmware, []).append(f"{run.label} ({run.revision})")
    if len(by_hash) > 1:
        found = "; ".join(f"{h[:12]}…: {', '.join(names)}" for h, names in by_hash.items())
        raise UsageError(
            f"the runs of side {side} have {len(by_hash)} firmwares",
            got=found,
            expected="one hash",
            remedy="Give the runs of one firmware on each side.",
        )


# ------------------------------------------------------------------------------------------- what is stated
def stated_differences(a: Sequence[RunData], b: Sequence[RunData]) -> list[Confounder]:
    """Differences of the stand profiles, one for each part, beside the firmware itself."""
    tables = _tables((*a, *b))
    keys = list(dict.fromkeys(key for table in tables.values() for key in table))
    found: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for key in keys:
        sides = [list(dict.fromkeys(tables[id(run)].get(key, "not there") for run in side)) for side in (a, b)]
        if len({*sides[0], *sides[1]}) > 1:
            place = _place_of(key, a[0].stand)
            if place is not None:
                found.setdefault(place, []).append((key, " / ".join(sides[0]), " / ".join(sides[1])))
    return [_stated(name, label, rows) for (name, label), rows in found.items()]


def _tables(runs: Sequence[RunData]) -> dict[int, dict[str, str]]:
    """By run (its id) the parts of its profile that are not the same in all runs, flat."""
    tables: dict[int, dict[str, str]] = {id(run): {"software": run.software} for run in runs}
    for part in fields(Stand):
        values = [getattr(run.stand, part.name) for run in runs]
        if all(value is values[0] or value == values[0] for value in values):
            continue
        for run, value in zip(runs, values, strict=True):
            tables[id(run)] |= dict(_flat(value, part.name))
    return tables


_REFUSED = {
    "inverter": "another inverter: the difference is that of the articles",
    "motor": "another motor: its losses are others",
    "propeller": "another load",
    "calibration": "the yardstick of the loss has changed between the sides",
    "measurement": "the loss is measured in another way",
    "simulated": "simulated and real runs cannot be compared",
}
_MARKED = {
    "limits": "limits may cap or shape what was run",
    "coolant": "another mixture cools otherwise",
    "other calibrations": "channels that are not in the loss were calibrated anew",
    "certificates": "papers were renewed; the curves are the same",
    "parameters": "another setting of stand or analysis",
    "software": "recorded by another version of benchkit",
}


def _stated(name: str, label: str, rows: Sequence[tuple[str, str, str]]) -> Confounder:
    shown = rows[:3]
    more = f"; {len(rows) - 3} more" if len(rows) > 3 else ""
    a, b = ("; ".join(f"{key} = {row}" for key, row in ((r[0], r[side]) for r in shown)) + more for side in (1, 2))
    treatment = Treatment.REFUSED if name in _REFUSED else Treatment.MARKED
    return Confounder(name, label, a, b, treatment, _REFUSED.get(name) or _MARKED[name])


_SKIPPED = ("inverter.firmware_revision", "inverter.firmware_sha256", "title", "notes")


_PLACES = {
    "inverter": ("inverter", "Inverter"),
    "motor": ("motor", "Motor"),
    "propeller": ("propeller", "Propeller"),
    "coolant": ("coolant", "Coolant mixture"),
    "simulated": ("simulated", "Simulated or real"),
    "software": ("software", "Software"),
    **dict.fromkeys(
        ("limit_set", "stop_actions", "orderly_stop", "alarm_rules", "start_conditions"), ("limits", "Limits and stops")
    ),
}
_PARAMETERS = ("parameters", "Parameters")


def _place_of(key: str, stand: Stand) -> tuple[str, str] | None:
    """Short name and label of the part of the profile that a key belongs to; None for what does not matter."""
    head, _, rest = key.partition(".")
    written_down = head == "limit_set" and rest.partition(".")[0] in ("layers", "origins", "changes")
    if key in _SKIPPED or key.endswith((".label", ".port")) or written_down:
        return None
    if head == "channels":
        return _place_of_channel(rest, stand)
    if head == "roles" and rest in {str(r) for r in LOSS_ROLES}:
        return "measurement", "Channels behind the loss"
    return _PLACES.get(head, _PARAMETERS)


def _place_of_channel(key: str, stand: Stand) -> tuple[str, str]:
    name = key.partition(".")[0]
    if ".certificate" in key:
        return "certificates", "Calibration certificates"
    if not any(part in key for part in (".calibration", ".column", ".derived")):
        return _PARAMETERS
    if any(stand.roles.get(role) == name for role in LOSS_ROLES):
        return "calibration", "Calibration of the loss"
    return "other calibrations", "Other calibrations"


def _flat(value: object, prefix: str = "") -> Iterator[tuple[str, str]]:
    """Every leaf of nested dataclasses, mappings and tuples as (path, text)."""
    if is_dataclass(value) and not isinstance(value, type):
        for field in fields(value):
            yield from _flat(getattr(value, field.name), f"{prefix}.{field.name}" if prefix else field.name)
    elif isinstance(value, Mapping):
        for key, item in value.items():
            yield from _flat(item, f"{prefix}.{key}" if prefix else str(key))
    elif isinstance(value, tuple | list | frozenset):
        items = sorted(value, key=str) if isinstance(value, frozenset) else list(value)
        for index, item in enumerate(items):
            yield from _flat(item, f"{prefix}.{getattr(item, 'name', index)}")
    elif isinstance(value, Enum):
        yield prefix, str(value.value)
    elif isinstance(value, dt.date):
        yield prefix, value.isoformat()
    elif isinstance(value, float):
        yield prefix, f"{value:.6g}"
    else:
        yield prefix, str(value)


# ----------------------------------------------------------------------------------------- what was measured
def measured_differences(
    runs: Sequence[RunData], is_b: npt.NDArray[np.bool_], weights: Sequence[FloatArray], matters: float = MATTERS
) -> list[Confounder]:
    """Conditions of the two sides at the common operating points, every one that is measured on both.

    Args:
        weights: of each run, (m, n) [1]: its points at each common operating point.
        matters: what a zero of the torque may make [% of the input power].
    """
    found = []
    for condition in _CONDITIONS:
        means = np.array([_at(run.condition(condition.role), w) for run, w in zip(runs, weights, strict=True)])
        if np.all(np.isfinite(means)):
            found.append(_judged(condition, means * _SCALE.get(condition.role, 1.0), is_b))
    found += _torque_per_ampere(runs, is_b, weights)
    found += _zeros(runs, is_b, weights, matters)
    found += _thermal_state(runs, is_b)
    return found


def _at(values: FloatArray, weights: FloatArray) -> float:
    return float(np.mean(weights @ values))


def _judged(condition: _Condition, means: FloatArray, is_b: npt.NDArray[np.bool_]) -> Confounder:
    a, b = float(means[~is_b].mean()), float(means[is_b].mean())
    scale = 100.0 / abs(a) if condition.relative and a else 1.0
    difference = (b - a) * scale
    odd = float(np.max(np.abs(means - np.median(means)))) * scale
    # one run that stands apart is as bad as two sides that do
    beyond = abs(difference) > condition.allowed or odd > 1.5 * condition.allowed
    unit = {"K": "°C", "%": "", "hPa": "hPa", "%-points": "%"}[condition.unit]
    if condition.relative:
        unit = "V" if condition.role is Role.DC_VOLTAGE else "L/min"
    return Confounder(
        str(condition.role),
        condition.label,
        f"{a:.4g} {unit}",
        f"{b:.4g} {unit}",
        condition.treatment if beyond else Treatment.NONE,
        condition.meaning,
        difference,
        condition.allowed,
        condition.unit,
    )


def _torque_per_ampere(
    runs: Sequence[RunData], is_b: npt.NDArray[np.bool_], weights: Sequence[FloatArray]
) -> list[Confounder]:
    ratios = []
    for run, w in zip(runs, weights, strict=True):
        torque, current = w @ run.torque_nm, w @ run.condition(Role.PHASE_CURRENT)
        loaded = np.abs(torque) > 0.25 * np.max(np.abs(torque))
        ratios.append(float(np.sum(np.abs(torque[loaded])) / np.sum(current[loaded])))
    values = np.array(ratios)
    if not np.all(np.isfinite(values)):
        return []
    a, b = float(values[~is_b].mean()), float(values[is_b].mean())
    difference = 100.0 * (b / a - 1.0)
    return [
        Confounder(
            "torque_per_ampere",
            "Torque per ampere",
            f"{a:.5g} N·m/A",
            f"{b:.5g} N·m/A",
            Treatment.MARKED if abs(difference) > TORQUE_PER_AMPERE else Treatment.NONE,
            "magnet temperature, current angle of the firmware, or a torque or current calibration that has moved",
            difference,
            TORQUE_PER_AMPERE,
            "%",
        )
    ]


def _zeros(
    runs: Sequence[RunData], is_b: npt.NDArray[np.bool_], weights: Sequence[FloatArray], matters: float
) -> list[Confounder]:
    """Torque at rest: between the sides, and between the first and the last rest of each run."""
    if not all(run.zeros for run in runs):
        return []
    typical = float(np.mean([np.mean(np.abs(w @ run.torque_nm)) for run, w in zip(runs, weights, strict=True)]))
    allowed = 0.01 * matters * typical
    means = np.array([np.mean([z.value for z in run.zeros]) for run in runs])
    spread = np.array([math.sqrt(sum(z.u**2 for z in run.zeros)) / len(run.zeros) for run in runs])
    a, b = float(means[~is_b].mean()), float(means[is_b].mean())
    u = math.hypot(*(float(np.sqrt(np.sum(spread[s] ** 2)) / s.sum()) for s in (is_b, ~is_b)))
    found = [
        Confounder(
            "torque_zero",
            "Torque at rest",
            f"{a:+.3f} N·m",
            f"{b:+.3f} N·m",
            Treatment.REFUSED if abs(b - a) > max(allowed, 3.0 * u) else Treatment.NONE,
            "a zero that has moved is read as loss, in proportion to speed",
            b - a,
            max(allowed, 3.0 * u),
            "N·m",
        )
    ]
    moves = [(run.zeros[-1].value - run.zeros[0].value, run) for run in runs if len(run.zeros) > 1]
    if moves:
        largest = [
            max((m for m in moves if (m[1] in side)), key=lambda m: abs(m[0]), default=None)
            for side in _sides(runs, is_b)
        ]
        text_a, text_b = ("not measured" if m is None else f"{m[0]:+.3f} N·m ({m[1].label})" for m in largest)
        worst, run = max(moves, key=lambda m: abs(m[0]))
        bound = max(allowed, 3.5 * math.hypot(run.zeros[0].u, run.zeros[-1].u))
        found.append(
            Confounder(
                "torque_zero_drift",
                "Drift of the torque at rest in a run",
                text_a,
                text_b,
                Treatment.REFUSED if abs(worst) > bound else Treatment.NONE,
                "the zero moved while the run went on: points of its end are off against those of its beginning",
                worst,
                bound,
                "N·m",
            )
        )
    return found


def _thermal_state(runs: Sequence[RunData], is_b: npt.NDArray[np.bool_]) -> list[Confounder]:
    shares = 100.0 * np.array([run.unsettled for run in runs])
    if not np.all(np.isfinite(shares)):
        return []
    a, b = float(shares[~is_b].mean()), float(shares[is_b].mean())
    return [
        Confounder(
            "thermal_state",
            "Points not thermally steady",
            f"{a:.0f} %",
            f"{b:.0f} %",
            Treatment.MARKED if abs(b - a) > UNSETTLED else Treatment.NONE,
            "a drive that is still warming up stores part of its loss, and is not at the temperature of its load",
            b - a,
            UNSETTLED,
            "%-points",
        )
    ]


def order_differences(blocks: Sequence[Block]) -> list[Confounder]:
    """The order of the runs, where it lets a drift look like a difference."""
    alone = [b.letters for b in blocks if len(set(b.letters)) == 1]
    tilted = [b.letters for b in blocks if len(set(b.letters)) == 2 and not b.is_balanced]
    if not alone and (not tilted or _turned(tilted)):
        return []
    text = " | ".join(b.letters for b in blocks)
    meaning = "a drift of the bench looks like a difference: run ABBA, or turn the order round every other day"
    return [Confounder("order", "Order of the runs", text, text, Treatment.MARKED, meaning)]


def _turned(letters: Sequence[str]) -> bool:
    """As many blocks begin with A as with B."""
    first = [x[0] for x in letters]
    return first.count("A") == first.count("B")


def _sides(runs: Sequence[RunData], is_b: npt.NDArray[np.bool_]) -> tuple[list[RunData], list[RunData]]:
    return [r for r, s in zip(runs, is_b, strict=True) if not s], [r for r, s in zip(runs, is_b, strict=True) if s]
