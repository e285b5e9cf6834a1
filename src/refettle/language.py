"""The language texts are shown in: English in the code, others from the catalogues in `texts/`.

A text is written in English where it is made, and given to `tr`; the placeholders of `str.format` take the place of an
f-string, and figures in them get the decimal sign of the language:

    tr("{part} reads {volts:.2f} V", part=name, volts=reading)

`several` chooses by a number, `mark` only notes a text that is made while a module is loaded, to be given to `tr` when
it is shown. Texts must stand there as literals: scripts/texts.py collects them. What is kept (the log, settings, keys,
files in a stated format) is never translated, only what is shown.

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

LANGUAGES = {"en": "English", "de": "Deutsch"}
"""What pages can be shown in, each in its own words."""
SOURCE = "en"
FOLDER = os.path.join(os.path.dirname(__file__), "texts")
CONTEXT = "\x04"  # between context and text in a catalogue (GNU gettext)

# Decimal sign and thousands sign, as the Unicode CLDR has them.
_SIGNS = {"en": (".", ","), "de": (",", ".")}
Piece = TypeVar("Piece")
_phrases: dict[str, re.Pattern[str]] = {}
_current: ContextVar[str] = ContextVar("language", default=SOURCE)


@cache
def _catalogue(language: str) -> gettext.NullTranslations:
    return gettext.translation("django", FOLDER, [language], fallback=True)


def current() -> str:
    """The language that texts are shown in now."""
    return _current.get()


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Show texts in `language` within the block; English for one that there is no catalogue of."""
    before = _current.set(language if language in LANGUAGES else SOURCE)
    try:
        yield
    finally:
        _current.reset(before)


def carried(pieces: Iterable[Piece]) -> Iterator[Piece]:
    """What is made piece by piece when the context is over (a file sent while it is made), in the language of now."""
    language = _current.get()

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
    language = _current.get()
    if language == SOURCE:
        return text.format(**values) if values else text
    text = _catalogue(language).gettext(text) if text else text
    return _Local().vformat(text, (), values) if values else text


def tr_in(context: str, text: str, /, **values: Any) -> str:
    """As `tr`, for a word that is translated otherwise in this context ("order": of a supplier, of things)."""
    language = _current.get()
    if language != SOURCE:
        text = _catalogue(language).pgettext(context, text)
    return _Local().vformat(text, (), values) if values else text


def several(one: str, many: str, number: int, /, **values: Any) -> str:
    """`one` or `many`, as the language's grammar asks for `number`; the placeholder {n} stands for the number."""
    values = {"n": number, **values}
    language = _current.get()
    if language == SOURCE:
        return (one if number == 1 else many).format(**values)
    return _Local().vformat(_catalogue(language).ngettext(one, many, number), (), values)


def spoken(text: str) -> str:
    """A text of the library in the current language, found by the English: as it stands there, with its first letter
    made a capital, or within a `phrase`. Any other text stays as it was written."""
    if _current.get() == SOURCE or not text:
        return text
    if (said := tr(text)) != text:
        return said
    small = text[0].lower() + text[1:]
    if (said := tr(small)) != small:
        return said[0].upper() + said[1:]
    for template, pattern in _phrases.items():
        if found := pattern.fullmatch(text):
            return tr(template, **{name: spoken(words) for name, words in found.groupdict().items()})
    return text


def local(figure: str) -> str:
    """A figure as Python writes it ("1,234.5") with the signs of the current language ("1.234,5")."""
    point, thousands = _SIGNS[_current.get()]
    if point == ".":
        return figure
    return figure.translate({ord("."): point, ord(","): thousands})


def decimal(value: float, spec: str = "") -> str:
    """`format(value, spec)` with the decimal and thousands signs of the current language."""
    return local(format(value, spec))


class _Local(string.Formatter):
    """Placeholders whose figures have the signs of the current language."""

    def format_field(self, value: Any, format_spec: str) -> str:
        text = str(format(value, format_spec))
        return local(text) if isinstance(value, Number) and not isinstance(value, bool) else text
