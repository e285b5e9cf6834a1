"""What the book wrote in English is shown in the language of the page, and kept as it was."""

from __future__ import annotations

import string

import pytest

from refettle.book.kept_texts import LABELS, PLAN, TEXTS, kept, label, planned
from refettle.book.listing import claims
from refettle.language import speaking, tr


@pytest.mark.parametrize("text", ["order 12, in place of C1u-50", "missing: B2-1; too many or not of this batch: B2-3"])
def test_a_kept_text_is_known_again(text: str) -> None:
    assert kept(text) == text
    with speaking("de"):
        assert (
            kept(text)
            == {
                "order 12, in place of C1u-50": "Bestellung 12, anstelle von C1u-50",
                "missing: B2-1; too many or not of this batch: B2-3": (
                    "fehlt: B2-1; zu viel oder nicht aus dieser Serie: B2-3"
                ),
            }[text]
        )


def test_figures_of_a_plan_have_the_signs_of_the_language() -> None:
    says = "the cheapest order with another part on at least one line costs 0.22 more"
    assert planned(says) == says
    with speaking("de"):
        assert (
            planned(says)
            == "die billigste Bestellung mit einem anderen Teil auf mindestens einer Zeile kostet 0,22 mehr"
        )
        assert planned(says.capitalize())[:3] == "Die"


def test_what_somebody_wrote_stays_as_it_was_written() -> None:
    with speaking("de"):
        for text in (
            "the rest comes with the seat",
            "2.5 in a bag",
            "Lines: 3; spare",
            "",
            "C9, C10",
            "spare; order 3",
        ):
            assert kept(text) == text


@pytest.mark.parametrize(("among", "show"), [(TEXTS, kept), (PLAN, planned), (LABELS, label)])
def test_every_kept_text_is_found_whatever_stands_in_it(among: tuple[str, ...], show: object) -> None:
    assert callable(show)
    for text in among:
        filled = text
        for _, name, spec, _ in string.Formatter().parse(text):
            if name:
                filled = filled.replace(f"{{{name}:{spec}}}" if spec else f"{{{name}}}", "7.5" if spec else "X7")
        with speaking("de"):
            assert show(filled) != filled or tr(text) == text, text


def test_the_listing_knows_german_claims() -> None:
    assert claims("Läuft einwandfrei.") == "Läuft"
    assert not claims("Ton nicht geprüft, das Bild geht noch nicht")
