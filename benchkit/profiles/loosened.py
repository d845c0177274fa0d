"""Is a limit looser than before? Judged key by key, on what TOML says, so that every kind of limit is judged.

Where the table below knows no order, for a key or for the set point of a kind, any change counts as loosening: it is
then the reason that tells whether the change was meant.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from benchkit.errors import UsageError
from benchkit.units import Quantity, scale_to_bench

LOOSER_SET_POINT = {
    **dict.fromkeys(("above", "stale", "rate", "deviation", "spread"), 1),
    **dict.fromkeys(("inverse_time", "thermal_replica", "i2t", "energy_in_time"), 1),
    **dict.fromkeys(("below", "frozen"), -1),
}
"""By kind: 1 where a larger set point acts later, -1 where a smaller one does."""
LOOSER_TIME_OR_BAND = {"on_delay": 1, "off_delay": -1, "deadband": -1}
"""1: more is looser. A smaller deadband or a shorter off-delay lets go sooner, and starts the on-delay anew."""
STRICTER_WORD = {"severity": "trip", "latching": True}
"""The value that is stricter than every other one."""

LARGEST = 1e300
"""Whole numbers of any length may stand in TOML; those beyond a float are no measures."""

QuantityOf = Callable[[str], Quantity | None]
"""Quantity of the channel of that name; None: there is none."""


def differences(before: Mapping[str, Any], after: Mapping[str, Any], quantity_of: QuantityOf) -> dict[str, bool]:
    """The keys of a limit that mean something else than before; True: looser by it (or in no known order)."""
    found: dict[str, bool] = {}
    for key in dict.fromkeys((*before, *after)):
        step = _step(key, before, after, quantity_of)
        if step != 0:
            found[key] = step > 0
    return found


def _step(key: str, before: Mapping[str, Any], after: Mapping[str, Any], quantity_of: QuantityOf) -> int:
    """1 looser or unknown, 0 the same, -1 stricter."""
    old, new = before.get(key), after.get(key)
    if old == new and type(old) is type(new):
        return 0
    if key in STRICTER_WORD:
        return -1 if new == STRICTER_WORD[key] else 1
    if key == "action" and not old:
        return -1  # a stop where there was none
    order = LOOSER_SET_POINT.get(str(before.get("kind")), 0) if key == "set_point" else LOOSER_TIME_OR_BAND.get(key, 0)
    watched = ("kind", "channel")
    if order == 0 or any(before.get(word) != after.get(word) for word in watched):
        return 1
    numbers = _comparable(key, old, new, before, quantity_of)
    if numbers is None:
        return 1
    was, now = numbers
    return 0 if now == was else order if now > was else -order


def _comparable(
    key: str, old: Any, new: Any, limit: Mapping[str, Any], quantity_of: QuantityOf
) -> tuple[float, float] | None:
    """Both values in one unit; None where they are not two numbers with units of one quantity."""
    if not (_is_measure(old) and _is_measure(new)):
        return None
    if old["unit"] == new["unit"]:
        return float(old["value"]), float(new["value"])
    is_time = key in {"on_delay", "off_delay"} or limit.get("kind") == "stale"
    quantity = Quantity.TIME if is_time else quantity_of(str(limit.get("channel")))
    if quantity is None:
        return None
    try:
        scales = [scale_to_bench(quantity, measure["unit"]) for measure in (old, new)]
    except UsageError:
        return None
    was, now = (
        # a deadband is a difference: the zero point of its unit does not count
        abs(s.factor) * m["value"] if key == "deadband" else s.factor * m["value"] + s.offset
        for s, m in zip(scales, (old, new), strict=True)
    )
    return was, now


def _is_measure(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and set(value) == {"value", "unit"}
        and isinstance(value["unit"], str)
        and isinstance(value["value"], int | float)
        and not isinstance(value["value"], bool)
        and abs(value["value"]) < LARGEST
    )


def change_words(before: Mapping[str, Any], after: Mapping[str, Any], keys: Mapping[str, bool]) -> str:
    """Old and new value of each key: ``set_point 140 °C -> 145 °C; latching true -> false``."""
    return "; ".join(f"{key} {in_words(before.get(key))} -> {in_words(after.get(key))}" for key in keys)


def in_words(value: Any) -> str:
    """A value of a profile for people."""
    if value is None or isinstance(value, bool):
        return {None: "none", True: "true", False: "false"}[value]
    if isinstance(value, float):
        return f"{value:.10g}"
    if _is_measure(value):
        return f"{value['value']:.10g} {value['unit']}"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {in_words(held)}" for key, held in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(in_words, value)) + "]"
    return str(value)
