"""The kinds of field that knowledge files share."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from refettle.language import tr

Id = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_-]{0,39}$")]
Name = Annotated[str, Field(min_length=1, max_length=120)]
Prose = Annotated[str, Field(max_length=4000)]


def _finite(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError("a number")
    if isinstance(value, str):
        raise ValueError(tr("a finite number"))
    if isinstance(value, float) and not math.isfinite(value):
        raise ValueError(tr("a finite number"))
    return value


Number = Annotated[float, BeforeValidator(_finite)]
Probability = Annotated[Number, Field(ge=0, le=1)]
Minutes = Annotated[Number, Field(gt=0, le=6000)]
Positive = Annotated[Number, Field(gt=0, le=1e12)]
NonNegative = Annotated[Number, Field(ge=0, le=1e12)]


def quantity(unit: str) -> BeforeValidator:
    """A number in the SI base unit, or a text as people write it: `4700u`, `4k7`, `0.6 A`."""

    def read(value: Any) -> Any:
        from refettle.quantities import QuantityError, allowed, parse

        if not isinstance(value, str):
            return _finite(value)
        try:
            return parse(value, unit)
        except QuantityError:
            raise ValueError(allowed(unit)) from None

    return BeforeValidator(read)


class Strict(BaseModel):
    """Unknown keys are mistakes, not noise."""

    model_config = ConfigDict(extra="forbid", frozen=True)
