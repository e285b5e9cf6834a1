"""Boards for the tests of the board and replacing pages: a parts list of electrolytics, and one small layout."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from refettle.book import store
from refettle.book.files import keep
from refettle.book.models import Job
from tests.parts.boards import layout, netlist

RAILS = ("+5V", "+12V", "-5V")
VALUES = ("10u 16V", "47u 16V", "100u 25V", "470u 25V")
CAUTIONS = ("mains", "charged-capacitor", "burst")


def parts_list(count: int = 40) -> bytes:
    """So many electrolytics in rows of eight on three rails, turned every way; all values differ from their next."""
    lines = ["ref,value,symbol,side,x,y,angle,plus,minus"]
    for n in range(count):
        rail = RAILS[n % 3]
        plus, minus = ("GND", rail) if rail.startswith("-") else (rail, "GND")
        x, y, angle = 10 + 14 * (n % 8), 10 + 14 * (n // 8), 90 * (n % 4)
        lines.append(f"C{n + 1},{VALUES[n % 4]},CP,front,{x},{y},{angle},{plus},{minus}")
    return "\n".join(lines).encode()


def with_board(job: Job, folder: Path, data: bytes | None = None, nets: bytes | None = None) -> None:
    """Keep a board file with the job; by default the parts list."""
    entry: dict[str, Any] = {"kind": "board", "name": "board.csv", "file": keep(data or parts_list(), folder)}
    if nets is not None:
        entry["netlist"] = keep(nets, folder)
    store.append(job, entry, "Ada")


def careful(job: Job) -> None:
    """Every caution of the work read."""
    for caution in CAUTIONS:
        store.append(job, {"kind": "caution", "caution": caution}, "Ada")


__all__ = ["careful", "layout", "netlist", "parts_list", "with_board"]
