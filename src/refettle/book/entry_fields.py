"""What the fields of log entries are made of: texts, figures, file hashes. No database and no framework."""

from __future__ import annotations

import math
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StringConstraints

from refettle.language import tr


def _finite(value: Any) -> Any:
    if isinstance(value, str):  # as typed on the command line or in a form
        value = float(value) if value.strip() else value
    if isinstance(value, bool) or (isinstance(value, float) and not math.isfinite(value)):
        raise ValueError(tr("a finite number"))
    return value


Text = Annotated[str, Field(max_length=20_000)]
Told = Annotated[str, StringConstraints(strip_whitespace=True, min_length=3, max_length=20_000)]
"""Something that must really be said."""
Short = Annotated[str, Field(min_length=1, max_length=200)]
Number = Annotated[float, BeforeValidator(_finite)]
Minutes = Annotated[Number, Field(ge=0, le=100_000)]
Ohm = Annotated[Number, Field(ge=0, le=1e9)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
"""What names a kept file."""


class Entry(BaseModel):
    """What every kind of entry is: its own fields and no other, never changed."""

    model_config = ConfigDict(extra="forbid", frozen=True)
