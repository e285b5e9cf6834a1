"""The language texts are shown in: English in the code, others from the catalogues in `texts/`.

A text is written in English where it is made, and given to `tr`; the placeholders of `str.format` take the place of an
f-string, and figures in them get the decimal sign of the language:

    tr("{part} reads {volts:.2f} V", part=name, volts=reading)

`several` chooses by a number, `mark` only notes a text that is made while a module is loaded, to be given to `tr` when
it is shown. Texts must stand there as literals: scripts/texts.py collects them. What is kept (the log, settings, keys,
files in a stated format) is never translated, only what is shown.

Where customary units are shown (refettle.units), figures of the code's own words have them behind; words put into a
placeholder, which may be somebody's, stay as they are.

The language holds for the current context (a thread, a request); the command line speaks English. Languages are named
as in BCP 47 (RFC 5646).
"""

from __future__ import annotations

import gettext
import os
import re
import string
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache
from numbers import Number
from typing import Any, TypeVar

from refettle.units import GUARDS, are_customary, showing, with_customary

LANGUAGES = {"en": "English", "de": "Deutsch"}
"""What pages can be shown in, each in its own words."""
SOURCE = "en"
FOLDER = os.path.join(os.path.dirname(__file__), "texts")
CONTEXT = "\x04"  # between context and text in a catalogue (GNU gettext)

# Decimal sign and thousands sign, as the Unicode CLDR has them.
_SIGNS = {"en": (".", ","), "de": (",", ".")}
Piece = TypeVar("Piece")
FIGURE = re.compile(r"[-+−]?\d+(?:[.,]\d+)*")
_phrases: dict[str, re.Pattern[str]] = {}
_current: ContextVar[str] = ContextVar("language", default=SOURCE)


@cache
def _catalogue(language: str) -> gettext.NullTranslations:
    return gettext.translation("django", FOLDER, [language], fallback=True)


def current() -> str:
    """The language that texts are shown in now."""
    return _current.get()


def manner() -> str:
    """How texts and figures are shown now: `en`, `de`, `en+us`. What holds shown texts goes by it."""
    return f"{_current.get()}+us" if are_customary() else _current.get()


@contextmanager
def speaking(manner: str) -> Iterator[None]:
    """Show texts in this language within the block; English for one that there is no catalogue of. Figures are metric
    alone, unless the units are said as in `manner`."""
    language, _, units = manner.partition("+")
    before = _current.set(language if language in LANGUAGES else SOURCE)
    try:
        with showing(units):
            yield
    finally:
        _current.reset(before)


def carried(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """What is made piece by piece when the context is over (a file sent while it is made), in the language of now."""
    language = manner()

    def made() -> Iterator[Piece]:
        source = iter(pieces)
        while True:
            with speaking(language):  # not across the yield, which would leave it to whoever asks for the next
                try:
                    piece = next(source)
                except StopIteration:
                    return
            yield piece

    return made()


def mark(text: str) -> str:
    """The text itself: only marks it for the catalogues."""
    return text


def phrase(text: str) -> str:
    """As `mark`, for a text that is kept filled in, in English: `spoken` knows it again and shows what was put into its
    placeholders in the current language too."""
    pattern = "".join(
        re.escape(words) + (f"(?P<{name}>.+)" if name else "")
        for words, name, _spec, _kind in string.Formatter().parse(text)
    )
    _phrases[text] = re.compile(pattern, re.DOTALL)
    return text


def tr(text: str, /, **values: Any) -> str:
    """The text in the current language, with `values` in its placeholders.

    Without values the text is taken as it is: braces in it mean nothing.
    """
    if (language := _current.get()) == SOURCE and not are_customary():
        return text.format(**values) if values else text
    return _filled(_said(text, language), values)


def _said(text: str, language: str) -> str:
    return _catalogue(language).gettext(text) if text and language != SOURCE else text


def _filled(text: str, values: dict[str, Any]) -> str:
    return shown(Filling().vformat(text, (), values) if values else text)


def tr_in(context: str, text: str, /, **values: Any) -> str:
    """As `tr`, for a word that is translated otherwise in this context ("order": of a supplier, of things)."""
    language = _current.get()
    if language != SOURCE:
        text = _catalogue(language).pgettext(context, text)
    return _filled(text, values)


def several(one: str, many: str, number: int, /, **values: Any) -> str:
    """`one` or `many`, as the language's grammar asks for `number`; the placeholder {n} stands for the number."""
    values = {"n": number, **values}
    language = _current.get()
    if language == SOURCE:
        text = one if number == 1 else many
        return _filled(text, values) if are_customary() else text.format(**values)
    return _filled(_catalogue(language).ngettext(one, many, number), values)


def spoken(text: str) -> str:
    """A text of the library in the current language, found by the English: as it stands there, with its first letter
    made a capital, or within a `phrase`. Any other text stays as it was written."""
    language = _current.get()
    if not text or (language == SOURCE and shown(text) == text):
        return text
    if (said := _known(text, language)) is not None:
        return shown(said)
    if (said := _known(text[0].lower() + text[1:], language)) is not None:
        return shown(said[0].upper() + said[1:])
    for template, pattern in _phrases.items():
        if found := pattern.fullmatch(text):
            return tr(template, **{name: spoken(words) for name, words in found.groupdict().items()})
    return text


def _known(text: str, language: str) -> str | None:
    """A text of the code in this language; None where no catalogue knows it, so that it is somebody's."""
    if language != SOURCE:
        said = _said(text, language)
        return said if said != text else None
    return text if any(_said(text, each) != text for each in LANGUAGES) else None


def shown(text: str) -> str:
    """Words that the code made of pieces, with customary figures behind the metric ones where they are shown."""
    return with_customary(text, _SIGNS[_current.get()][0]) if are_customary() else text


def local(figure: str) -> str:
    """A figure as Python writes it ("1,234.5") with the signs of the current language ("1.234,5")."""
    point, thousands = _SIGNS[_current.get()]
    if point == ".":
        return figure
    return figure.translate({ord("."): point, ord(","): thousands})


def decimal(value: float, spec: str = "") -> str:
    """`format(value, spec)` with the decimal and thousands signs of the current language."""
    return local(format(value, spec))


class Filling(string.Formatter):
    """Placeholders whose figures have the signs of the current language. Words in them are kept from `shown`."""

    def format_field(self, value: Any, format_spec: str) -> str:
        text = str(format(value, format_spec))
        if isinstance(value, Number) and not isinstance(value, bool):
            return local(text)
        return text if not are_customary() or FIGURE.fullmatch(text) else text.join(GUARDS)
