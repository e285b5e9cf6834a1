"""What the list of a backup must hold, so that a list written by anyone can be read as one that Refettle wrote."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0, le=10**15)]
Setting = Literal["REFETTLE_TZ", "REFETTLE_CURRENCY", "REFETTLE_RATE", "REFETTLE_WHO"]
"""What of the settings goes with a backup; no other may come out of one."""
Value = Annotated[str, Field(max_length=1000, pattern=r"^[^\x00]*$")]
Line = Annotated[str, Field(max_length=5000)]


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True)


class _Content(_Strict):
    sha256: Sha256
    bytes: Count


class _Database(_Content):
    tables: dict[str, Count]


class _File(_Content):
    path: Annotated[str, Field(max_length=400)]


class _Job(_Strict):
    entries: Count


class _List(_Strict):
    version: Literal[1]
    made: Annotated[AwareDatetime, Field(strict=False)]
    refettle: Line
    book: Line
    home: Line
    settings: dict[Setting, Value]
    database: _Database
    jobs: dict[Annotated[str, Field(pattern=r"^[0-9]{1,18}$")], _Job]
    sums: list[Line]
    files: list[_File]
    trouble: list[Line]


def wrong_in(body: dict[str, Any]) -> str:
    """What of a list cannot be used, in words; '' for nothing. Further fields are let be."""
    try:
        _List.model_validate(body)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part)[:70] for part in first["loc"]) or "the whole"
        return f"{where}: {ascii(first['input'])[:60]} found; {first['msg']}"
    return ""
