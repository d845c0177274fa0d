"""The shape of a limit layer as TOML writes it, and of what the resolved profile says about the layers it was made of.

The limits themselves are only checked when they are merged: a layer may hold single keys of them.
"""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from benchkit.model.limit_layers import Mark, Rank
from benchkit.profiles.base import Name, Section

Words = Annotated[str, Field(pattern=r"\S", description="some words")]


class LayerHead(Section):
    """``[limit_set]`` of a layer."""

    name: Words
    revision: Words
    applies_to: str = ""
    """Id of the motor or the inverter, or name of the stand, that the limits were agreed for."""
    base: str = ""
    """Another layer, which this one changes."""


class LayerFile(Section):
    """A whole limit layer."""

    limit_set: LayerHead
    limits: dict[Name, dict[str, Any]] = Field(default_factory=dict)


class LayerEntry(Section):
    """One layer of a resolved limit set."""

    rank: Annotated[Rank, Field(strict=False)]
    name: str
    revision: str
    file: str
    sha256: str


class ChangeEntry(Section):
    """One change of a limit by a later layer."""

    limit: str
    layer: Annotated[int, Field(ge=0)]
    mark: Annotated[Mark, Field(strict=False)]
    what: str
    reason: str


class LimitRecord(Section):
    """``limit_record``: not written by people; put into the resolved profile that a run carries."""

    sha256: str
    layers: list[LayerEntry]
    origins: dict[str, Annotated[int, Field(ge=0)]]
    changes: list[ChangeEntry]
