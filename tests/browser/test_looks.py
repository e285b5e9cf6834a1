"""The looks themselves: each finds what was planted for it, and nothing in a page that is in order."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.browser.looks import english_texts, looked_at, prepare, unmarked

pytestmark = pytest.mark.browser
PAGE = """<!DOCTYPE html><html lang="en"><head><title>Planted</title><meta name="viewport" content="width=device-width">
<style>body { font: 16px/1.5 sans-serif; color: #222; background: #fff; } a, summary, button, input { color: #003a6b; }
a, button { display: inline-block; min-height: 30px; min-width: 30px; } :focus-visible { outline: 3px solid #003a6b; }
svg text { fill: CanvasText; } h1, h2, h3 { line-height: 1.3; }
button, input { border: 2px solid #333; background: #fff; }
@media (prefers-color-scheme: dark) { html { color-scheme: light; } }</style></head>
<body><main><h1>Planted</h1><p><a href="/">Bench</a></p>%s</main></body></html>"""
PLANTED = {
    "second h1": ("<h1>Again</h1>", "2 h1"),
    "skipped heading": ("<h2>a</h2><h4>b</h4>", "after h2 comes h4"),
    "drawing without a name": ("<svg width='20' height='20'><rect width='9' height='9'/></svg>", "drawing neither"),
    "name without the label": ("<button aria-label='Send'>Write</button>", "label not in name"),
    "one text, two places": ("<a href='/a'>Go on</a> <a href='/b'>Go on</a>", "leads to 2 places"),
    "says nothing": ("<a href='/a'>here</a>", "says nothing alone"),
    "loose choices": ("<p><input type=radio name=r id=r><label for=r>a</label></p>", "without a common name"),
    "wrong field": ("<label for=w>w</label><input id=w aria-invalid=true>", "wrong field without its error"),
    "order": ("<button tabindex=3>Third</button>", "tabindex over 0"),
    "only by pointer": ("<div hx-get='/x'>Tap me</div>", "only by pointer"),
    "no ring": ("<button style='outline: none'>Dark</button>", "focus not shown: button"),
    "under a bar": (
        "<div style='height:3000px'></div><button>Last</button>"
        "<div style='position:fixed;inset:auto 0 0;height:90vh;background:#eee'></div>",
        "focus hidden: button",
    ),
    "too wide": ("<div style='width:1500px'>wide</div>", "stick out"),
    "too wide when narrow": ("<div style='width:330px'>wide</div>", "320 px: "),
    "cut off": ("<div style='height:30px;overflow:hidden'>" + "words " * 60 + "</div>", "text at 200 %: text cut off"),
    "cut off on paper": ("<div style='overflow-x:auto'><p style='width:900px'>w</p></div>", "cut off on paper"),
    "pale": ("<p style='color:#999'>pale</p>", "contrast 2.8"),
    "pale in a drawing": (
        "<svg role=img aria-label=x width='90' height='30'><rect width='90' height='30' fill='#888'/>"
        "<text x='9' y='20' style='fill:#777'>pale</text></svg>",
        "contrast 1.",
    ),
    "no edge": ("<label for=e>e</label><input id=e style='border-color:#eee'>", "edge hard to see"),
    "moves": ("<p style='transition: opacity 1s'>moves</p>", "moves: p"),
    "own ink": (
        "<svg role=img aria-label=x width='90' height='30'><text y='20' style='fill:#123'>i</text></svg>",
        "drawing's",
    ),
    "trap": (
        "<button onkeydown='if (event.key === \"Tab\") event.preventDefault()'>Trap</button><button>On</button>",
        "instead of",
    ),
    "ink gone": (
        "<style>@media (forced-colors: active) { .gone { color: Canvas } }</style><p class=gone>gone</p>",
        "text as the ground",
    ),
    "axe": ("<input>", "axe: label"),
    "small": ("<a href='/1' style='min-height:0;min-width:0;height:9px;width:9px;font-size:6px'>ab</a>"
              "<a href='/2' style='min-height:0;min-width:0;height:9px;width:9px;font-size:6px'>cd</a>", "target-size"),
}  # fmt: skip


def test_a_page_in_order(open_page: Callable[..., Any]) -> None:
    page = open_page()
    prepare(page)
    page.goto("about:blank")
    page.set_content(PAGE % "")
    assert looked_at(page) == []


IN_GERMAN = {
    "ours, not translated": ("<p>Reference</p><p>Not found</p>", "English, and not said to be: Not found"),
    "ours, in a name": ("<button aria-label='Not found'>x</button>", "English, and not said to be: Not found"),
    "a command": ("<p>Weiter mit <code>refettle doctor</code></p>", "a command not said to be English"),
}


def test_english_on_a_page_in_another_language_is_found_unless_it_says_so(open_page: Callable[..., Any]) -> None:
    page = open_page()
    prepare(page)
    assert "Not found" in english_texts("de")
    for markup, said in IN_GERMAN.values():
        for document, there in (
            (PAGE.replace('lang="en"', 'lang="de"') % markup, True),
            (PAGE.replace('lang="en"', 'lang="de"') % f"<div lang='en'>{markup}</div>", False),
            (PAGE % markup, False),
        ):
            page.goto("about:blank")
            page.set_content(document.replace("Planted", "Gepflanzt").replace("Bench", "Werkbank"))
            assert any(said in each for each in unmarked(page)) is there


def test_what_is_planted_is_found(open_page: Callable[..., Any]) -> None:
    page = open_page()
    prepare(page)
    missed = []
    for what, (markup, said) in PLANTED.items():
        page.goto("about:blank")
        page.set_content(PAGE % markup)
        found = looked_at(page)
        if not any(said in each for each in found):
            missed.append(f"{what}: {found}")
    assert missed == []
