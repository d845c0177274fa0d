"""Limits on channels as the profile says them: what they watch, when they act, what a trip commands."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from benchkit.model.limit_layers import HASH_SHOWN, LimitChange, LimitLayer, change_text, origin_text


class LimitKind(StrEnum):
    """What a limit watches."""

    ABOVE = "above"
    BELOW = "below"
    STALE = "stale"


class Severity(StrEnum):
    """Caution: tell. Trip: stop and latch."""

    CAUTION = "caution"
    TRIP = "trip"


@dataclass(frozen=True, slots=True)
class Limit:
    """A rule on a channel.

    The condition of ``above`` is ``value > set_point``, of ``below`` ``value < set_point``: equality does not count.
    Of ``stale`` it is ``age of the last good sample > set_point`` seconds. The condition must stand for ``on_delay_s``
    before the limit acts, and is gone only when the value is back by more than or exactly ``deadband``, for
    ``off_delay_s``. A trip limit also takes NaN, a missing sample and a stale source as its condition.
    """

    name: str
    channel: str
    kind: LimitKind
    severity: Severity
    set_point: float
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    deadband: float = 0.0
    latching: bool = True
    action: str = ""
    """Name of the stop action of a trip limit; empty for a caution."""


@dataclass(frozen=True, slots=True)
class LimitSet:
    """All limits of a stand, with the revision under which they were agreed."""

    name: str
    revision: str
    limits: tuple[Limit, ...]
    sha256: str = ""
    """Of the canonical JSON (RFC 8785) of all limits as the profile says them."""
    layers: tuple[LimitLayer, ...] = ()
    """What it was put together from, the lowest first; empty in runs that do not say."""
    origins: Mapping[str, int] = field(default_factory=dict)
    """Number of the layer that last set each ``limit.key``."""
    changes: tuple[LimitChange, ...] = ()

    @property
    def short_hash(self) -> str:
        """The first digits of the hash, enough for two people to compare; empty where none was taken."""
        return self.sha256[:HASH_SHOWN]

    def origin(self, limit: str) -> str:
        """Where a limit comes from, key by key where several layers set it."""
        return origin_text(limit, self.layers, self.origins)

    def changes_of(self, limit: str) -> tuple[str, ...]:
        """What later layers did to a limit, one line for each."""
        return tuple(change_text(c, self.layers) for c in self.changes if c.limit == limit)
