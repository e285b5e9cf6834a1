"""A parts list of electrolytics for the tests; needs no book."""

from __future__ import annotations

RAILS = ("+5V", "+12V", "-5V")
VALUES = ("10u 16V", "47u 16V", "100u 25V", "470u 25V")


def parts_list(count: int = 40) -> bytes:
    """So many electrolytics in rows of eight on three rails, turned every way; all values differ from their next."""
    lines = ["ref,value,symbol,side,x,y,angle,plus,minus"]
    for n in range(count):
        rail = RAILS[n % 3]
        plus, minus = ("GND", rail) if rail.startswith("-") else (rail, "GND")
        x, y, angle = 10 + 14 * (n % 8), 10 + 14 * (n // 8), 90 * (n % 4)
        lines.append(f"C{n + 1},{VALUES[n % 4]},CP,front,{x},{y},{angle},{plus},{minus}")
    return "\n".join(lines).encode()
