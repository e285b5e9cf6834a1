"""Texts that the book itself wrote into the log, the stores or a plan.

They are kept in English whatever the page, and shown in the language of the page: `kept` knows a text again by its
wording, with whatever stands in the places of its figures.
"""

from __future__ import annotations

import re
import string
from functools import cache

from refettle.language import SOURCE, current, mark, spoken, tr

TEXTS = (
    mark("job {job}"),
    mark("kit {kit}, v{version}"),
    mark("the stores"),
    mark("as the kit says"),
    mark("may stand in, by the kit's list"),
    mark("{code}, {pieces} in each of {kits} kits"),
    mark("{code}, to have {pieces}"),
    mark("no rate was given for {currency}"),
    mark("Only parts that must be looked at first would do; tick that to take them in."),
    mark("No part of the stores is this yet: {note}."),
    mark("No part of the stores is this yet."),
    mark("kit batch {batch}: {note}"),
    mark("kit batch {batch}"),
    mark("missing: {codes}"),
    mark("too many or not of this batch: {codes}"),
    mark("{grams} g too heavy"),
    mark("{grams} g too light"),
    mark("one more of {parts} would explain it"),
    mark("one less of {parts} would explain it"),
    mark("with parts of {lots}, recalled"),
    mark("lot recalled: {reason}"),
    mark("{code} taken apart"),
    mark("will not come"),
    mark("{pieces} of {code} came in its place and went back. {note}"),
    mark("{pieces} of {code} came in its place and went back"),
    mark("order {order}, in place of {code}"),
    mark("order {order}"),
    mark("line {n}, alternate"),
    mark("line {n}, pieces"),
    mark("line {n}, places"),
    mark("line {n}, note"),
    mark("line {n}, wanted"),
    mark("line {n}"),
    mark("{sku}, pieces"),
    mark("{sku}, price"),
    mark("Left out of what is published."),
    mark("[left out]"),
    mark("Owner not told"),
    mark("donor {donor}"),
    mark("found when counted"),
    mark("taken over"),
    mark("lot {lot}"),
)
"""The longer before the shorter of those that begin alike."""
FIELDS = (
    mark("part"), mark("count"), mark("counted"), mark("lacking"), mark("kits"), mark("minutes"), mark("fee"),
    mark("margin"), mark("name"), mark("note"), mark("who"), mark("why"), mark("what"), mark("how"), mark("source"),
    mark("lot code"), mark("unit type"), mark("board revision"), mark("region"), mark("sold to"), mark("unit"),
    mark("value"), mark("kind"), mark("volt"), mark("celsius"), mark("diameter_mm"), mark("height_mm"),
    mark("pitch_mm"), mark("mount"), mark("maker"), mark("place"), mark("gram"), mark("shelf_days"),
    mark("lead_days"), mark("reorder_at"), mark("no_reorder"), mark("price"), mark("made"), mark("since"),
    mark("pieces"), mark("quarantined"), mark("code"),
)  # fmt: skip
"""Names of fields, as errors of the stores and kits say them."""


def kept(text: str) -> str:
    """A kept text, or the name of a field, in the current language; as it is where it is nobody's but the writer's."""
    if current() == SOURCE or not text:
        return text
    told = _told(text)
    if told is None and "; " in text:
        parts = [(each, _told(each)) for each in text.split("; ")]
        told = "; ".join(words or each for each, words in parts)
    return told if told is not None else text


def _told(text: str) -> str | None:
    if (exact := spoken(text)) != text:
        return exact
    for template, pattern in _patterns():
        if found := pattern.fullmatch(text):
            return tr(template, **found.groupdict())
    return None


@cache
def _patterns() -> tuple[tuple[str, re.Pattern[str]], ...]:
    made = []
    for template in TEXTS:
        if "{" not in template:
            continue
        pattern = "".join(
            re.escape(words) + (f"(?P<{name}>.+?)" if name else "")
            for words, name, _spec, _kind in string.Formatter().parse(template)
        )
        made.append((template, re.compile(pattern, re.DOTALL)))
    return tuple(made)
