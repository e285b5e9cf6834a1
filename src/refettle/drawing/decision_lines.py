"""The sequential test drawn: bad trials against trials made, the two lines, and where the count stands."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil
from xml.sax.saxutils import escape

from refettle.language import several, tr
from refettle.proving.counts import percent
from refettle.proving.sequential import Decision, SequentialTest

WIDTH, HEIGHT = 480.0, 220.0
LEFT, RIGHT, TOP, BOTTOM = 34.0, 8.0, 10.0, 34.0


def decision_lines(test: SequentialTest, order: Sequence[bool], decision: Decision) -> str:
    """SVG of the test's lines and the trials made, True for a bad one."""
    most_bad = max(3, sum(order) + 1)
    last = max(len(order), ceil((test.pass_at + 1.0) / test.slope))
    last = min(test.longest, last)
    x_of = (WIDTH - LEFT - RIGHT) / last
    y_of = (HEIGHT - TOP - BOTTOM) / most_bad

    def at(tries: float, bad: float) -> str:
        return f"{LEFT + tries * x_of:.1f},{HEIGHT - BOTTOM - bad * y_of:.1f}"

    end = (test.slope * last - test.pass_at, test.slope * last + test.fail_at)
    starts = test.pass_at / test.slope
    lines = []
    if starts < last:
        lines.append(f'<polyline class="pl-limit dl-line" points="{at(starts, 0)} {at(last, min(end[0], most_bad))}"/>')
    until = last if end[1] <= most_bad else (most_bad - test.fail_at) / test.slope
    if until > 0:
        top = min(end[1], float(most_bad))
        lines.append(f'<polyline class="pl-limit dl-line" points="{at(0, test.fail_at)} {at(until, top)}"/>')
    bad = 0
    path = [at(0, 0)]
    for tries, each in enumerate(order[:last], start=1):
        bad += each
        path.append(at(tries, bad))
    here = path[-1].split(",")
    text = f"{decision.text[0].upper()}{decision.text[1:]}."
    ticks = "".join(
        f'<text class="dl-text" x="{LEFT - 8}" y="{HEIGHT - BOTTOM - n * y_of + 4:.1f}" text-anchor="end">{n}</text>'
        for n in range(most_bad + 1)
        if most_bad <= 8 or n % ceil(most_bad / 6) == 0
    )
    base = HEIGHT - BOTTOM
    name_fail, name_pass = (
        tr("fails, as at {bad_rate}", bad_rate=percent(test.bad_rate)),
        tr("passes, as at {good_rate}", good_rate=percent(test.good_rate)),
    )
    name, axes = escape(tr("Sequential test")), escape(tr("bad ones, over trials made"))
    trials = several("{n} trial", "{n} trials", last)
    return (
        f'<svg class="decision-lines" viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}" role="img" aria-label="{name}">'
        f"<desc>{escape(text)}</desc>"
        f'<line class="pl-mark" x1="{LEFT}" y1="{base}" x2="{WIDTH - RIGHT}" y2="{base}"/>'
        f'<line class="pl-mark" x1="{LEFT}" y1="{TOP}" x2="{LEFT}" y2="{base}"/>{ticks}{"".join(lines)}'
        f'<text class="dl-text" x="{LEFT + 8}" y="{TOP + 12}">{escape(name_fail)}</text>'
        f'<text class="dl-text" x="{WIDTH - RIGHT - 4}" y="{base - 8}" text-anchor="end">{escape(name_pass)}</text>'
        f'<polyline class="pl-line" points="{" ".join(path)}"/>'
        f'<circle class="pl-point" cx="{here[0]}" cy="{here[1]}" r="4"/>'
        f'<text class="dl-text" x="{LEFT}" y="{HEIGHT - 12}" text-anchor="middle">0</text>'
        f'<text class="dl-text" x="{WIDTH - RIGHT}" y="{HEIGHT - 12}" text-anchor="end">{trials}</text>'
        f'<text class="dl-text" x="{(LEFT + WIDTH) / 2:.0f}" y="{HEIGHT - 12}" text-anchor="middle">{axes}</text>'
        "</svg>"
    )
