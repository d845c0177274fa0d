"""What all sections of a profile share."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,47}$", description="lower case letters, digits, underscore")]
Finite = Annotated[float, Field(allow_inf_nan=False)]
NonNegative = Annotated[float, Field(ge=0.0, allow_inf_nan=False)]


class Section(BaseModel):
    """Base of all sections."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Measure(Section):
    """A number with its unit."""

    value: Finite
    unit: str
