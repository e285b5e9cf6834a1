"""The measuring card: what lies where, what is drawn, what is written."""

from __future__ import annotations

import json
import re
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from refettle.cli.main import main
from refettle.language import speaking
from refettle.whitening import card as cards
from refettle.whitening.card import CARDS, SIZES, CardError, Rectangle, card_of, card_pdf, card_svg, marker_squares


def test_markers_are_those_of_the_open_dictionary() -> None:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    for number in range(8):
        drawn = cv2.aruco.generateImageMarker(dictionary, number, 6, borderBits=1) > 0
        assert marker_squares(number) == ["".join("01"[int(v)] for v in row) for row in drawn]


def apart(a: Rectangle, b: Rectangle) -> float:
    """[mm] the larger of the gaps across and down; negative where they overlap."""
    across = max(a.left, b.left) - min(a.left + a.width, b.left + b.width)
    down = max(a.top, b.top) - min(a.top + a.height, b.top + b.height)
    return max(across, down)


@pytest.mark.parametrize("size", SIZES)
def test_every_marker_has_its_white_rim(size: str) -> None:
    card = card_of(size)
    module = card.markers[min(card.markers)].width / cards.SQUARES
    places = [*card.markers.values(), *card.neutrals, card.reference, card.scale]
    for n, place in enumerate(places):
        gaps = [place.left, place.top, card.width - place.left - place.width, card.height - place.top - place.height]
        assert min(gaps) >= 5.0, "printers leave the edge white"
        for other in places[n + 1 :]:
            assert apart(place, other) >= (module if n < 4 else 1.0)
    middle = np.array([place.middle for place in card.neutrals]).mean(axis=0)
    assert middle == pytest.approx((card.width / 2, card.height / 2))


@pytest.mark.parametrize("size", SIZES)
def test_svg_is_in_millimetres_at_its_own_size(size: str) -> None:
    card, svg = card_of(size), card_svg(size)
    assert f'width="{card.width:g}mm" height="{card.height:g}mm" viewBox="0 0 {card.width:g} {card.height:g}"' in svg
    assert f"{card.scale.width:g} mm: check with a ruler" in svg
    assert svg.count("grey card") == 4
    assert "Paper is no neutral" in svg


@pytest.mark.parametrize("size", SIZES)
def test_the_card_speaks_the_language_of_the_page(size: str) -> None:
    with speaking("de"):
        svg = card_svg(size)
    assert f"<title>Messkarte {size.upper()}</title>" in svg
    assert 'xml:lang="de"' in svg
    shown = re.findall(r"<text [^>]*>([^<]*)</text>", svg)
    english = re.findall(r"<text [^>]*>([^<]*)</text>", card_svg(size))
    assert len(shown) == len(english)
    assert set(shown).isdisjoint(english)
    assert re.sub(r"<(text|title)[^>]*>[^<]*<", "", svg).replace('"de"', '"en"') == re.sub(
        r"<(text|title)[^>]*>[^<]*<", "", card_svg(size)
    ), "nothing is drawn elsewhere"
    with speaking("de"):
        assert b"/Lang (de)" in unpacked(card_pdf(size))


def test_both_sizes_are_told_apart_by_their_markers() -> None:
    numbers = [number for card in CARDS.values() for number in card.markers]
    assert sorted(numbers) == list(range(8))


def unpacked(made: bytes) -> bytes:
    """What the streams of a PDF say."""
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", made, re.S)
    return b" ".join(zlib.decompress(each) for each in streams if each.startswith(b"x"))


def test_pdf_has_one_page_of_the_card() -> None:
    made = card_pdf("a6")
    assert made.startswith(b"%PDF-")
    box = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", unpacked(made))
    assert [tuple(float(v) * 25.4 / 72 for v in page) for page in box] == [pytest.approx((148.0, 105.0), abs=0.1)]


def test_a_size_that_there_is_not() -> None:
    with pytest.raises(CardError, match="size 'a4' found; allowed: a5, a6"):
        card_svg("a4")


def test_command_writes_the_card_and_says_how_to_use_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "card.svg"
    assert main(["card", str(out), "--size", "A5"]) == 0
    assert out.read_text().startswith("<svg ")
    said = capsys.readouterr().out
    assert "A5, 210 x 148 mm\nThe bar on it must measure 100 mm." in said
    assert "Don't\n" in said
    assert "office paper" in said
    assert main(["card", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["size"], found["width_mm"], len(found["markers"]), found["written"]) == ("a6", 148.0, 4, None)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["card.png"], "OUT: 'card.png' found; allowed: a file ending in .svg or .pdf"),
        (["card.svg", "--size", "a3"], "size 'a3' found; allowed: a5, a6"),
        (["/nowhere/card.svg"], "/nowhere/card.svg: no such file or directory"),
    ],
)
def test_bad_input_is_one_clear_line(words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["card", *words]) == 2
    assert capsys.readouterr().err == f"refettle: {said}\n"


def test_without_the_library_for_pdf_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(CardError, match="Print the SVG from the browser at 100 %"):
        card_pdf("a6")
