"""Numbers and times as people read them."""

from __future__ import annotations

import math
import re

from benchkit.model.stand import Channel
from benchkit.units import Quantity
from gui.state.decimals import said

_DECIMALS: dict[Quantity, int] = {
    Quantity.SPEED: 0,
    Quantity.TORQUE: 1,
    Quantity.FORCE: 1,
    Quantity.VOLTAGE: 1,
    Quantity.CURRENT: 1,
    Quantity.POWER: 0,
    Quantity.TEMPERATURE: 1,
    Quantity.TEMPERATURE_DIFFERENCE: 1,
    Quantity.PRESSURE: 0,
    Quantity.FLOW: 2,
    Quantity.RATIO: 3,
    Quantity.FREQUENCY: 1,
    Quantity.VIBRATION: 2,
}
NOT_MEASURED = "–"
_MINUTE_S, _HOUR_S = 60.0, 3600.0


def number(value: float, quantity: Quantity) -> str:
    """A value in its bench unit, without the unit; a dash where it was not measured."""
    if not math.isfinite(value):
        return NOT_MEASURED
    text = f"{value:.{_DECIMALS.get(quantity, 2)}f}"
    return said(text) if float(text) != 0.0 else said(text.replace("-", ""))


def watts(value_w: float) -> str:
    """A power with its unit: ``812 W``, ``12.41 kW``."""
    if not math.isfinite(value_w):
        return NOT_MEASURED
    text = f"{value_w:.0f} W" if abs(value_w) < 1000.0 else f"{value_w / 1000.0:.2f} kW"
    return said(text)


def span(seconds: float) -> str:
    """A length of time in two units: ``42 s``, ``3 min 20 s``, ``5 h 12 min``, ``3 days``."""
    if not math.isfinite(seconds):
        return NOT_MEASURED
    if seconds < _MINUTE_S:
        return f"{seconds:.0f} s"
    if seconds < _HOUR_S:
        minutes, rest = divmod(int(seconds), 60)
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    if seconds < 72 * _HOUR_S:
        hours, minutes = divmod(int(seconds) // 60, 60)
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    return f"{int(seconds // 86400)} days"


def age(seconds: float) -> str:
    """How old something is: tenths of a second below a minute."""
    return said(f"{seconds:.1f} s") if seconds < _MINUTE_S else span(seconds)


def clock(seconds: float) -> str:
    """Run time as hours, minutes, seconds: ``0:03:12``."""
    if not math.isfinite(seconds):
        return NOT_MEASURED
    whole = int(seconds)
    return f"{whole // 3600}:{whole % 3600 // 60:02d}:{whole % 60:02d}"


def size(count: float) -> str:
    """Bytes in decimal units: ``41.2 GB``."""
    for unit in ("B", "kB", "MB", "GB"):
        if abs(count) < 1000.0:
            return f"{count:.0f} {unit}" if unit == "B" else said(f"{count:.1f} {unit}")
        count /= 1000.0
    return said(f"{count:.1f} TB")


def percent(value: float, u: float) -> str:
    """An efficiency with its expanded uncertainty (k = 2): ``96.4 ± 0.2 %``; *not resolved* above 10 points."""
    if not (math.isfinite(value) and math.isfinite(u)):
        return NOT_MEASURED
    if 2.0 * u > 0.10:
        return "not resolved"
    decimals = 1 if 2.0 * u >= 0.0005 else 2
    return said(f"{100 * value:.{decimals}f} ± {200 * u:.{decimals}f} %")


def short_label(channel: Channel) -> str:
    """The label without the name of its quantity, which the plot already says."""
    word = rf"\b{re.escape(channel.quantity.value)}\b\s*"
    rest = re.sub(word, "", channel.label, count=1, flags=re.IGNORECASE).replace(" ,", ",").strip()
    return rest or channel.label


def clock_tenths(seconds: float) -> str:
    """Run time with tenths of a second: ``0:03:12.4``."""
    if not math.isfinite(seconds):
        return NOT_MEASURED
    sign, tenths = ("−" if seconds < 0.0 else ""), round(abs(seconds) * 10.0)
    return f"{sign}{clock(tenths // 10)}{said('.')}{tenths % 10}"
