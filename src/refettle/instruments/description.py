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

from refettle.captures.cells import FROM_OVER, unit_of
from refettle.instruments.errors import InstrumentError
from refettle.language import mark, tr

FORMS = {
    "text": mark("numbers as text, parted by commas"),
    "i8": mark("block of signed bytes"),
    "u8": mark("block of bytes"),
    "i16": mark("block of signed 16-bit words"),
    "u16": mark("block of 16-bit words"),
    "f32": mark("block of 32-bit floating numbers"),
    "f64": mark("block of 64-bit floating numbers"),
}
"""What the data come as. A block is one of definite length, IEEE 488.2."""
Figure = float | str
"""A number as it stands; or a question, such as "TRAC:STEP?"; or a place in the preamble, such as "preamble 5"."""
MOST_LETTERS = 10_000
"""Of a description: far more than it needs; names parted by thousands of points take memory by their square."""
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
            raise InstrumentError(tr("form: {form!r} found; allowed: {forms}", form=self.form, forms=", ".join(FORMS)))
        found = unit_of(self.unit)
        if found is None or found[1] != 1.0 or found[0] == "s":
            raise InstrumentError(
                tr("unit: {unit!r} found; allowed: V, A and other SI units without a prefix", unit=self.unit)
            )
        if not self.data.strip().endswith("?") and "?" not in self.data:
            raise InstrumentError(
                tr("data: {typed!r} found; allowed: a question, with a question mark", typed=self.data)
            )
        for key in ("step", "start", "scale", "zero", "offset"):
            value = getattr(self, key)
            if isinstance(value, str) and "?" not in value and not _PLACE.fullmatch(value):
                raise InstrumentError(
                    tr(
                        "{field}: {value!r} found; allowed: a number, a question, or 'preamble N'",
                        field=key,
                        value=value,
                    )
                )
            if isinstance(value, str) and _PLACE.fullmatch(value) and not self.preamble:
                raise InstrumentError(
                    tr("{field}: {value!r} found without a preamble; allowed: with one", field=key, value=value)
                )
        for text in (self.data, self.preamble, *self.before, *self.after):
            if not text.isascii() or "\n" in text or re.sub(r"\{channel\}", "", text).count("{"):
                raise InstrumentError(
                    tr("command {text!r} found; allowed: one line of plain text, with {{channel}} or not", text=text)
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
    if len(text) > MOST_LETTERS:
        raise InstrumentError(
            tr(
                "{name}: {text} letters found; allowed: up to {most_letters}",
                name=name,
                text=len(text),
                most_letters=MOST_LETTERS,
            )
        )
    try:
        data: dict[str, Any] = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # no TOML, days that cannot be, brackets thousands deep
        raise InstrumentError(tr("{name}: {error}; allowed: TOML", name=name, error=str(error)[:200])) from None
    known = {each.name: each for each in fields(Description)}
    for key, value in data.items():
        if key not in known:
            raise InstrumentError(
                tr("{name}: {field}: unknown; allowed: {known}", name=name, field=key, known=", ".join(known))
            )
        data[key] = _checked(name, key, value)
    for key in ("data", "step"):
        if key not in data:
            raise InstrumentError(
                tr(
                    "{name}: {field}: not given; allowed: {wanted}",
                    name=name,
                    field=key,
                    wanted=tr("a question") if key == "data" else tr("a figure"),
                )
            )
    try:
        return Description(**data)
    except InstrumentError as error:
        raise InstrumentError(f"{name}: {error}") from None


def _checked(name: str, key: str, value: Any) -> Any:
    try:
        repr(value)
    except ValueError:  # a whole number of thousands of figures, written in hexadecimal: Python does not spell it out
        raise InstrumentError(
            tr(
                "{name}: {field}: {value} found; allowed: a number below {limit:g}",
                name=name,
                field=key,
                value="0x…",
                limit=FROM_OVER,
            )
        ) from None
    if key in ("before", "after", "channels"):
        if not isinstance(value, list) or not all(isinstance(each, str) for each in value):
            raise InstrumentError(
                tr("{name}: {field}: {value!r} found; allowed: a list of texts", name=name, field=key, value=value)
            )
        return tuple(value)
    if key == "big_endian":
        if not isinstance(value, bool):
            raise InstrumentError(
                tr("{name}: {field}: {value!r} found; allowed: true or false", name=name, field=key, value=value)
            )
        return value
    if key in ("step", "start", "scale", "zero", "offset"):
        if isinstance(value, bool) or not isinstance(value, (int, float, str)):
            raise InstrumentError(
                tr(
                    "{name}: {field}: {value!r} found; allowed: a number, a question, or 'preamble N'",
                    name=name,
                    field=key,
                    value=value,
                )
            )
        if not isinstance(value, str) and not abs(value) < FROM_OVER:
            raise InstrumentError(
                tr(
                    "{name}: {field}: {value} found; allowed: a number below {limit:g}",
                    name=name,
                    field=key,
                    value=str(value)[:40],
                    limit=FROM_OVER,
                )
            )
        return value if isinstance(value, str) else float(value)
    if not isinstance(value, str):
        raise InstrumentError(
            tr("{name}: {field}: {value!r} found; allowed: a text", name=name, field=key, value=value)
        )
    return value
