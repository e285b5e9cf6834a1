"""Texts in another language: placeholders, figures, plurals; and the catalogues are whole."""

from __future__ import annotations

import threading

import pytest
import texts
from babel.numbers import format_decimal
from hypothesis import given
from hypothesis import strategies as st

from refettle.language import LANGUAGES, carried, current, decimal, several, speaking, tr, tr_in


def test_the_catalogues_are_whole() -> None:
    assert texts.wrong() == []


def test_english_is_as_it_stands() -> None:
    assert tr("{volts:.2f} V at {part!r}", volts=1.239, part="C1") == "1.24 V at 'C1'"
    assert tr("braces {without} values") == "braces {without} values"
    assert several("{n} photo", "{n} photos", 1) == "1 photo"
    assert several("{n} photo", "{n} photos", 0) == "0 photos"


def test_a_text_is_shown_in_the_language_of_its_context_only() -> None:
    seen: list[str] = []
    with speaking("de"):
        assert tr("Job {number}", number=4) in ("Auftrag 4", "Job 4")
        other = threading.Thread(target=lambda: seen.append(current()))
        other.start()
        other.join()
        assert current() == "de"
    assert current() == "en"
    assert seen == ["en"]  # a thread begins in English, whoever started it


def test_what_is_made_piece_by_piece_keeps_the_language_it_was_asked_for_in() -> None:
    with speaking("de"):
        pieces = carried(current() for _ in range(2))
    assert next(pieces) == "de"
    assert current() == "en"
    with speaking("en"):
        assert list(pieces) == ["de"]


def test_an_unknown_language_is_english() -> None:
    with speaking("tlh"):
        assert current() == "en"


def test_a_text_that_no_catalogue_has_stays_english() -> None:
    with speaking("de"):
        assert tr("no such text {x:.1f}", x=1.25) == "no such text 1,2"
        assert tr_in("nowhere", "no such text") == "no such text"
        assert tr("") == ""  # a catalogue's own heading stands under the empty text


def test_texts_put_into_a_text_keep_their_points() -> None:
    with speaking("de"):
        assert tr("{a} {b} {c}", a="1.5", b=1.5, c=True) == "1.5 1,5 True"


@given(st.floats(-1e9, 1e9).map(lambda x: round(x, 2)), st.sampled_from(sorted(LANGUAGES)))
def test_figures_are_written_as_the_cldr_has_them(value: float, language: str) -> None:
    """Against Babel, which reads the Unicode CLDR."""
    with speaking(language):
        assert decimal(value, ",.2f") == format_decimal(value, format="#,##0.00", locale=language)


@pytest.mark.parametrize("language", sorted(set(LANGUAGES) - {"en"}))
def test_every_language_has_its_catalogue(language: str) -> None:
    with speaking(language):
        assert tr("not known") != "not known"
