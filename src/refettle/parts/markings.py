"""Reads what is printed on a part, and ranks every reading with its reasons.

>>> [reading.says for reading in read_marking("4K7")][:1]
['4.7\\u2009kΩ']

A marking seldom says what kind of part it is on: `104` is 100 nF on a capacitor, 100 kΩ on a chip resistor and 100 mH
on a coil. So every reading is given, best first; equal ones share a rank. Points only rank, and are estimates.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from itertools import product

from refettle.language import tr
from refettle.parts.markings_bands import bands_written, read_bands
from refettle.parts.markings_capacitors import STANDARD_VOLTS, read_alone, read_chip_letters, read_glued, read_pair
from refettle.parts.markings_codes import lettered, read_letters, read_tapers
from refettle.parts.markings_dates import LATEST_YEAR, Years, checked_years, read_dates
from refettle.parts.markings_digits import read_digits, read_eia_96, read_plain, read_point, read_volt_letter
from refettle.parts.markings_prints import (
    Around,
    Span,
    finish_around,
    leftovers,
    look_around,
    values_in_full,
    with_around,
)
from refettle.parts.markings_reading import KINDS, Kind, MarkingError, Reading, Reason, ranked
from refettle.parts.markings_types import read_types
from refettle.quantities import plain

__all__ = ["KINDS", "Kind", "MarkingError", "Reading", "Reason", "read_marking"]

MAX_LENGTH = 120
MAX_UNREADABLE = 2
_READERS: tuple[Callable[[str], Iterator[Reading]], ...] = (
    read_letters, read_digits, read_point, read_eia_96, read_volt_letter,
    read_plain, read_glued, read_alone, read_types, read_tapers,
    read_chip_letters,
)  # fmt: skip
_LETTERS = "RKMpnµ"
_TO_CAPITALS = str.maketrans("abcdefghijklmnopqrstuvwxyz", "ABCDEFGHIJKLMNOPQRSTUVWXYZ")
_VALUED: tuple[Kind, ...] = ("resistor", "capacitor", "electrolytic", "inductor")
_CAPACITORS: tuple[Kind, ...] = ("capacitor", "electrolytic")
Found = tuple[tuple[Span, ...], Reading]


def read_marking(
    text: str, years: Years | None = None, kind: str | None = None, *, latest_year: int = LATEST_YEAR
) -> list[Reading]:
    """Every reading of what is printed on a part.

    Parameters
    ----------
    text : str
        As printed, or colours of bands; `?` for a character or band that cannot be read, two at most.
    years : (int, int) or None
        First and last year in which the unit was made: ranks dates.
    kind : str or None
        One of KINDS: only readings of that kind. `capacitor` takes electrolytics too, and `electrolytic` every
        capacitor large enough.
    latest_year : int
        No date after it is offered.

    Returns
    -------
    list of Reading
        In the order of the pieces in the text, best first within a piece; empty where nothing can be read.

    Raises
    ------
    MarkingError
        Nothing but blanks, too long, too much unreadable, no such kind, impossible years.
    """
    if kind is not None and kind not in KINDS:
        raise MarkingError(tr("kind {kind!r} found; allowed: {kinds}", kind=kind, kinds=", ".join(KINDS)))
    years = checked_years(years)
    cleaned = plain(text.replace("？", "?"))
    if not cleaned:
        raise MarkingError(
            tr("no marking given; allowed: what is printed on the part, such as 104K or 'red red brown gold'")
        )
    if len(cleaned) > MAX_LENGTH:
        raise MarkingError(
            tr(
                "{count} characters found; allowed: up to {most}, one part at a time",
                count=len(cleaned),
                most=MAX_LENGTH,
            )
        )
    if cleaned.count("?") > MAX_UNREADABLE:
        raise MarkingError(
            tr(
                "{count} unreadable characters found; allowed: up to {most}",
                count=cleaned.count("?"),
                most=MAX_UNREADABLE,
            )
        )
    bands = list(read_bands(cleaned))
    if not bands and (count := bands_written(cleaned)):
        raise MarkingError(tr("{count} colour bands found; allowed: 3 to 6, or one black band", count=count))
    found: list[Found] = [(((0, len(cleaned)),), reading) for reading in bands]
    reader, first = _Reader(years, latest_year), None
    for variant, reasons in _variants(cleaned) if not bands else ():
        first = reasons if first is None else first
        for spans, reading in reader.read(variant):
            guessed = "?" in _piece(cleaned, spans)
            if guessed or reasons == first:
                found.append((spans, reading.because(*reasons) if guessed else reading))
    pieces: dict[str, list[Reading]] = {}
    for spans, reading in sorted(found, key=lambda each: min(each[0])):
        if _wanted(reading, kind):
            piece = _piece(cleaned, spans)
            pieces.setdefault(piece, []).append(reading.because(piece=piece))
    return [reading for readings in pieces.values() for reading in ranked(readings)]


def _piece(text: str, spans: tuple[Span, ...]) -> str:
    """The stretches as one text; those that touch stay together."""
    piece, last = "", None
    for start, end in sorted(spans):
        end += text[end : end + 1] == "?"
        piece += (" " if last is not None and start > last else "") + text[start:end]
        last = end
    return " ".join(piece.split())


def _wanted(reading: Reading, kind: str | None) -> bool:
    if kind is None or reading.kind == kind:
        return True
    if kind == "capacitor":
        return reading.kind == "electrolytic"
    large = reading.value is None or reading.value >= 47e-9
    return kind == "electrolytic" and reading.kind == "capacitor" and large


def _variants(text: str) -> Iterator[tuple[str, tuple[Reason, ...]]]:
    """The text with each `?` replaced by what it may be; by a blank at the end, where a tolerance letter may stand."""
    places = [place for place, letter in enumerate(text) if letter == "?"]
    if not places:
        yield text, ()
        return
    choices: list[list[tuple[str, Reason]]] = []
    for place in places:
        options = [(digit, Reason(-1, tr("? taken as {digit}", digit=digit))) for digit in "0123456789"]
        before, after = text[place - 1 : place], text[place + 1 : place + 2]
        if len(places) == 1 and before.isalnum() and not after.isalnum():
            options.append((" ", Reason(-1, tr("? taken as a letter, probably the tolerance, and left out"))))
        if len(places) == 1 and after.isdigit() and " " not in text:
            options += [
                (letter, Reason(-2, tr("? taken as {letter}, as the point", letter=letter))) for letter in _LETTERS
            ]
        choices.append(options)
    for chosen in product(*choices):
        letters = list(text)
        for place, (letter, _) in zip(places, chosen, strict=True):
            letters[place] = letter
        yield "".join(letters), tuple(reason for _, reason in chosen)


class _Reader:
    """Reads one text without unreadable characters."""

    def __init__(self, years: Years | None, latest: int) -> None:
        self.years = years
        self.latest = latest
        self.known: dict[str, list[Reading]] = {}

    def read(self, text: str) -> list[Found]:
        """Readings with the stretches of the text that each accounts for."""
        around = look_around(text)
        values = values_in_full(around)
        several = len(_tokens(text)) > 1
        if several:
            finish_around(around, bool(values))
        found = []
        if values or around.said or around.safety or around.characteristic:
            found = self._print(around, values)
        if found and several:
            return found
        return found + self._codes(text)

    def _token(self, token: str) -> list[Reading]:
        """Every reading of one token, with capitals for small letters as a second try."""
        token = token.strip("()[].,;:/") if not re.fullmatch(r"[.,]\d.*", token) else token
        if token in self.known:
            return self.known[token]
        capitals = token.translate(_TO_CAPITALS)
        readings = [reading for reader in _READERS for reading in reader(token)]
        readings += read_dates(token, self.years, self.latest)
        if capitals != token:
            doubt = Reason(-1, tr("small letters taken as capitals"))
            readings += [reading.because(doubt) for reader in _READERS for reading in reader(capitals)]
            readings += [r.because(doubt) for r in read_dates(capitals, self.years, self.latest)]
        self.known[token] = readings
        return readings

    def _codes(self, text: str) -> list[Found]:
        """A text without units: one code, two numbers of a can, or several codes."""
        tokens = _tokens(text)
        words = [text[start:end] for start, end in tokens]
        if not words:
            return []
        together: list[Reading] = []
        compact = "".join(words)
        if len(words) == 1 or any(len(word) == 1 for word in words) or (len(words) == 2 and len(compact) <= 4):
            together = self._token(compact)
        if len(words) == 2:
            together += read_pair(*words)
        whole = [*((tuple(tokens), reading) for reading in together), *self._valued(tokens, words)]
        if whole:
            return whole
        found: list[Found] = []
        unread: list[str] = []
        for span, word in zip(tokens, words, strict=True):
            readings = self._token(word)
            found += [((span,), reading) for reading in readings]
            unread += [] if readings else [word]
        if found and unread:
            first = found[0][0]
            found = [(s, r.because(words=tuple(unread)) if s == first else r) for s, r in found]
        return self._beside_types(found)

    def _valued(self, tokens: list[Span], words: list[str]) -> list[Found]:
        """A value code, and behind it a tolerance letter, a usual rated voltage, or both."""
        letter, volts = "", None
        if len(words) < 2:
            return []
        for word in words[1:]:
            bare = word.strip("()")
            if len(bare) == 1 and bare in "FGJKMNZ" and not letter:
                letter = bare
            elif volts is None and re.fullmatch(r"\d{1,4}(?:\.\d)?", bare) and float(bare) in STANDARD_VOLTS:
                volts = float(bare)
            else:
                return []
        found: list[Found] = []
        for each in self._token(words[0]):
            reading: Reading | None = each
            if each.kind not in _VALUED or each.value is None or (volts and each.kind not in _CAPACITORS):
                continue
            if letter:
                reading = lettered(each, letter, 1) if each.tolerance is None else None
            if reading is not None and volts:
                why = Reason(1, tr("{volts:g} behind it is a usual rated voltage", volts=volts))
                reading = reading.because(why, voltage=volts) if each.voltage is None else None
            if reading is not None:
                found.append((tuple(tokens), reading))
        return found

    @staticmethod
    def _beside_types(found: list[Found]) -> list[Found]:
        """Beside a type number, four digits are the more likely to be its date."""
        named = {spans for spans, reading in found if reading.kind == "type number"}
        lone = Reason(1, tr("a type number stands beside it"))
        return [
            (spans, reading.because(lone) if reading.kind == "date" and named - {spans} else reading)
            for spans, reading in found
        ]

    def _print(self, around: Around, values: list[Reading]) -> list[Found]:
        """A value, written in full or as a code, with what stands around it."""
        tokens = _tokens(around.rest)
        apart: list[Found] = []
        if around.safety and not around.alternating:  # X2 may be a date as well
            apart += [((around.safety_span,), each) for each in read_dates(around.safety, self.years, self.latest)]
        others: list[str] = []
        for start, end in tokens:
            word = around.rest[start:end]
            readings = [] if len(word.strip("()")) == 1 else self._token(word)
            if not values:
                values = [each for each in readings if each.kind in _VALUED and each.value is not None]
                if values:
                    around.spans.append((start, end))
                    continue
            dates = [each for each in readings if each.kind in ("date", "type number")]
            if dates and (word[:1].isdigit() or any(each.points >= 3 for each in dates)):
                apart += [(((start, end),), each) for each in dates]
            else:
                around.spans.append((start, end))
                others += [word] if re.search(r"\w", word) else []
        finished = [whole for value in values if (whole := with_around(value, around)) is not None]
        if not values:
            finished = self._without_value(around)
        spans = tuple(sorted(around.spans))
        return [(spans, leftovers(reading, others)) for reading in finished] + self._beside_types(apart)

    @staticmethod
    def _without_value(around: Around) -> list[Reading]:
        """Volts, degrees or a class alone: something of a capacitor, or watts of a resistor."""
        kind: Kind = "resistor" if around.watts is not None else "capacitor"
        reading = with_around(Reading(kind, tr("print without a value")), around)
        return [reading] if reading is not None and reading.says else []


def _tokens(text: str) -> list[Span]:
    """Stretches without blanks or separators; a stroke separates only words with letters."""
    spans = []
    for found in re.finditer(r"[^\s,;|]+|(?<!\d),\d+", re.sub(r"(?<=\d),(?=\d)|(?<!\S),(?=\d)", ".", text)):
        spans.append(found.span())
    return spans
