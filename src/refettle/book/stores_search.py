"""Finding parts as people type them: `4u7 50v`, `4.7uF/50V`, `105 63`, `6,3x11`, a word, half a code, a drawer.

What is typed is first read as a value, a voltage and sizes (`read`), by the same rules as markings; what is left over
is words. Parts of that value come first: of exactly the voltage typed, then of higher ones, then those whose voltage
nobody wrote down. Behind them stand the parts in whose code, name, place or note every word typed occurs.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from django.db.models import Case, F, IntegerField, Q, QuerySet, Value, When
from django.db.models.functions import Lower

from refettle.book.models_stores import Part
from refettle.language import tr
from refettle.parts.capacitor import ELECTROLYTIC
from refettle.parts.markings import MarkingError, read_marking
from refettle.parts.markings_capacitors import STANDARD_VOLTS
from refettle.parts.markings_reading import UNITS
from refettle.quantities import THIN, QuantityError, number, parse, plain, show, written

MAX_LENGTH = 100
MOST = 1000
"""Parts found at most; who gets more types another word."""
ROUNDING = 0.005
"""A value written 0.33 µF is 0.332 µF too, and never its neighbour in a series: E192 steps by 1.2 % (IEC 60063)."""
SIZE_MM = 0.26
"""Sizes that agree this closely are one size: a pitch of 2.54 mm is called 2.5."""
MOST_READINGS = 6
SHOWN_UNIT = {"F": "F", "ohm": "Ω", "H": "H", "Hz": "Hz"}
_STORED_UNIT = {"F": "F", "Ω": "ohm", "H": "H", "Hz": "Hz"}
_BEHIND = r"[pnuµmkMG]?(?:F|H|Hz|V|VDC|VAC|Ω|ohms?)|[pnuµkKMR]|°?C|mm"
_JOIN = re.compile(rf"(?<=\d) (?=(?:{_BEHIND})(?![\w=]))", re.IGNORECASE)
_VALUE = re.compile(
    r"(?:\d+(?:[.,]\d+)?|[.,]\d+)(?:[pnuµUkKMG](?:F|f|H|h|Hz|hz|Ω|ohms?)?|m(?:F|f|H|h|Ω|ohms?)|F|H|Hz|hz|Ω|ohms?|R)"
    r"|\d+[pnuµmkKMRr]\d{1,2}(?:F|f|H|h|Hz|Ω)?|[pnuµR]\d{1,2}(?:F|H)?"
)
_VOLT = re.compile(r"\d+(?:[.,]\d+)?k?v(?:dc|ac|~)?|\d+v\d", re.IGNORECASE)
_CELSIUS = re.compile(r"\d{2,3}°?c", re.IGNORECASE)
_MM = re.compile(r"(\d+(?:[.,]\d+)?)mm", re.IGNORECASE)
_DIAMETER_HEIGHT = re.compile(r"(\d+(?:[.,]\d+)?)[x×](\d+(?:[.,]\d+)?)(?:mm)?", re.IGNORECASE)
_BARE = re.compile(r"\d+(?:[.,]\d+)?|\d{3}[FGJKMZ]", re.IGNORECASE)
_FIELDS = ("code", "name", "kind", "place", "maker", "mount", "note")
_SAME_KIND = {"electrolytic": tuple(sorted(ELECTROLYTIC)), "elco": tuple(sorted(ELECTROLYTIC))}


@dataclass(frozen=True)
class Meant:
    """One value that may be meant: `amount` in SI units of `unit` as `Part.unit` has it, `volt` [V] or None."""

    unit: str
    amount: float
    volt: float | None = None

    @property
    def says(self) -> str:
        """`4.7 µF, 50 V or more`."""
        return show(self.amount, SHOWN_UNIT[self.unit], 4) + (f", {_volts(self.volt)}" if self.volt else "")


@dataclass(frozen=True)
class Query:
    """What was typed, as understood. `meant` is empty where no value was seen; the likeliest comes first."""

    text: str
    meant: tuple[Meant, ...] = ()
    volt: float | None = None
    """[V] where no value was typed with it."""
    celsius: float | None = None
    mm: tuple[float, ...] = ()
    body: tuple[float, float] | None = None
    """Diameter and height [mm]."""
    words: tuple[str, ...] = ()
    every: tuple[str, ...] = ()
    """All that was typed, as words."""

    @property
    def by_value(self) -> bool:
        """True where more than words was understood."""
        return bool(self.meant or self.volt or self.celsius or self.mm or self.body)

    def says(self, found: Iterable[tuple[str, float]] = ()) -> str:
        """How it was understood; of values that may be meant, those `found` (unit and amount), else the first."""
        among = set(found)
        seen = [each for each in self.meant if (each.unit, each.amount) in among] if among else []
        said = [tr(" or ").join(each.says for each in (seen or self.meant[:1])[:3])] if self.meant else []
        if self.volt:
            said.append(_volts(self.volt))
        if self.celsius:
            said.append(tr("{celsius}\u202f°C or more", celsius=number(self.celsius)))
        said += [tr("{mm}\u202fmm pitch, diameter or height", mm=number(each)) for each in self.mm]
        if self.body:
            said.append(
                tr(
                    "{across}\u202fmm across, {high}\u202fmm high",
                    across=number(self.body[0]),
                    high=number(self.body[1]),
                )
            )
        said += [f"“{word}”" for word in self.words]
        return ", ".join(said)


def _volts(volt: float) -> str:
    return tr("{volts} or more", volts=show(volt, "V", 4))


# ---------------------------------------------------------------- reading


def read(text: str, as_words: bool = False) -> Query:
    """What was typed into the search box; never refused, at worst it is words. `as_words`: no value is looked for."""
    typed = "".join(c for c in plain(text) if c.isprintable() or c == THIN)[:MAX_LENGTH].strip()
    every = tuple(word for word in typed.split() if re.search(r"[^\s;,/_]", word))
    if as_words or not typed:
        return Query(typed, words=every, every=every)
    found: dict[str, Any] = {"mm": ()}
    words: list[str] = []
    values: list[tuple[Meant, ...]] = []
    for token in _tokens(typed):
        if not _take(token, found, values):
            words.append(token)
    meant: tuple[Meant, ...] = values[0] if values else ()
    volt = found.get("volt")
    if not meant:
        meant, volt, words = _bare(words, volt)
    elif volt is None:
        for word in words:
            if _BARE.fullmatch(word) and word[-1].isdigit() and _float(word) in STANDARD_VOLTS:
                volt = _float(word)
                words.remove(word)
                break
    if meant and volt is not None:
        meant, volt = tuple(Meant(m.unit, m.amount, m.volt or volt) for m in meant), None
    if len(values) > 1:  # a second value is a word at best
        words += [token for token in _tokens(typed) if _VALUE.fullmatch(token)][1:]
    return Query(
        typed, meant, volt, found.get("celsius"), found["mm"], found.get("body"), words=tuple(words), every=every
    )


def _tokens(text: str) -> Iterator[str]:
    """Words; a value and its voltage written with a stroke are two, a number and its unit written apart are one."""
    for word in re.split(r"[\s;]+", _JOIN.sub("", text)):
        pieces = word.strip(",").split("/")
        valued = [p for p in pieces if _VALUE.fullmatch(p) or _VOLT.fullmatch(p) or _BARE.fullmatch(p)]
        yield from (p for p in (pieces if len(valued) == len(pieces) else [word.strip(",")]) if p)


def _take(token: str, found: dict[str, Any], values: list[tuple[Meant, ...]]) -> bool:
    """Put what a word says beside a value, or a value itself; False where it is a mere word, or a number to be read as
    print: 104K is 100 nF rather than 104 kΩ."""
    try:
        if _VOLT.fullmatch(token) and "volt" not in found:
            found["volt"] = parse(re.sub(r"(?i)(dc|ac|~)$", "", token), "V") or None
        elif _CELSIUS.fullmatch(token) and "celsius" not in found:
            found["celsius"] = parse(token, "°C")
        elif same := _MM.fullmatch(token):
            found["mm"] = (*found["mm"], _float(same[1]))
        elif (body := _DIAMETER_HEIGHT.fullmatch(token)) and "body" not in found:
            found["body"] = (_float(body[1]), _float(body[2]))
        elif _VALUE.fullmatch(token) and not re.fullmatch(r"\d{3}K", token) and (meant := _meant(token)):
            values.append(meant)
        else:
            return False
    except QuantityError:
        return False
    return True


def _meant(token: str) -> tuple[Meant, ...]:
    """A value with its prefix, in each unit it may have: 47k is ohm or hertz, 4u7 farad or henry."""
    made = []
    for unit in ("F", "Ω", "H", "Hz"):
        low = {"F": "pnuUµm", "Ω": "kKMRrΩ", "H": "nuUµm", "Hz": "kKM"}[unit]
        bare = not re.search(r"F|f|H|h|Ω|ohm", token)
        if bare and not any(letter in token for letter in low):
            continue
        try:
            amount = parse(token, unit)
        except QuantityError:
            continue
        if amount > 0:
            made.append(Meant(_STORED_UNIT[unit], amount))
    return tuple(made)


def _bare(words: list[str], volt: float | None) -> tuple[tuple[Meant, ...], float | None, list[str]]:
    """Numbers without a unit, read as the print on a part: `105 63`, `100 25`, `104K`; what they mean, volts, words."""
    numbers = [word for word in words if _BARE.fullmatch(word)][:2]
    if len(numbers) == 1 and volt is None and len(words) > 1 and len(numbers[0]) < 3:
        numbers = []  # drawer 4
    if not numbers:
        return (), volt, words
    print_ = " ".join(numbers) + (f" {volt:g}V" if volt is not None else "")
    try:
        readings = read_marking(print_)
    except MarkingError:
        readings = []
    made: dict[Meant, int] = {}
    for each in readings:
        if each.value and each.points > 0 and each.kind in UNITS and (len(numbers) == 1 or each.voltage):
            meant = Meant(_STORED_UNIT[UNITS[each.kind]], each.value, each.voltage)
            made[meant] = max(made.get(meant, 0), each.points)
    if not made:
        return (), volt, words
    best = sorted(made, key=lambda meant: -made[meant])[:MOST_READINGS]
    return tuple(best), None, [word for word in words if word not in numbers]


def _float(text: str) -> float:
    return float(text.replace(",", "."))


# ---------------------------------------------------------------- finding


@dataclass(frozen=True)
class Found:
    """Numbers of the parts found, the best first; `by_value` of them by what was understood, the rest by words."""

    query: Query
    keys: tuple[int, ...]
    by_value: int
    more: bool = False
    """True where there are more than MOST."""
    says: str = ""

    def __len__(self) -> int:
        return len(self.keys)

    def parts(self, start: int = 0, stop: int | None = None) -> list[Part]:
        """The parts themselves, in order."""
        keys = self.keys[start:stop]
        held = Part.objects.in_bulk(list(keys))
        return [held[key] for key in keys if key in held]


def find(text: str, base: QuerySet[Part] | None = None, as_words: bool = False) -> Found:
    """The parts that fit what was typed, of `base` or of all."""
    text = re.sub(r"\s+lot \d+$", "", text)  # what the label of a lot says
    query, among = read(text, as_words), Part.objects.all() if base is None else base
    if not query.text:
        return Found(query, (), 0)
    keys: dict[int, None] = {}
    units: set[tuple[str, float]] = set()
    of_code = among.annotate(code_lower=Lower("code")).filter(code_lower=query.text.lower())  # as the index has it
    for key in of_code.values_list("pk", flat=True)[:2]:
        keys[key] = None
    if query.by_value:
        for meant in query.meant or (None,):
            got = _by_value(among, query, meant)
            if got and meant:
                units.add((meant.unit, meant.amount))
            keys.update(dict.fromkeys(got))
    by_value = len(keys)
    if len(keys) <= MOST:
        keys.update(dict.fromkeys(_by_words(among, query)))
    return Found(query, tuple(keys)[:MOST], min(by_value, MOST), len(keys) > MOST, query.says(units))


def _by_value(among: QuerySet[Part], query: Query, meant: Meant | None) -> list[int]:
    """Parts of this value, or of none where only volts, degrees or sizes were typed."""
    parts, volt = among, query.volt
    if meant:
        span = ROUNDING * meant.amount
        parts = parts.filter(unit=meant.unit, amount__gte=meant.amount - span, amount__lte=meant.amount + span)
        volt = meant.volt
    if volt:
        at_least = Q(volt__gte=volt * (1 - 1e-9))
        parts = parts.filter(at_least | Q(volt=None) if meant else at_least)
    if query.celsius:
        parts = parts.filter(
            Q(celsius__gte=query.celsius) | Q(celsius=None) if meant else Q(celsius__gte=query.celsius)
        )
    for mm in query.mm:
        span_mm = (mm - SIZE_MM, mm + SIZE_MM)
        parts = parts.filter(Q(pitch_mm__range=span_mm) | Q(diameter_mm__range=span_mm) | Q(height_mm__range=span_mm))
    if query.body:
        across, high = query.body
        parts = parts.filter(
            diameter_mm__range=(across - SIZE_MM, across + SIZE_MM), height_mm__range=(high - 0.6, high + 0.6)
        )
    for word in query.words:
        parts = parts.filter(_word(word))
    order: list[Any] = [F("volt").asc(nulls_last=True)] if volt else [_lying(), F("volt").asc(nulls_last=True)]
    return list(parts.order_by(*order, _lying(), "code").values_list("pk", flat=True)[: MOST + 1])


def _by_words(among: QuerySet[Part], query: Query) -> list[int]:
    """Parts in which each word typed occurs; those whose code or name begins with it first."""
    if not query.every:
        return []
    parts = among
    for word in query.every:
        parts = parts.filter(_word(word))
    first = query.every[0]
    begins = Case(
        When(code__istartswith=first, then=Value(0)),
        When(name__istartswith=first, then=Value(1)),
        default=Value(2),
        output_field=IntegerField(),
    )
    return list(parts.order_by(begins, _lying(), "code").values_list("pk", flat=True)[: MOST + 1])


def _lying() -> Case:
    """0 where some are on hand, 1 where none."""
    return Case(When(on_hand__gt=0, then=Value(0)), default=Value(1), output_field=IntegerField())


def _word(word: str) -> Q:
    stem = word[:-1] if len(word) > 3 and word.lower().endswith("s") and word.isalpha() else word
    fits = Q()
    for name in _FIELDS:
        fits |= Q(**{f"{name}__icontains": stem})
    if same := _SAME_KIND.get(word.lower()):
        fits |= Q(kind__in=same)
    return fits


# ---------------------------------------------------------------- as facts


def part_facts(part: Part) -> dict[str, Any]:
    """A part in plain values, for JSON."""
    return {
        "code": part.code,
        "name": part.name,
        "kind": part.kind,
        "value": written(part.amount, SHOWN_UNIT.get(part.unit, ""), 4) if part.amount is not None else None,
        "amount": part.amount,
        "unit": part.unit,
        "volt": part.volt,
        "place": part.place,
        "on_hand": part.on_hand,
        "reserved": part.reserved,
        "free": part.free,
        "quarantined": part.quarantined,
    }


def found_facts(found: Found, most: int = 50) -> dict[str, Any]:
    """What was found in plain values, for JSON: how it was understood, how many, the first `most` parts."""
    return {
        "typed": found.query.text,
        "understood": found.says,
        "as_words": not found.query.by_value,
        "found": len(found),
        "more": found.more,
        "by_value": found.by_value,
        "parts": [part_facts(part) for part in found.parts(0, most)],
    }
