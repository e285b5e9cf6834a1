"""How an oscilloscope hands over a trace, as data: a TOML file that anyone can write from its programming manual.

SCPI-99 leaves waveforms to the makers, so the commands differ; what they convey does not: codes or numbers, the time
between samples, and what a code is worth.

    value = (code - zero) * scale + offset
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field, fields
from typing import Any

from refettle.captures.cells import unit_of
from refettle.instruments.errors import InstrumentError

FORMS = {
    "text": "numbers as text, parted by commas",
    "i8": "block of signed bytes",
    "u8": "block of bytes",
    "i16": "block of signed 16-bit words",
    "u16": "block of 16-bit words",
    "f32": "block of 32-bit floating numbers",
    "f64": "block of 64-bit floating numbers",
}
"""What the data come as. A block is one of definite length, IEEE 488.2."""
Figure = float | str
"""A number as it stands; or a question, such as "TRAC:STEP?"; or a place in the preamble, such as "preamble 5"."""
_PLACE = re.compile(r"preamble ([1-9]\d?)")


@dataclass(frozen=True, slots=True)
class Description:
    """How to fetch a trace.

    Parameters
    ----------
    data : str
        The question that hands over the samples. `{channel}` stands for the channel asked for, here and below.
    step : Figure
        [s] Between samples.
    form : str
        One of `FORMS`.
    name : str
        Of the instrument, for people.
    identity : str
        What the answer to *IDN? must hold, capitals or not; empty: anything.
    before, after : list of str
        Commands sent before the first question and after the last.
    preamble : str
        A question whose answer is a list parted by commas, for figures named "preamble N".
    start, scale, zero, offset : Figure
        [s] time of the first sample; what a code is worth and which code is zero; what is added in the end.
    unit : str
        Of the values.
    big_endian : bool
        Whether words come with the high byte first.
    channels : list of str
        What may stand for `{channel}`; empty: anything.
    """

    data: str
    step: Figure
    form: str = "text"
    name: str = ""
    identity: str = ""
    before: tuple[str, ...] = ()
    after: tuple[str, ...] = ()
    preamble: str = ""
    start: Figure = 0.0
    scale: Figure = 1.0
    zero: Figure = 0.0
    offset: Figure = 0.0
    unit: str = "V"
    big_endian: bool = True
    channels: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        if self.form not in FORMS:
            raise InstrumentError(f"form: {self.form!r} found; allowed: {', '.join(FORMS)}")
        found = unit_of(self.unit)
        if found is None or found[1] != 1.0 or found[0] == "s":
            raise InstrumentError(f"unit: {self.unit!r} found; allowed: V, A and other SI units without a prefix")
        if not self.data.strip().endswith("?") and "?" not in self.data:
            raise InstrumentError(f"data: {self.data!r} found; allowed: a question, with a question mark")
        for key in ("step", "start", "scale", "zero", "offset"):
            value = getattr(self, key)
            if isinstance(value, str) and "?" not in value and not _PLACE.fullmatch(value):
                raise InstrumentError(f"{key}: {value!r} found; allowed: a number, a question, or 'preamble N'")
            if isinstance(value, str) and _PLACE.fullmatch(value) and not self.preamble:
                raise InstrumentError(f"{key}: {value!r} found without a preamble; allowed: with one")
        for text in (self.data, self.preamble, *self.before, *self.after):
            if not text.isascii() or "\n" in text or re.sub(r"\{channel\}", "", text).count("{"):
                raise InstrumentError(
                    f"command {text!r} found; allowed: one line of plain text, with {{channel}} or not"
                )


def place_of(figure: Figure) -> int | None:
    """The place in the preamble that a figure names, from 0, or None."""
    found = _PLACE.fullmatch(figure) if isinstance(figure, str) else None
    return int(found[1]) - 1 if found else None


def read_description(text: str, name: str = "description") -> Description:
    """A description from TOML.

    Raises
    ------
    InstrumentError
        With the key: what was found, what is allowed.
    """
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InstrumentError(f"{name}: {error}; allowed: TOML") from None
    known = {each.name: each for each in fields(Description)}
    for key, value in data.items():
        if key not in known:
            raise InstrumentError(f"{name}: {key}: unknown; allowed: {', '.join(known)}")
        data[key] = _checked(name, key, value)
    for key in ("data", "step"):
        if key not in data:
            raise InstrumentError(f"{name}: {key}: not given; allowed: {'a question' if key == 'data' else 'a figure'}")
    try:
        return Description(**data)
    except InstrumentError as error:
        raise InstrumentError(f"{name}: {error}") from None


def _checked(name: str, key: str, value: Any) -> Any:
    if key in ("before", "after", "channels"):
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            raise InstrumentError(f"{name}: {key}: {value!r} found; allowed: a list of texts")
        return tuple(value)
    if key == "big_endian":
        if not isinstance(value, bool):
            raise InstrumentError(f"{name}: {key}: {value!r} found; allowed: true or false")
        return value
    if key in ("step", "start", "scale", "zero", "offset"):
        if isinstance(value, bool) or not isinstance(value, (int, float, str)):
            raise InstrumentError(f"{name}: {key}: {value!r} found; allowed: a number, a question, or 'preamble N'")
        return value if isinstance(value, str) else float(value)
    if not isinstance(value, str):
        raise InstrumentError(f"{name}: {key}: {value!r} found; allowed: a text")
    return value
