"""One page looked at in every way somebody may have it: what bars people from it.

Axe (rules of WCAG 2.0 to 2.2, level A and AA, and its best practice) at the desk in light and on the phone in dark;
our own looks of `access.js`, which are quicker, in all the others.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

import axe_playwright_python
import texts

from tests.browser.conftest import DESK, PHONE

AXE = Path(axe_playwright_python.__file__).parent / "axe.min.js"
OURS = Path(__file__).parent / "access.js"
NARROW = {"width": 320, "height": 640}
"""1280 px at 400 %, WCAG 2.2, 1.4.10."""
A4 = {"width": 688, "height": 1000}
"""[CSS px] What the sheet's margins leave of 210 mm."""
SPACED = """
* { line-height: 1.5 !important; letter-spacing: 0.12em !important; word-spacing: 0.16em !important; }
p { margin-bottom: 2em !important; }
"""
"""WCAG 2.2, 1.4.12."""
PLAIN = {"media": "screen", "color_scheme": "light", "forced_colors": "none", "contrast": "no-preference"}


def prepare(page: Any) -> None:
    """Give every document of this page's context what the looks need."""
    page.context.add_init_script(path=AXE)
    page.context.add_init_script(path=OURS)


def looked_at(page: Any) -> list[str]:
    """What is wrong with the page as it stands, in any look; it is left at the desk, in light."""
    found: list[str] = []

    def ask(look: str, *questions: str) -> None:
        for question in questions:
            found.extend(f"{look}: {each}" for each in page.evaluate(f"access.{question}"))

    def turn(size: dict[str, int], **media: str) -> None:
        page.set_viewport_size(size)
        page.emulate_media(**{**PLAIN, "reduced_motion": "no-preference", **media})

    turn(DESK)
    page.evaluate("access.openAll()")
    _fetch_all(page)
    ask("desk", "structure()", "fits(false)", "contrast()", "edges()")
    found.extend(f"desk, axe: {each}" for each in _axe(page))
    found.extend(f"by keys: {each}" for each in _by_keys(page))
    ask("by keys", "reach()")
    _text(page, size="200%")
    ask("text at 200 %", "fits(false)")
    _text(page, sheet=SPACED)
    ask("spaced text", "fits(false)")
    turn(NARROW)
    ask("spaced text, 320 px", "fits(false)")
    _text(page)
    ask("320 px", "fits(false)")
    turn(DESK, color_scheme="dark")
    ask("desk, dark", "contrast()", "edges()")
    for scheme in ("light", "dark"):
        turn(DESK, color_scheme=scheme, contrast="more", reduced_motion="reduce")
        ask(f"more contrast, {scheme}", "contrast()", "edges()", "moving()")
        turn(DESK, color_scheme=scheme, forced_colors="active")
        ask(f"forced colours, {scheme}", "forced()", "reach()")
    turn(A4, media="print")
    ask("paper", "fits(true)", "contrast()")
    turn(PHONE)
    ask("phone", "fits(false)", "reach()")
    turn(PHONE, color_scheme="dark")
    found.extend(f"phone, dark, axe: {each}" for each in _axe(page))
    turn(DESK)
    return list(dict.fromkeys(found))


@cache
def english_texts(language: str) -> list[str]:
    """The texts of ours that a page in this language says in other words: none of them may stand there in English, but
    where the element says that it is."""
    written = texts.written(texts.TEXTS / language)
    forms = [each for said in written.values() for each in (said if isinstance(said, tuple | list) else [said]) if each]
    ours = {
        text for found in written if not found.context for text in found[:2] if text and not texts.placeholders(text)
    }
    ours |= {text[0].upper() + text[1:] for text in ours if " " in text}
    return sorted(ours - set(forms) - {form[0].upper() + form[1:] for form in forms})


def unmarked(page: Any) -> list[str]:
    """What of the page as it stands is of another language and does not say so (WCAG 2.2, 3.1.2)."""
    language = page.evaluate("document.documentElement.lang")
    if language == "en":
        return []
    page.evaluate("access.openAll()")
    found: list[str] = page.evaluate("texts => access.unmarked(texts)", english_texts(language))
    return found


def _fetch_all(page: Any) -> None:
    """See that what is fetched when it comes into view is there."""
    waits = page.locator("[hx-trigger=revealed], [hx-trigger=load]")
    for n in range(waits.count()):
        waits.nth(n).scroll_into_view_if_needed()
    if waits.count():
        page.wait_for_load_state("networkidle")
        page.evaluate("window.scrollTo(0, 0)")


def _axe(page: Any) -> list[str]:
    """Axe's violations; what it cannot tell of contrast is measured by our own look."""
    violations = page.evaluate(
        "async how => (await axe.run(document, how)).violations.map(v => "
        "[v.id, v.nodes.length, String(v.nodes[0].target), v.nodes[0].failureSummary || ''])",
        {"resultTypes": ["violations"], "rules": {"target-size": {"enabled": True}}},
    )
    return [f"{id_}, {count} times: {where} {' '.join(why.split())[:200]}" for id_, count, where, why in violations]


def _text(page: Any, size: str = "", sheet: str = "") -> None:
    page.evaluate(
        "([size, sheet]) => { document.documentElement.style.fontSize = size;"
        "  const made = new CSSStyleSheet(); made.replaceSync(sheet); document.adoptedStyleSheets = [made]; }",
        [size, sheet],
    )


MOST_STOPS = 60
"""Pages with more have the same again and again; `reach()` looks at every one."""


def _by_keys(page: Any) -> list[str]:
    """Press Tab from the top: it goes where the page reads, and is held nowhere."""
    presses = page.evaluate(
        "most => { const top = document.createElement('i'); top.tabIndex = -1; document.body.prepend(top); top.focus();"
        "  top.remove(); window.scrollTo(0, 0); window.stops = access.stops(); window.came = [];"
        "  document.addEventListener('focusin', e => window.came.push(e.target), true);"
        "  return window.stops.slice(0, most).reduce((sum, each) => sum + (each.type === 'date' ? 4 : 1), 0); }",
        MOST_STOPS,
    )
    for _ in range(presses):
        page.keyboard.press("Tab")
    said: list[str] = page.evaluate(
        "most => { const wanted = window.stops.slice(0, most); const came = window.came.slice(0, wanted.length);"
        "  const n = wanted.findIndex((each, n) => each !== came[n]);"
        "  return n < 0 ? [] : ['instead of ' + access.name(wanted[n]) + ' came '"
        "    + (came[n] ? access.name(came[n]) : 'nothing')]; }",
        MOST_STOPS,
    )
    return said
