"""The measuring card: four markers that say where things lie, four places for a neutral that say what the light is.

Lengths are in millimetres on the card, x to the right and y down from its top left corner, lying wide. The markers are
of the open 4 x 4 dictionary of the ArUco kind (S. Garrido-Jurado and others, Pattern Recognition 47, 2014, 2280-2292);
their numbers tell the sizes of card apart. A marker must be at least 40 pixels across in the photo (1/100 of its
width), with a white rim of one of its squares. Each neutral lies in a corner, as far from the others as it can, so that
light of two colours shows.

The print itself is no neutral: office paper holds brighteners that glow blue under daylight and ultraviolet.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Any, Literal, get_args

from refettle.language import current, mark, tr

Point = tuple[float, float]
Size = Literal["a5", "a6"]
SIZES: tuple[Size, ...] = get_args(Size)

SQUARES = 6
"""Squares along a marker: four that carry its number, and a black rim of one."""
CODES = (0xB532, 0x0F9A, 0x332D, 0x9946, 0x549E, 0x79CD, 0x9E2E, 0xC4F2)
"""The inner 4 x 4 squares of markers 0 to 7, row by row, 1 for white."""
CORNERS = (mark("top left"), mark("top right"), mark("bottom right"), mark("bottom left"))
WINDOW = 0.6
"""Share of a neutral's side that is read, so that its edge and a badly laid strip stay out."""
READING_WIDE = 1.5
"""Times the width of the card, how far from its middle a region may lie before the card says little: estimate."""


class CardError(ValueError):
    """The card cannot be made; says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Rectangle:
    """`left`, `top`, `width`, `height` [mm]."""

    left: float
    top: float
    width: float
    height: float

    @property
    def corners(self) -> tuple[Point, Point, Point, Point]:
        """Clockwise from the top left [mm]."""
        right, bottom = self.left + self.width, self.top + self.height
        return (self.left, self.top), (right, self.top), (right, bottom), (self.left, bottom)

    @property
    def middle(self) -> Point:
        return self.left + self.width / 2, self.top + self.height / 2

    def inner(self, share: float = WINDOW) -> Rectangle:
        """The part about the middle that is `share` of each side."""
        wide, high = self.width * share, self.height * share
        return Rectangle(self.left + (self.width - wide) / 2, self.top + (self.height - high) / 2, wide, high)


@dataclass(frozen=True, slots=True)
class Card:
    """One size of card: `width` and `height` [mm]; `markers` by number; `neutrals` in the order of CORNERS;
    `reference`, where a small part may lie with its unexposed side up; `scale`, a printed bar to check with a ruler.
    """

    size: Size
    width: float
    height: float
    markers: dict[int, Rectangle]
    neutrals: tuple[Rectangle, ...]
    reference: Rectangle
    scale: Rectangle


def _card(size: Size, width: float, height: float, edge: float, neutral: float, marker: float, gap: float) -> Card:
    right, bottom = width - edge, height - edge
    beside = edge + neutral + gap
    spots = ((edge, edge), (right - neutral, edge), (right - neutral, bottom - neutral), (edge, bottom - neutral))
    # Each marker follows its corner clockwise.
    places = (
        (beside, edge),
        (right - marker, beside),
        (width - beside - marker, bottom - marker),
        (edge, height - beside - marker),
    )
    first = 0 if size == "a5" else 4
    bar = 100.0 if size == "a5" else 50.0
    middle = beside + marker + gap, width - edge - marker - gap
    return Card(
        size,
        width,
        height,
        {first + k: Rectangle(*place, marker, marker) for k, place in enumerate(places)},
        tuple(Rectangle(*spot, neutral, neutral) for spot in spots),
        Rectangle(middle[0], edge + marker + gap, middle[1] - middle[0], 0.22 * height),
        Rectangle((width - bar) / 2, height * 0.6, bar, 2.0),
    )


CARDS: dict[Size, Card] = {
    "a5": _card("a5", 210.0, 148.0, 8.0, 24.0, 28.0, 8.0),
    "a6": _card("a6", 148.0, 105.0, 6.0, 18.0, 20.0, 6.0),
}


@dataclass(frozen=True, slots=True)
class Hint:
    """One line of the photo guide: `do` or don't, `what`, and `why`."""

    do: bool
    what: str
    why: str


