"""What protection is about, as one part of the status message: alarms, flood, stops under way, permissives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from benchkit.model.alarms import Life
from benchkit.model.limits import Severity
from benchkit.protect.outcomes import StopStatus

if TYPE_CHECKING:
    from benchkit.protect.protection import Protection


@dataclass(frozen=True, slots=True)
class AlarmStatus:
    """One alarm that is not normal. Times are host time since the run began; ``until_s``: end of a shelving."""

    name: str
    severity: Severity
    life: Life
    acts: bool
    since_s: float
    who: str = ""
    reason: str = ""
    until_s: float | None = None


@dataclass(frozen=True, slots=True)
class Prediction:
    """When ``channel`` would meet ``limit``, the one it is nearest to, if things go on as they do.

    ``time_to_limit_s`` is host time from its last sample; 0 beyond the limit, NaN where the channel does not approach
    it or is not measured. ``model`` names the thermal model of the profile that says so; empty: the course of the
    channel itself. It is no promise and protects nothing.
    """

    channel: str
    limit: str
    time_to_limit_s: float
    model: str = ""


@dataclass(frozen=True, slots=True)
class ProtectionStatus:
    """``missing``: what each permissive that is not met lacks, and what to do. ``alarm_rate``: alarms in 10 min.
    ``predictions``: one for each channel that has been looked at, see ``session.forecast``."""

    alarms: tuple[AlarmStatus, ...] = ()
    alarm_rate: int = 0
    is_flood: bool = False
    stops: tuple[StopStatus, ...] = ()
    missing: Mapping[str, str] = field(default_factory=dict)
    predictions: tuple[Prediction, ...] = ()
    tightened: Mapping[str, float] = field(default_factory=dict)
    """Limits whose set point a person has moved in this run, and the set point in force."""


def protection_status(
    protection: Protection, start_ns: int, now_ns: int, predictions: tuple[Prediction, ...] = ()
) -> ProtectionStatus:
    """The status at ``now_ns`` (host time) of a run that began at ``start_ns``."""

    def run_s(time_ns: int) -> float:
        return (time_ns - start_ns) * 1e-9

    return ProtectionStatus(
        alarms=tuple(
            AlarmStatus(
                name=alarm.name,
                severity=alarm.severity,
                life=alarm.life,
                acts=alarm.acts,
                since_s=run_s(alarm.since_ns),
                who=alarm.who,
                reason=alarm.reason,
                until_s=None if alarm.until_ns is None else run_s(alarm.until_ns),
            )
            for alarm in protection.alarms.all
            if alarm.life is not Life.NORMAL
        ),
        alarm_rate=protection.alarms.rate(now_ns),
        is_flood=protection.alarms.is_flood,
        stops=protection.stops_under_way,
        missing={
            one.name: ". ".join(part for part in (one.detail, one.remedy) if part)
            for one in protection.missing_permissives
        },
        predictions=predictions,
        tightened=protection.tightened,
    )


def protection_status_from(body: Mapping[str, Any]) -> ProtectionStatus:
    """From its JSON mapping; raises KeyError, ValueError or TypeError on a wrong form."""
    return ProtectionStatus(
        alarms=tuple(
            AlarmStatus(
                name=str(alarm["name"]),
                severity=Severity(alarm["severity"]),
                life=Life(alarm["life"]),
                acts=bool(alarm["acts"]),
                since_s=float(alarm["since_s"]),
                who=str(alarm["who"]),
                reason=str(alarm["reason"]),
                until_s=None if alarm["until_s"] is None else float(alarm["until_s"]),
            )
            for alarm in body["alarms"]
        ),
        alarm_rate=int(body["alarm_rate"]),
        is_flood=bool(body["is_flood"]),
        stops=tuple(
            StopStatus(
                action=str(stop["action"]),
                step=int(stop["step"]),
                of=int(stop["of"]),
                attempt=int(stop["attempt"]),
                source=str(stop["source"]),
                is_held=bool(stop["is_held"]),
                escalated_from=str(stop["escalated_from"]),
            )
            for stop in body["stops"]
        ),
        missing={str(name): str(text) for name, text in body["missing"].items()},
        predictions=tuple(
            Prediction(
                str(one["channel"]),
                str(one["limit"]),
                math.nan if one["time_to_limit_s"] is None else float(one["time_to_limit_s"]),
                str(one.get("model", "")),
            )
            for one in body.get("predictions", ())
        ),
        tightened={str(name): float(value) for name, value in body.get("tightened", {}).items()},
    )
