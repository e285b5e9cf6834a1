"""Prices drawn: how far one moved, as a bar to the left or the right, and one number's price over the years."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from decimal import Decimal
from html import escape

from refettle.language import tr

WIDE, HIGH = 420.0, 170.0
LEFT, RIGHT, TOP, FOOT = 8.0, 74.0, 20.0, 26.0
LEAST_APART = 44.0
"""Room that the words of a price need beside the last."""


def change_bar(share: float, most: float) -> str:
    """SVG text of a bar from the middle: dearer to the right, cheaper to the left, `most` being the full length."""
    length = 50.0 * min(1.0, abs(share) / most) if most else 0.0
    start = 50.0 if share > 0 else 50.0 - length
    kind = "pr-up" if share > 0 else "pr-down"
    return (
        '<svg class="bar" aria-hidden="true" focusable="false"><rect class="bar-bed" width="100%" height="100%"/>'
        f'<rect class="{kind}" x="{start:.1f}%" width="{length:.1f}%" height="100%"/>'
        '<rect class="pr-middle" x="50%" width="1" height="100%"/></svg>'
    )


def price_steps(points: Sequence[tuple[date, Decimal | None]], currency: str, today: date) -> str:
    """SVG text of a price from list to list: level until the next list holds; nothing where there is no price.

    Parameters
    ----------
    points : sequence of (date, Decimal or None)
        Day from which each price holds, oldest first; None where the list does not have the number.
    currency : str
        Three letters.
    today : date
        The last price is drawn up to this day.
    """
    known = [price for _, price in points if price is not None]
    if not known:
        return ""
    first = points[0][0]
    end = max(today, points[-1][0])
    days = max((end - first).days, 1)
    top = float(max(known)) * 1.05

    def x(day: date) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (day - first).days / days

    def y(price: Decimal) -> float:
        return TOP + (HIGH - TOP - FOOT) * (1.0 - float(price) / top)

    base = HIGH - FOOT
    parts = [f'<path class="pr-base" d="M{LEFT:g} {base:g}H{WIDE - RIGHT:g}"/>']
    path = ""
    drawn = -LEAST_APART
    for place, (day, price) in enumerate(points):
        until = points[place + 1][0] if place + 1 < len(points) else end
        if price is None:
            path += f"M{x(day):.1f} {base:g}"
            continue
        gap = place == 0 or points[place - 1][1] is None
        path += f"{'M' if gap else 'L'}{x(day):.1f} {y(price):.1f}H{max(x(until), x(day) + 2):.1f}"
        if place + 1 == len(points) or x(day) - drawn >= LEAST_APART:
            anchor_x = x(day) if place + 1 < len(points) else min(max(x(until), x(day) + 2) + 4, WIDE - RIGHT + 4)
            rise = -6.0 if place + 1 < len(points) else 4.0
            parts.append(
                f'<text class="pr-text" x="{anchor_x:.1f}" y="{y(price) + rise:.1f}">{escape(f"{price:f}")}</text>'
            )
            drawn = x(day)
    parts.append(f'<path class="pr-line" d="{path}"/>')
    parts.append(f'<text class="pr-day" x="{LEFT:g}" y="{HIGH - 8:g}">{first.isoformat()}</text>')
    if end > first:
        parts.append(
            f'<text class="pr-day" x="{WIDE - RIGHT:g}" y="{HIGH - 8:g}" text-anchor="end">{end.isoformat()}</text>'
        )
    return (
        f'<svg class="price-steps" viewBox="0 0 {WIDE:g} {HIGH:g}" width="{WIDE:g}" height="{HIGH:g}" role="img" '
        f'aria-label="{escape(_says(points, currency))}">{"".join(parts)}</svg>'
    )


def _says(points: Sequence[tuple[date, Decimal | None]], currency: str) -> str:
    known = [(day, price) for day, price in points if price is not None]
    (since, was), (_, now) = known[0], known[-1]
    if len(known) == 1 or was == now:
        said = tr("{now:f} {currency} since {isoformat}", now=now, currency=currency, isoformat=since.isoformat())
    else:
        share = 100 * float(now / was - 1)
        way = "up" if share > 0 else "down"
        said = tr(
            "from {was:f} {currency} in {isoformat} to {now:f}, {share:.0f} % {way}",
            was=was,
            currency=currency,
            isoformat=since.isoformat(),
            now=now,
            share=abs(share),
            way=way,
        )
    return said + (tr(", no longer in the newest list") if points[-1][1] is None else "")
