"""What the stores ask for, told by the command line: parts to reorder."""

from __future__ import annotations

import argparse
from typing import Any

from django.utils import timezone

from refettle.book import reorder, stores
from refettle.book.models_stores import Part
from refettle.cli.common import DONE, print_json, table


def run_reorder(args: argparse.Namespace) -> int:
    """What is low, the barest first, or of the parts named when each is ordered again; and why."""
    today = timezone.localdate()
    if args.codes:
        named = [stores.find_part(code).pk for code in args.codes]
        reorder.work_out(today)
        found = reorder.levels(today, named)
        levels = [found[pk] for pk in dict.fromkeys(named)]
    else:
        levels = reorder.low(today)
    parts = _parts([level.part for level in levels])
    if args.json:
        print_json({"parts": [_facts(parts[level.part], level) for level in levels]})
        return DONE
    if not levels:
        print("Nothing is low.")
        return DONE
    rows = [["part", "free", "on order", "order at", "order", "why"]]
    for level in levels:
        part = parts[level.part]
        at = "" if level.at is None else str(level.at)
        rows.append([part.code, str(part.free), str(level.coming or ""), at, str(level.order or ""), level.why])
    print(table(rows))
    return DONE


def _parts(keys: list[int]) -> dict[int, Part]:
    found: dict[int, Part] = {}
    for n in range(0, len(keys), 500):
        found |= Part.objects.in_bulk(keys[n : n + 500])
    return found


def _facts(part: Part, level: reorder.Level) -> dict[str, Any]:
    return {
        "code": part.code, "name": part.name, "free": part.free, "on_order": level.coming, "order_at": level.at,
        "by": level.by, "low": level.low, "order": level.order, "used": level.used, "takes": level.takes,
        "in_days": level.days, "lead_days": level.lead_days, "why": level.why,
    }  # fmt: skip
