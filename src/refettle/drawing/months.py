"""How many went, month by month, as bars that carry their numbers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from html import escape

from refettle.language import tr

STEP, HIGH, TOP, FOOT = 22.0, 70.0, 16.0, 30.0
MONTHS = "JFMAMJJASOND"


def month_bars(months: Sequence[tuple[date, int]], *, what: str) -> str:
    """SVG text of one bar for each month, the oldest first; nothing for no months.

    Parameters
    ----------
    months : sequence of (date, int)
        First day of each month without gaps, and how many went; 0 or above.
    what : str
        Of what, for the text alternative.
    """
    if not months:
        return ""
    most = max(max(count for _, count in months), 1)
    total = sum(count for _, count in months)
    bars = []
    for place, (month, count) in enumerate(months):
        x, tall = 2 + place * STEP, HIGH * count / most
        y = TOP + HIGH - tall
        if count:
            bars.append(f'<rect class="mb-bar" x="{x:g}" y="{y:.1f}" width="{STEP - 4:g}" height="{tall:.1f}"/>')
            bars.append(
                f'<text class="mb-text" x="{x + STEP / 2 - 2:g}" y="{y - 3:.1f}" text-anchor="middle">{count}</text>'
            )
        letter = MONTHS[month.month - 1]
        bars.append(
            f'<text class="mb-text" x="{x + STEP / 2 - 2:g}" y="{TOP + HIGH + 12:g}" text-anchor="middle">'
            f"{letter}</text>"
        )
        if month.month == 1 or (place == 0 and month.month < 11):  # else the next year stands in its way
            bars.append(f'<text class="mb-year" x="{x:g}" y="{TOP + HIGH + 25:g}">{month.year}</text>')
    wide, tall_all = 4 + STEP * len(months), TOP + HIGH + FOOT
    (busiest, number) = max(months, key=lambda each: each[1])
    says = tr("{part}: {total} used in {months} months", part=what, total=total, months=len(months)) + (
        tr(", most in {busiest:%Y-%m}: {number}", busiest=busiest, number=number) if total else ""
    )
    return (
        f'<svg class="month-bars" viewBox="0 0 {wide:g} {tall_all:g}" width="{wide:g}" height="{tall_all:g}" '
        f'role="img" aria-label="{escape(says)}"><path class="mb-base" '
        f'd="M0 {TOP + HIGH:g}H{wide:g}"/>{"".join(bars)}</svg>'
    )
