"""Boards for the tests of the board and replacing pages: a parts list of electrolytics, and one small layout."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from refettle.book import store
from refettle.book.files import keep
from refettle.book.models import Job
from tests.parts.boards import layout, netlist
from tests.web.board_lists import parts_list

CAUTIONS = ("mains", "charged-capacitor", "burst")


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
