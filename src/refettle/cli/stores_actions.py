"""What `refettle stores` does, one function for each action."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from django.utils import timezone

from refettle.book import reservations, stores, wants
from refettle.book.models_kits import KitBatch
from refettle.book.models_stores import Movement, Part, Reservation
from refettle.book.store import StoreError, append_all, job_state
from refettle.book.stores import Came
from refettle.book.stores_check import explain, sums, verify
from refettle.book.stores_csv import export_csv, import_csv
from refettle.book.stores_moves import holder, open_reservations, quantity
from refettle.book.stores_search import find, found_facts, part_facts
from refettle.book.stores_values import value_words
from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table
from refettle.cli.stores_due import run_reorder
from refettle.cli.stores_telling import (
    came_from,
    job_of,
    line_facts,
    lot_facts,
    lot_of,
    moved,
    needed_job,
    number,
    reservation_facts,
    reservations_of,
    standing,
    written,
)

Args = argparse.Namespace
PART_FIELDS = (
    "kind", "place", "maker", "mount", "note", "gram", "shelf_days", "lead_days", "reorder_at", "no_reorder",
)  # fmt: skip


# ---------------------------------------------------------------- parts


def run_add(args: Args) -> int:
    """A new part, and what there is of it."""
    from django.db import transaction

    details = {f: getattr(args, f) for f in PART_FIELDS if getattr(args, f) is not None}
    names = ("lot", "made", "since", "source", "price", "currency")
    lot_said = [name for name in names if getattr(args, name) is not None]
    if args.count is None and lot_said:
        raise StoreError(f"{lot_said[0]}: found without --count; allowed: with it", lot_said[0])
    with transaction.atomic():
        part = stores.add_part(name=args.name, code=args.code, value=args.value or "", who=args.who, **details)
        lines = [] if args.count is None else [stores.receive(part, args.count, who=args.who, came=came_from(args))]
    return moved(args, part, lines)


def run_edit(args: Args) -> int:
    """Change a part."""
    part = stores.find_part(args.code)
    details = {f: getattr(args, f) for f in ("name", *PART_FIELDS) if getattr(args, f) is not None}
    stores.edit_part(part, who=args.who, value=args.value, code=args.new_code, **details)
    return moved(args, part, [])


def run_find(args: Args) -> int:
    """Parts by what was typed."""
    found = find(" ".join(args.words))
    most = max(1, min(args.limit, 500))
    if args.json:
        print_json(found_facts(found, most))
        return DONE if len(found) else DOES_NOT_HOLD
    if found.says:
        print(f"{found.says}:\n")
    if not len(found):
        print("Nothing found. Add a part with: refettle stores add NAME")
        return DOES_NOT_HOLD
    rows = [["code", "value", "name", "place", "on hand", "free"]]
    for part in found.parts(0, most):
        rows.append([part.code, value_words(part), part.name, part.place, str(part.on_hand), str(part.free)])
    print(table(rows))
    if len(found) > most or found.more:
        print(f"\n{most} of {len(found)}{' or more' if found.more else ''}; type another word, or --limit")
    return DONE


def run_show(args: Args) -> int:
    """A part, its lots and reservations."""
    part = stores.find_part(args.code)
    lots = list(part.lots.exclude(on_hand=0, quarantined=0).order_by("made", "since", "id"))
    held = open_reservations(part)
    if args.json:
        facts = part_facts(part) | {"rated": part.rated, "note": part.note}
        promised = [reservation_facts(r) for r in held]
        print_json({**facts, "lots": [lot_facts(x) for x in lots], "reserved_for": promised})
        return DONE
    print(f"{part.code}  {part.name}  {value_words(part)}".rstrip())
    print(standing(part), part.place and f"It lies in: {part.place}.")
    if lots:
        rows = [["lot", "code", "made", "since", "source", "price", "on hand", "quarantine"]]
        for x in lots:
            price = f"{x.price.normalize():f} {x.currency}" if x.price is not None else ""
            days = [str(x.made or ""), str(x.since or "")]
            rows.append([str(x.pk), x.code, *days, x.source, price, str(x.on_hand), str(x.quarantined or "")])
        print("\n" + table(rows))
    for each in held:
        print(f"Reservation {each.pk}: {each.quantity} for {holder(each)}")
    return DONE


# ---------------------------------------------------------------- in and out


def run_receive(args: Args) -> int:
    """Parts that came."""
    part = stores.find_part(args.code)
    into = lot_of(part, args.into)
    came = came_from(args)
    if into is not None and came != Came():
        raise StoreError("into: found with what is known of a new lot; allowed: one of them", "into")
    line = stores.receive(
        part, args.count, who=args.who, came=came if into is None else None, lot=into, quarantine=args.quarantine,
        note=args.note,
    )  # fmt: skip
    return moved(args, part, [line])


def run_take(args: Args) -> int:
    """Parts for a job."""
    part, job = stores.find_part(args.code), needed_job(args.job)
    refs = [r for r in args.refs.replace(",", " ").split() if r]
    made = wants.take_for_job(
        job, part, args.count, who=args.who, wanted=number(args.wanted, "wanted"), lot=lot_of(part, args.lot),
        refs=refs, price=args.price, repair=args.repair,
    )  # fmt: skip
    return written(args, job, made, part)


def run_return(args: Args) -> int:
    """Parts that a job did not use."""
    job = needed_job(args.job)
    count, taken = quantity(args.count), quantity(args.taken, "taken")
    made = wants.give_back_from_job(job, taken, count, who=args.who, why=args.why, quarantine=args.quarantine)
    return written(args, job, [made])


def run_count(args: Args) -> int:
    """Set to what was counted."""
    part = stores.find_part(args.code)
    suffer = reservations_of(part, args.let_go)
    lines = stores.count(part, args.found, who=args.who, lot=lot_of(part, args.lot), let_go=suffer, note=args.note)
    return moved(args, part, lines)


def run_scrap(args: Args) -> int:
    """Parts thrown away."""
    part = stores.find_part(args.code)
    lines = stores.scrap(
        part, args.count, who=args.who, why=args.why, lot=lot_of(part, args.lot), from_quarantine=args.from_quarantine,
        let_go=reservations_of(part, args.let_go),
    )  # fmt: skip
    return moved(args, part, lines)


def run_quarantine(args: Args) -> int:
    """Parts put aside."""
    part = stores.find_part(args.code)
    suffer = reservations_of(part, args.let_go)
    lot = lot_of(part, args.lot)
    return moved(args, part, stores.quarantine(part, args.count, who=args.who, why=args.why, lot=lot, let_go=suffer))


def run_release(args: Args) -> int:
    """Parts shown good."""
    part = stores.find_part(args.code)
    lines = stores.release(part, args.count, who=args.who, how=args.how, lot=lot_of(part, args.lot))
    return moved(args, part, lines)


def run_donor(args: Args) -> int:
    """Parts out of a donor unit."""
    part = stores.find_part(args.code)
    line = stores.from_donor(part, args.count, who=args.who, job=job_of(args.job), unit=args.unit, note=args.note)
    return moved(args, part, [line])


def run_correct(args: Args) -> int:
    """A line put right."""
    named = quantity(args.line, "line")
    line = Movement.objects.filter(pk=named).select_related("part", "lot", "job").first()
    if line is None:
        raise StoreError(f"line: {named} found; allowed: a line's number; see refettle stores ledger CODE", "line")
    made = stores.correct(line, who=args.who, why=args.why, count=quantity(args.count, least=0))
    return moved(args, line.part, [made])


# ---------------------------------------------------------------- wants and reservations


def run_want(args: Args) -> int:
    """Write a want, or those of the whole list of capacitors."""
    job = needed_job(args.job)
    if args.capacitors == bool(args.what):
        raise StoreError("what: allowed: WHAT, or --capacitors, one of them", "what")
    if not args.capacitors:
        more = {"part": args.part, "refs": args.refs, "by": args.by, "repair": args.repair, "why": args.why}
        entry = wants.want(job, args.what, quantity(args.count), who=args.who, **more)
        return written(args, job, [entry])
    from refettle.web.boards import board_view

    state = job_state(job)
    view = board_view(state, args.home.files)
    listed = [(c.ref, c.value) for c in view.queue if c.state != "done"]
    new = wants.wants_of(listed, state.stores, args.why)
    if args.by:
        new = [{**each, "by": args.by} for each in new]
    now = timezone.now().replace(microsecond=0)
    made = append_all(job, [{**each, "who": args.who, "at": now} for each in new]) if new else []
    if not made and not args.json:
        print(view.trouble or "Nothing to want: its list holds no capacitor with a value that is not wanted already.")
    return written(args, job, made)


def run_wants(args: Args) -> int:
    """What is still wanted."""
    job = job_of(args.job)
    found = wants.open_wants([job] if job is not None else None)
    if args.json:
        print_json(
            [
                {
                    "job": w.job, "entry": w.entry, "what": w.what, "part": w.part, "count": w.count,
                    "left": w.left, "reserved": w.reserved, "refs": w.refs, "by": w.by, "why": w.why, "note": w.note,
                    "acceptable": [
                        {"code": a.code, "says": a.says, "free": a.free, "check_first": a.check_first}
                        for a in w.acceptable
                    ],
                }
                for w in found
            ]
        )  # fmt: skip
        return DONE
    if not found:
        print("Nothing is wanted. Write a want with: refettle stores want JOB WHAT")
        return DONE
    rows = [["job", "entry", "what", "left", "reserved", "by", "what would serve"]]
    for w in found:
        serve = ", ".join(f"{a.code} ({a.says}, {a.free} free)" for a in w.acceptable[:3]) or w.note or "nothing known"
        rows.append([str(w.job), str(w.entry), w.what, str(w.left), str(w.reserved), str(w.by or ""), serve])
    print(table(rows))
    if any(a.check_first for w in found for a in w.acceptable[:3]):
        print("\nBefore one is fitted, see what to check first: refettle stores wants --json, or the job's page.")
    return DONE


def run_reserve(args: Args) -> int:
    """Promise parts."""
    part, job, wanted = stores.find_part(args.code), job_of(args.job), number(args.wanted, "wanted")
    batch = None
    if args.batch is not None:
        batch = KitBatch.objects.filter(pk=quantity(args.batch, "batch")).first()
        if batch is None:
            raise StoreError(f"batch: {args.batch} found; allowed: the number of a batch of kits", "batch")
    if job is not None and wanted is not None and batch is None:
        made = wants.reserve_wanted(job, wanted, part, who=args.who, count=quantity(args.count))
    else:
        made = reservations.reserve(part, args.count, who=args.who, job=job, batch=batch, want=wanted)
    part.refresh_from_db()
    if args.json:
        print_json({"part": part_facts(part), **reservation_facts(made)})
    else:
        print(f"Reservation {made.pk}: {made.quantity} for {holder(made)}.\n{standing(part)}")
    return DONE


def run_let_go(args: Args) -> int:
    """Promise no longer."""
    named = quantity(args.reservation, "reservation")
    held = Reservation.objects.filter(pk=named).select_related("part", "job", "batch").first()
    if held is None:
        raise StoreError(f"reservation: {named} found; allowed: the number of one; see refettle stores show CODE")
    reservations.let_go(held, number(args.count, "count"))
    part = Part.objects.get(pk=held.part_id)
    if args.json:
        print_json({"part": part_facts(part), **reservation_facts(held)})
    else:
        print(f"Reservation {held.pk}: {held.quantity} left for {holder(held)}.\n{standing(part)}")
    return DONE


# ---------------------------------------------------------------- the ledger


def run_ledger(args: Args) -> int:
    """Every line with the running balance."""
    part = stores.find_part(args.code)
    newest = None if args.newest is None else max(1, args.newest)
    lines = explain(part, newest)
    if args.json:
        facts = [{**line_facts(b.movement), "balance": b.on_hand, "in_quarantine": b.quarantined} for b in lines]
        print_json({"part": part_facts(part), "lines": facts})
        return DONE
    rows = [["line", "day", "who", "what", "lot", "change", "on hand", "quarantine", "note"]]
    for b in lines:
        m = b.movement
        what = m.get_kind_display() + (f", job {m.job.number}" if m.job else "")
        what += f" (line {m.corrects_id})" if m.corrects_id else ""
        day = timezone.localtime(m.at).date().isoformat()
        after = [f"{m.on_hand:+d}", str(b.on_hand), str(b.quarantined)]
        rows.append([str(m.pk), day, m.who, what, str(m.lot), *after, m.note])
    print(table(rows) if lines else "No line yet.")
    print("\n" + standing(part))
    return DONE


def run_verify(args: Args) -> int:
    """All sums worked out anew."""
    wrong, held = verify(), sums()
    if args.json:
        facts = [{"where": d.where, "what": d.what, "kept": d.kept, "should_be": d.should_be} for d in wrong]
        print_json({**held, "disagree": facts})
    else:
        print("\n".join(map(str, wrong)) or "Every sum is what the ledger says.")
        print(f"{held['parts']} parts, {held['lots']} lots, {held['lines']} lines; {held['on_hand']} pieces on hand, "
              f"{held['reserved']} of them reserved, {held['quarantined']} in quarantine.")  # fmt: skip
    return DOES_NOT_HOLD if wrong else DONE


def run_import(args: Args) -> int:
    """Parts on hand from a file."""
    try:
        raw = sys.stdin.buffer.read() if args.file == "-" else Path(args.file).read_bytes()
    except OSError as error:
        raise Refused(f"FILE {args.file}: {(error.strerror or str(error)).lower()}") from None
    try:
        taken = import_csv(raw, who=args.who, more=args.more)
    except StoreError as error:
        raise Refused(f"{args.file}: {error}") from None
    if args.json:
        print_json({"parts": taken.parts, "lots": taken.lots, "pieces": taken.pieces})
    else:
        print(f"{taken.parts} parts added, {taken.lots} lots, {taken.pieces} pieces.")
    return DONE


def run_export(args: Args) -> int:
    """All parts and lots as a file."""
    text = "".join(export_csv())
    if args.to is None:
        print(text, end="")
        return DONE
    try:
        Path(args.to).write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise Refused(f"--to {args.to}: {(error.strerror or str(error)).lower()}") from None
    lines = sum(1 for _ in export_csv()) - 1
    if args.json:
        print_json({"file": args.to, "lines": lines})
    else:
        print(f"{args.to}: {lines} lines.")
    return DONE


ACTIONS: dict[str, Callable[[Args], int]] = {
    "add": run_add, "edit": run_edit, "find": run_find, "show": run_show, "receive": run_receive, "take": run_take,
    "return": run_return, "count": run_count, "scrap": run_scrap, "quarantine": run_quarantine, "release": run_release,
    "donor": run_donor, "want": run_want, "wants": run_wants, "reserve": run_reserve, "let-go": run_let_go,
    "reorder": run_reorder, "ledger": run_ledger, "correct": run_correct, "verify": run_verify,
    "import": run_import, "export": run_export,
}  # fmt: skip
