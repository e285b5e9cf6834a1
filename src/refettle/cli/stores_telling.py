"""What the actions of `refettle stores` share: words typed, facts, lines."""

from __future__ import annotations

import argparse
from datetime import date
from typing import Any

from refettle.book import stores
from refettle.book.models import Entry, Job
from refettle.book.models_stores import Lot, Movement, Part, Reservation
from refettle.book.store import StoreError, find_job
from refettle.book.stores import Came
from refettle.book.stores_moves import holder, open_reservations, quantity
from refettle.book.stores_search import part_facts
from refettle.cli.common import DONE, print_json

Args = argparse.Namespace


# ---------------------------------------------------------------- words typed


def number(text: str | None, field: str) -> int | None:
    return None if text is None else quantity(text, field)


def job_of(text: str | None) -> Job | None:
    if text is None:
        return None
    return find_job(quantity(text, "job"))


def needed_job(text: str) -> Job:
    return find_job(quantity(text, "job"))


def lot_of(part: Part, text: str | None) -> Lot | None:
    return None if text is None else stores.find_lot(part, text)


def day(text: str | None, field: str) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise StoreError(f"{field}: {text!r} found; allowed: a day such as 2031-03-02", field) from None


def came_from(args: Args) -> Came:
    return Came(
        args.lot or "", day(args.made, "made"), day(args.since, "since"), args.source or "", args.price,
        args.currency or "",
    )  # fmt: skip


def reservations_of(part: Part, text: str) -> list[Reservation]:
    named = [quantity(word, "let-go") for word in text.split(",") if word.strip()]
    held = {r.pk: r for r in open_reservations(part)}
    for number in named:
        if number not in held:
            allowed = ", ".join(f"{pk} ({holder(r)}: {r.quantity})" for pk, r in held.items())
            allowed = allowed or "none: nothing is reserved"
            raise StoreError(f"let-go: {number} found; allowed: {allowed}", "let-go")
    return [held[number] for number in named]


# ---------------------------------------------------------------- facts and lines


def lot_facts(lot: Lot) -> dict[str, Any]:
    return {
        "lot": lot.pk, "code": lot.code, "made": lot.made, "since": lot.since, "source": lot.source,
        "price": lot.price, "currency": lot.currency, "proven": lot.proven,
        "on_hand": lot.on_hand, "quarantined": lot.quarantined,
    }  # fmt: skip


def line_facts(line: Movement) -> dict[str, Any]:
    return {
        "line": line.pk, "at": line.at.isoformat(), "who": line.who, "kind": line.kind, "lot": line.lot_id,
        "on_hand": line.on_hand, "quarantined": line.quarantined, "job": line.job.number if line.job else None,
        "entry": line.entry, "corrects": line.corrects_id, "note": line.note,
    }  # fmt: skip


def reservation_facts(each: Reservation) -> dict[str, Any]:
    return {"reservation": each.pk, "for": holder(each), "want": each.want, "count": each.quantity, "who": each.who}


def standing(part: Part) -> str:
    aside = f", {part.quarantined} in quarantine" if part.quarantined else ""
    return f"{part.code}: {part.on_hand} on hand, {part.free} free{aside}."


def moved(args: Args, part: Part, lines: list[Movement]) -> int:
    part.refresh_from_db()
    if args.json:
        print_json({"part": part_facts(part), "lines": [line_facts(line) for line in lines]})
        return DONE
    for line in lines:
        aside = f", quarantine {line.quarantined:+d}" if line.quarantined else ""
        print(f"Line {line.pk}: {line.get_kind_display()}, lot {line.lot}, {line.on_hand:+d}{aside}.")
    print(standing(part))
    return DONE


def written(args: Args, job: Job, entries: list[Entry], part: Part | None = None) -> int:
    if args.json:
        print_json([{"job": job.number, "n": e.n, "kind": e.kind, **e.data} for e in entries])
        return DONE
    for entry in entries:
        what = entry.data.get("what") or entry.data.get("part") or f"of entry {entry.data.get('taken')}"
        print(f"Job {job.number}, entry {entry.n}: {entry.kind}, {entry.data.get('count', 1)} × {what}.")
    if part is not None:
        part.refresh_from_db()
        print(standing(part))
    return DONE