GUIDE: tuple[Hint, ...] = (
    Hint(
        True,
        mark("Print at 100 % (actual size) on matt paper and check the bar with a ruler."),
        mark("Marks and sizes are kept in millimetres on the card."),
    ),
    Hint(
        True,
        mark("Stick a neutral on all four corner squares: matt grey card, or white PTFE thread tape in six layers."),
        mark(
            "The four tell the colour of the light, and whether it is one light. Six layers: common practice, no "
            "source."
        ),
    ),
    Hint(
        True,
        mark("Lay the card flat, in the plane of the surface, close to it; all four corners in the picture."),
        mark("Marks are carried by the card and hold only in its plane, not on a curve or a step."),
    ),
    Hint(
        True,
        mark("Have plastic that never saw light in the same picture: inside of a flap, under a label, behind a foot."),
        mark("How yellow a part is, is told against its own unexposed plastic."),
    ),
    Hint(
        True,
        mark("One kind of light only: overcast daylight from a window with the lamps off, or one lamp, blinds shut."),
        mark("Two lights of different colour make the figure worthless; no correction helps."),
    ),
    Hint(
        True,
        mark("Light from the side at 45°, camera straight above."),
        mark("Gloss mirrors the lamp into the picture otherwise."),
    ),
    Hint(True, mark("Wash and dry the part before."), mark("Dirt shadows and wet plastic read darker and yellower.")),
    Hint(
        True,
        mark("Expose so that the neutrals stay below full white; tap on them, or take one step darker."),
        mark("What is clipped cannot be read."),
    ),
    Hint(
        True,
        mark(
            "Keep camera, place and lamp as they were for every later photo; lock white balance and exposure if it "
            "can be done."
        ),
        mark("A phone is good for 17 points in a hundred, a fixed rig for 8, locked for 5."),
    ),
    Hint(
        True,
        mark("Take three photos and lay everything anew between them."),
        mark("They show what your own photos are good for."),
    ),
    Hint(
        False,
        mark("No flash, no ultraviolet lamp on, no direct patchy sun."),
        mark("Ultraviolet makes paper glow, hurts eyes, and is not the light that is seen by."),
    ),
    Hint(
        False,
        mark("No night, HDR, portrait or beauty mode, no filter, no mirrored front camera."),
        mark("They paint over the colour, differently in every picture."),
    ),
    Hint(
        False,
        mark("No office paper as a neutral."),
        mark("Its brightener glows blue in daylight, so everything reads yellower."),
    ),
    Hint(False, mark("No coloured wall, shirt or table next to it."), mark("They colour the light.")),
    Hint(
        False,
        mark("No photo sent through a messenger."),
        mark("It comes out smaller and changed; copy the file itself."),
    ),
)
"""What makes a photo good for measuring. Common practice, no source, where nothing is named."""


def card_of(size: str) -> Card:
    """The card of a size, written small or large. CardError for another."""
    for known in SIZES:
        if size.strip().lower() == known:
            return CARDS[known]
    raise CardError(tr("size {size!r} found; allowed: {sizes}", size=size, sizes=", ".join(SIZES)))


def marker_squares(number: int) -> list[str]:
    """The six rows of a marker, 1 for white, with its black rim."""
    code = f"{CODES[number]:016b}"
    inner = [f"0{code[4 * row : 4 * row + 4]}0" for row in range(4)]
    return ["0" * SQUARES, *inner, "0" * SQUARES]


def facts(card: Card) -> dict[str, Any]:
    """The card as plain values, lengths in millimetres."""

    def of(r: Rectangle) -> dict[str, float]:
        return {"left": r.left, "top": r.top, "width": r.width, "height": r.height}

    return {
        "size": card.size,
        "width_mm": card.width,
        "height_mm": card.height,
        "markers": {str(number): of(place) for number, place in card.markers.items()},
        "neutrals": {corner: of(place) for corner, place in zip(CORNERS, card.neutrals, strict=True)},
        "reference": of(card.reference),
        "scale": of(card.scale),
    }


