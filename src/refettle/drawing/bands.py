"""A resistor with its colour bands, each named below it, so that it can be read without seeing colours."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from refettle.language import tr

COLOURS = {
    "black": "#161616",
    "brown": "#6b3f1d",
    "red": "#c8261d",
    "orange": "#ee7d12",
    "yellow": "#f3cf1b",
    "green": "#2c7a3a",
    "blue": "#2456a8",
    "violet": "#7a3f98",
    "grey": "#8b8b8b",
    "white": "#ffffff",
    "gold": "#b8923a",
    "silver": "#c6ccd2",
    "pink": "#e99bb5",
}
"""As paint on a part, not as light: to be told apart, no standard's shades."""
GAP = "|"
STEP, WIDE, NARROW_GAP = 30.0, 16.0, 18.0


def resistor(row: Sequence[str], says: str = "", ident: str = "bands") -> str:
    """SVG text of a row of bands, `|` for the wider gap, `?` for a band that cannot be read.

    Parameters
    ----------
    row : sequence of str
        Names in COLOURS, `|` and `?`.
    says : str
        What it reads, for the text alternative.
    ident : str
        Prefix of the ids inside, unique on the page.

    Raises
    ------
    ValueError
        A word that is none of them.
    """
    unknown = [word for word in row if word not in (*COLOURS, GAP, "?")]
    if unknown:
        raise ValueError(
            tr("band '{unknown}' found; allowed: {colours}, | and ?", unknown=unknown[0], colours=", ".join(COLOURS))
        )
    x, body = 52.0, []
    for place, word in enumerate(row):
        if word == GAP:
            x += NARROW_GAP
            continue
        fill = COLOURS.get(word)
        shape = f'fill="{fill}"' if fill else 'class="rb-unknown"'
        body.append(f'<rect {shape} x="{x:g}" y="14" width="{WIDE:g}" height="52"/>')
        body.append(f'<rect class="rb-edge" x="{x:g}" y="14" width="{WIDE:g}" height="52"/>')
        if not fill:
            body.append(f'<text class="rb-name" x="{x + WIDE / 2:g}" y="45" text-anchor="middle">?</text>')
        # Names at two heights, since they are wider than the bands.
        y = 84 + 15 * (place % 2)
        body.append(f'<path class="rb-lead" d="M{x + WIDE / 2:g} 68V{y - 11:g}"/>')
        name = tr("not read") if word == "?" else word
        body.append(f'<text class="rb-name" x="{x + WIDE / 2:g}" y="{y:g}" text-anchor="middle">{name}</text>')
        x += STEP
    right = max(x + 6, 120.0)
    body.insert(
        0,
        f'<path class="rb-wire" d="M0 40h30M{right:g} 40h30"/>'
        f'<rect class="rb-body" x="30" y="14" width="{right - 30:g}" height="52" rx="12"/>',
    )
    named = ", ".join("wider gap" if word == GAP else "not read" if word == "?" else word for word in row)
    told = tr("Bands in the order given: {named}.", named=named) + (
        tr(" First reading: {says}.", says=says) if says else ""
    )
    wide = right + 30
    return (
        f'<svg class="bands" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:g} 104" '
        f'width="{wide:g}" height="104" role="img" aria-labelledby="{ident}-title {ident}-desc">'
        f'<title id="{ident}-title">Colour bands</title>'
        f'<desc id="{ident}-desc">{escape(told)}</desc>{"".join(body)}</svg>'
    )
