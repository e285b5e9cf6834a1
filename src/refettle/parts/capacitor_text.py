"""A capacitor described in words, as one types it at the bench: `100u 25V 105C aluminium pitch=2.5mm esr=0.3@100k`."""

from __future__ import annotations

import re
from typing import Any

from refettle.language import mark, tr
from refettle.parts.capacitor import KINDS, MOUNTS, SAFETY_CLASSES, AtFrequency, CapacitorError, Rated
from refettle.quantities import QuantityError, parse, plain

_KIND_WORDS: dict[str, str] = {
    **{str(kind): str(kind) for kind in KINDS},
    "aluminum": "aluminium",
    "electrolytic": "aluminium",
    "low-esr": "low-impedance",
    "non-polar": "bipolar",
    "np": "bipolar",
    "bp": "bipolar",
    "tant": "tantalum",
    "plastic": "film",
}
_LENGTHS = {"pitch": "pitch", "p": "pitch", "diameter": "diameter", "d": "diameter", "height": "height", "h": "height"}
_SPAN = re.compile(r"(?:tol(?:erance)?=)?(?:±|\+/-)?(\d+(?:[.,]\d+)?)%")
_SPANS = re.compile(r"(?:tol(?:erance)?=)?-(\d+(?:[.,]\d+)?)/\+(\d+(?:[.,]\d+)?)%")
_APART = re.compile(r"(\d) (?=(?:[pnuµm]?F|[km]?V|°C|%)(?:\s|,|;|$))", re.IGNORECASE)
WORDS = mark(
    "a value (100u), volts (25V), upper temperature (105C), a kind, radial, axial or surface, a safety class (X2), "
    "tolerance (20% or -10/+50%), and pitch= diameter= height= [mm], esr= and ripple= with @frequency, leakage=, "
    "endurance= [h], stored= [years], name="
)


def read_capacitor(text: str, kind: str | None = None) -> Rated:
    """Read a capacitor described in words, in any order, parted by spaces or commas followed by a space.

    Parameters
    ----------
    text : str
        `WORDS` says what is understood. Lengths without a unit are millimetres.
    kind : str, optional
        Taken where the text names none; without it such a text is an error.

    Raises
    ------
    CapacitorError
        A word that is not understood, said twice, or no value or kind; the message names it.
    """
    found: dict[str, Any] = {}

    def put(name: str, value: Any, word: str) -> None:
        if name in found:
            raise CapacitorError(
                tr("{text!r}: {word!r} says {name} twice; allowed: once", text=text, word=word, name=name)
            )
        found[name] = value

    for word in re.split(r",?\s+|;", _APART.sub(r"\1", plain(text))):
        if word:
            try:
                put(*_word(word), word)
            except QuantityError as error:
                raise CapacitorError(f"{text!r}: {word!r}: {error}") from None
    chosen = found.pop("kind", kind)
    if chosen is None:
        raise CapacitorError(tr("{text!r}: no kind found; allowed: {kinds}", text=text, kinds=", ".join(KINDS)))
    if "farad" not in found:
        raise CapacitorError(
            tr("{text!r}: no capacitance found; allowed: such as 100u, 4.7 µF as 4.7µF, 100n", text=text)
        )
    return Rated(chosen, **found)


def _word(word: str) -> tuple[str, Any]:
    low = word.lower()
    if low in _KIND_WORDS:
        return "kind", _KIND_WORDS[low]
    if low in MOUNTS or low in ("smd", "chip"):
        return "mount", low if low in MOUNTS else "surface"
    classes = word.upper().removeprefix("CLASS=").split("/")
    if set(classes) <= SAFETY_CLASSES:
        return "safety", frozenset(classes)
    if "=" in word and not low.startswith("tol"):
        return _named(word)
    if spans := _SPANS.fullmatch(low):
        return "tolerance", tuple(sign * _hundredth(part) for sign, part in zip((-1, 1), spans.groups(), strict=True))
    if span := _SPAN.fullmatch(low):
        return "tolerance", (-_hundredth(span[1]), _hundredth(span[1]))
    if re.fullmatch(r"\d+(?:[.,]\d+)?(?:°c|c)", low):
        return "celsius", parse(word, "°C")
    if re.fullmatch(r"\d+(?:[.,]\d+)?k?v(?:dc|ac|~)?|\d+v\d+", low):
        return "volt", parse(re.sub(r"(?i)(?:dc|ac|~)$", "", word), "V")
    try:
        return "farad", parse(word, "F")
    except QuantityError:
        raise CapacitorError(tr("{word!r} found; allowed: {words}", word=word, words=tr(WORDS))) from None


def _hundredth(text: str) -> float:
    return float(text.replace(",", ".")) / 100.0


def _named(word: str) -> tuple[str, Any]:
    name, _, said = word.partition("=")
    name = name.lower()
    if name in _LENGTHS:
        bare = re.fullmatch(r"\d+(?:[.,]\d+)?", said)
        return _LENGTHS[name], parse(f"{said}mm" if bare else said, "m")
    if name in ("esr", "ripple"):
        value, at, where = said.partition("@")
        if not at:
            raise CapacitorError(
                tr(
                    "{word!r}: no frequency; allowed: such as {name}={value}@100k",
                    word=word,
                    name=name,
                    value=value or "0.3",
                )
            )
        hertz, _, celsius = where.partition("@")
        measured = parse(celsius, "°C") if celsius else (20.0 if name == "esr" else 105.0)
        return name, AtFrequency(parse(value, "Ω" if name == "esr" else "A"), parse(hertz, "Hz"), measured)
    if name == "leakage":
        return name, parse(said, "A")
    if name in ("endurance", "stored"):
        return name, parse(re.sub(r"(?i)(?:h|y|years?)$", "", said), "")
    if name == "name":
        return name, said
    if name == "kind" and said.lower() in _KIND_WORDS:
        return "kind", _KIND_WORDS[said.lower()]
    raise CapacitorError(tr("{word!r} found; allowed: {words}", word=word, words=tr(WORDS)))