def card_svg(size: str = "a6") -> str:
    """The card as SVG, in millimetres at its own size. CardError for a size that there is not."""
    card = card_of(size)
    w, h = card.width, card.height
    step = 1.0 if card.size == "a6" else 1.35  # letters grow with the card
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" xml:lang="{current()}" width="{w:g}mm" height="{h:g}mm" '
        f'viewBox="0 0 {w:g} {h:g}" '
        'font-family="sans-serif" fill="#000">',
        f"<title>{escape(_title(card))}</title>",
        f'<rect width="{w:g}" height="{h:g}" fill="#fff"/>',
        _frame(Rectangle(0.1, 0.1, w - 0.2, h - 0.2)),
    ]
    out += [_marker(number, place) for number, place in card.markers.items()]
    for place in card.neutrals:
        out.append(_frame(place))
        x, y = place.middle
        out += [_line(x, y + dy * step, 2.4 * step, text) for dy, text in ((-2, tr("neutral")), (1.2, tr("grey card")),
                                                                           (4.4, tr("or PTFE")))]  # fmt: skip
    out.append(_frame(card.reference, dashed=True))
    x, y = card.reference.middle
    out.append(_line(x, y - 1 * step, 2.6 * step, tr("reference")))
    out.append(_line(x, y + 2.6 * step, 2.2 * step, tr("a small part, unexposed side up")))
    bar = card.scale
    ticks = "".join(
        f"M{bar.left + mm:g} {bar.top:g}v{2 if mm % 10 == 0 else 1.2:g}" for mm in range(0, int(bar.width) + 1, 5)
    )
    out.append(
        f'<path d="M{bar.left:g} {bar.top:g}h{bar.width:g}{ticks}" stroke="#000" stroke-width="0.2" fill="none"/>'
    )
    width = f"{bar.width:g} mm"  # exact: no rounded inches beside it
    out.append(_line(w / 2, bar.top - 1.2, 2.4 * step, tr("{width}: check with a ruler", width=width)))
    lines = (
        tr("Paper is no neutral: cover all four corners."),
        tr("One light, 45° from the side. Flat, in the plane of the part."),
    )
    start = bar.top + 3.6 + 2.2 * step
    out += [_line(w / 2, start + k * 3 * step, 2.2 * step, text) for k, text in enumerate(lines)]
    return "\n".join([*out, "</svg>", ""])


def _title(card: Card) -> str:
    return tr("Measuring card {size}", size=card.size.upper())


def _marker(number: int, place: Rectangle) -> str:
    cell = place.width / SQUARES
    white = "".join(
        f"M{place.left + column * cell:.4f} {place.top + row * cell:.4f}h{cell:.4f}v{cell:.4f}h-{cell:.4f}z"
        for row, squares in enumerate(marker_squares(number))
        for column, square in enumerate(squares)
        if square == "1"
    )
    return (
        f'<rect x="{place.left:g}" y="{place.top:g}" width="{place.width:g}" height="{place.height:g}" '
        f'shape-rendering="crispEdges"/><path d="{white}" fill="#fff" shape-rendering="crispEdges"/>'
    )


def _frame(place: Rectangle, dashed: bool = False) -> str:
    dash = ' stroke-dasharray="1.5 1"' if dashed else ""
    return (
        f'<rect x="{place.left:g}" y="{place.top:g}" width="{place.width:g}" height="{place.height:g}" fill="none" '
        f'stroke="#000" stroke-width="0.2"{dash}/>'
    )


def _line(x: float, y: float, high: float, text: str) -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{high:.2f}" text-anchor="middle">{escape(text)}</text>'


def card_pdf(size: str = "a6") -> bytes:
    """The card as PDF, one page of its own size. CardError for another size, or where PDF cannot be written here."""
    card = card_of(size)
    try:
        from weasyprint import HTML
    except (ImportError, OSError) as error:  # the package, or the text libraries that it leans on
        raise CardError(
            tr(
                "No PDF can be written here ({error}). Print the SVG from the browser at 100 %, or "
                "install refettle[pdf] and the Pango library.",
                error=error,
            )
        ) from None
    page = (
        f'<html lang="{current()}">'
        f"<style>@page {{ size: {card.width:g}mm {card.height:g}mm; margin: 0 }} body {{ margin: 0 }} "
        f"svg {{ display: block }}</style><title>{escape(_title(card))}</title>{card_svg(size)}"
    )
    made = HTML(string=page, url_fetcher=nothing_fetched).write_pdf()
    assert isinstance(made, bytes)
    return made


def nothing_fetched(url: str, *_: object, **__: object) -> Any:
    """What a PDF asks for from outside itself: refused, whatever it is. Raises ValueError."""
    raise ValueError(tr("{url}: nothing is fetched", url=url))
