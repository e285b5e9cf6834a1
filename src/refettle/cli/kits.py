"""refettle kit: what belongs into kits, how many can be made, batches, the second check, sale, trace, recall."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, open_book, print_json, read_log_text, table
from refettle.cli.kits_facts import batch_facts, kit_facts, reached_facts, version_facts
from refettle.quantities import whole

if TYPE_CHECKING:
    from refettle.book.models_kits import KitBatch

EXAMPLES = """\
examples:
  refettle kit new --type larkmere-48 --revision B --name "Larkmere 48 capacitors" --file list.txt
  refettle kit buildable 1 --more 10      how many now, what limits, what ten more need
  refettle kit batch 1 --begin 10         begins a batch of kit 1
  refettle kit batch 3 --fill 1 --counted 20
  refettle kit check 3 1 --codes "B3-1 B3-2 B3-3"
  refettle kit check 3 2 --gram 12.41 --resolution 0.01 --spread 0.005 --tare 1.2
  refettle kit sell K3-1 --to "Ines Aldane" --price 14.50
  refettle kit trace K3-1                 its lots; with --lot 12 the kits of a lot
  refettle kit recall 12 --why "leaks"

exit status: 1 what was asked does not hold: fewer can be made, a wrong count, a kit that fails its check
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)

    def action(name: str, about: str, run: Any, *, writes: bool = True) -> argparse.ArgumentParser:
        made = actions.add_parser(name, help=about, description=about[0].upper() + about[1:] + ".")
        made.add_argument("--json", action="store_true", help="as JSON")
        if writes:
            made.add_argument("--who", help="by default REFETTLE_WHO or your user name")
        made.set_defaults(run=run)
        return made

    action("list", "the newest version of each kit, and batches on the bench", run_list, writes=False)
    show = action("show", "one version: its lines, price, what it does not cover", run_show, writes=False)
    show.add_argument("kit", metavar="KIT", type=_number, help="number of the version, as `kit list` has it")
    new = action("new", "the next version of a kit, from a list; each value is matched to the best part", run_new)
    new.add_argument("--type", required=True, help="unit type by name, such as larkmere-48")
    new.add_argument("--name", required=True)
    new.add_argument("--revision", default="", help="of the board, as printed")
    new.add_argument("--region", default="")
    new.add_argument("--note", default="", help="what it does not cover, where the list comes from")
    new.add_argument("--minutes", default="5", help="to make one, in a batch")
    new.add_argument("--fee", default="0", help="bag, label, post, selling fee of one")
    new.add_argument("--margin", default="30", help="wanted, %% of the price")
    new.add_argument("--kind", help="of capacitor, for lines that name none")
    new.add_argument("--file", required=True, metavar="LIST", help="lines such as 'C1, C4: 100u 25V film'; - reads")
    new.add_argument("--yes", action="store_true", help="write it; without, what would be written is shown")
    now = action("buildable", "how many can be made now, and what limits", run_buildable, writes=False)
    now.add_argument("kit", metavar="KIT", type=_number)
    now.add_argument("--more", type=_number, default=10, metavar="N", help="what so many more need; 10 by default")
    now.add_argument("--least", type=_number, metavar="N", help="exit status 1 where fewer can be made")
    batch = action("batch", "show a batch; begin one of a kit; fill its next value", run_batch)
    batch.add_argument("number", metavar="N", type=_number, help="the batch; with --begin the kit")
    what = batch.add_mutually_exclusive_group()
    what.add_argument("--begin", metavar="COUNT", help="begin a batch of so many")
    what.add_argument("--fill", metavar="LINE", type=_number, help="this value is in the bags")
    what.add_argument("--short", metavar="LINE", type=_number, help="the drawer held too few for it")
    what.add_argument("--fewer-kits", metavar="COUNT", help="make so many instead; the last bags go back")
    what.add_argument("--drop", metavar="WHY", help="give it up; the parts go back")
    batch.add_argument("--fewer", action="store_true", help="with --begin: as many as there are parts for")
    batch.add_argument("--counted", metavar="PIECES", help="with --fill: pieces in the full line of bags")
    batch.add_argument("--lacking", metavar="PIECES", help="with --short")
    check = action("check", "the second check of one kit, by weight or by the codes of its bags", run_check)
    check.add_argument("batch", metavar="BATCH", type=_number)
    check.add_argument("number", metavar="NUMBER", type=_number, help="1 to the batch's count")
    check.add_argument("--codes", help="of every bag in it")
    check.add_argument("--gram", help="what it weighs [g]")
    check.add_argument("--tare", default="0", help="what bags and labels weigh [g]")
    check.add_argument("--resolution", help="step of the scale's display [g]; by default as the last time")
    check.add_argument("--spread", help="standard deviation of one load weighed again [g]")
    sell = action("sell", "a ready kit sold", run_sell, writes=False)
    sell.add_argument("code", metavar="CODE")
    sell.add_argument("--to", required=True, metavar="BUYER")
    sell.add_argument("--price")
    use = action("use", "a ready kit used in a job; written in its log", run_use)
    use.add_argument("code", metavar="CODE")
    use.add_argument("job", metavar="JOB", type=_number)
    trace = action("trace", "a kit's lots, or the kits of a lot", run_trace, writes=False)
    trace.add_argument("code", metavar="CODE", nargs="?")
    trace.add_argument("--lot", type=_number, help="number of a lot in the stores")
    recall = action("recall", "mark the ready kits of a lot, and list those sold", run_recall)
    recall.add_argument("lot", metavar="LOT", type=_number, help="number of the lot in the stores")
    recall.add_argument("--why", required=True)
    apart = action("apart", "take a kit apart: its parts go back into their lots", run_apart)
    apart.add_argument("code", metavar="CODE")


def _number(text: str) -> int:
    number = whole(text)
    if number is None or not 0 < number < 1_000_000_000:
        raise argparse.ArgumentTypeError(f"'{text[:20]}' found; allowed: a whole number from 1")
    return number


@contextmanager
def _kits() -> Iterator[None]:
    """Open the book; what cannot be is refused in one line."""
    open_book()
    from refettle.book.log import LogError
    from refettle.book.store import StoreError
    from refettle.money.amounts import MoneyError
    from refettle.parts.kits import KitError

    try:
        yield
    except (StoreError, KitError, MoneyError, LogError) as error:
        raise Refused(str(error)) from None


def _who(args: argparse.Namespace) -> str:
    from django.conf import settings

    return str(args.who or settings.REFETTLE_WHO)


def run_list(args: argparse.Namespace) -> int:
    """Every kit, and what can be made."""
    with _kits():
        from refettle.book import kits
        from refettle.book.models_kits import KitBatch

        rows = [version_facts(version) for version in kits.newest()]
        batches = [batch_facts(batch) for batch in KitBatch.objects.filter(done=None, dropped=None).order_by("pk")]
    if args.json:
        print_json({"kits": rows, "batches": batches})
        return DONE
    if not rows:
        print("No kits yet. Make a list and write it with: refettle kit new --file LIST")
        return DONE
    heads = ["kit", "name", "for", "version", "now", "limited by", "ready", "to make"]
    lines = [
        [str(r["kit"]), r["name"], f"{r['type']} {r['place']}".strip(), str(r["version"]), str(r["buildable"]),
         ", ".join(r["limited_by"]), str(r["ready"]), str(r["to_make"])]
        for r in rows
    ]  # fmt: skip
    print(table([heads, *lines]))
    for each in batches:
        print(f"\nBatch {each['batch']}: {each['count']} kits, {each['filled']} of {len(each['lines'])} values filled.")
    return DONE


def run_show(args: argparse.Namespace) -> int:
    """One version, with its cautions."""
    from refettle.cli.cautions import facts_of_cautions, print_cautions

    with _kits():
        from refettle.book import kits
        from refettle.cli.kits_facts import caution_ids

        version = kits.find_version(args.kit)
        facts = version_facts(version, whole=True)
        ids = caution_ids(version)
    cautions = facts_of_cautions(ids)
    if args.json:
        print_json(facts | {"cautions": cautions})
        return DONE
    print(f"{facts['name']}, version {facts['version']}: {facts['type']} {facts['place']}".rstrip())
    lines = [
        [line["refs"] or str(line["line"]), line["part"], str(line["quantity"]), str(line["free"]), line["note"]]
        for line in facts["lines"]
    ]
    print(table([["places", "part", "pieces", "free", "to mind"], *lines]))
    price = facts["price"]
    print(
        f"\nCan be made now: {facts['buildable']}. One costs {price['cost']:.2f} and must bring {price['price']:.2f} "
        f"{price['currency']}{', more as some parts have no price' if price['unpriced'] else ''}."
    )
    if facts["note"]:
        print(f"\n{facts['note']}")
    print()
    print_cautions(cautions)
    return DONE


def run_new(args: argparse.Namespace) -> int:
    """Match a list and write the version; without --yes it is only shown."""
    text = read_log_text("--file", args.file)
    with _kits():
        from django.conf import settings

        from refettle.book import kits
        from refettle.book.kits_match import match
        from refettle.book.typefiles import available
        from refettle.parts.kit_list import read_list

        if args.type not in available(settings.REFETTLE_TYPES):
            known = ", ".join(sorted(available(settings.REFETTLE_TYPES)))
            raise Refused(f"--type: '{args.type}' found; allowed: {known}")
        lines, rows = [], []
        for each in match(read_list(text, args.kind)):
            fits = [o for o in each.offered if o.says != "refused"]
            if not fits:
                raise Refused(f"{each.wanted.name}: nothing in the stores for {each.wanted.words}; allowed: add a part")
            w, part = each.wanted, fits[0].part
            lines.append(kits.LineTyped(part.code, w.quantity, ", ".join(w.refs), w.spares, wanted=w.words))
            rows.append([", ".join(w.refs), w.words or w.part, part.code, str(w.quantity), fits[0].says])
        if not args.yes:
            if args.json:
                print_json({"written": None, "lines": rows})
            else:
                print(table([["places", "asked for", "part", "pieces", "by the rules"], *rows]))
                print("\nNothing is written. Look each line over, then say --yes.")
            return DOES_NOT_HOLD
        margin = kits.number_of(args.margin, "margin", 0.0, 95.0) / 100.0
        version = kits.new_version(
            lines, slug=args.type, name=args.name, revision=args.revision, region=args.region, note=args.note,
            minutes=args.minutes, fee=args.fee, margin=margin, who=_who(args),
        )  # fmt: skip
        facts = version_facts(version, whole=True)
    if args.json:
        print_json({"written": version.pk, **facts})
    else:
        print(f"Kit {version.pk}: {version.name}, version {version.number}. {facts['buildable']} can be made now.")
    return DONE


def run_buildable(args: argparse.Namespace) -> int:
    """How many, and what more would need."""
    with _kits():
        from refettle.book import kits

        version = kits.find_version(args.kit)
        found = kits.buildable_now(version)
        limits = [line.part.code for line in kits.limiting(version, found)]
        missing = kits.plan_for(version, found.count + args.more).missing
    if args.json:
        print_json({"kit": version.pk, "buildable": found.count, "limited_by": limits, "more": args.more,
                    "missing": dict(missing)})  # fmt: skip
    else:
        print(f"{found.count} can be made now; {', '.join(limits)} limits.")
        print(f"{args.more} more need {', '.join(f'{n} of {code}' for code, n in missing.items())}.")
    return DOES_NOT_HOLD if args.least is not None and found.count < args.least else DONE


def run_batch(args: argparse.Namespace) -> int:
    """Show a batch, or do one step of it."""
    with _kits():
        from refettle.book import kits, kits_batch
        from refettle.book.stores_moves import quantity

        if args.begin is not None:
            batch = kits_batch.begin(kits.find_version(args.number), args.begin, who=_who(args), fewer=args.fewer)
        else:
            batch = kits_batch.find_batch(args.number)
        if args.fill is not None:
            found, should = quantity(args.counted, "--counted", 0), kits_batch.expected(batch, args.fill)
            if found == should:
                kits_batch.fill(batch, args.fill, found, who=_who(args))
            else:
                kits_batch.miscounted(batch, args.fill, found, who=_who(args))
                raise Refused(f"counted {found}, and {should} belong in; written as a mistake", DOES_NOT_HOLD)
        elif args.short is not None:
            kits_batch.short(batch, args.short, args.lacking, who=_who(args))
        elif args.fewer_kits is not None:
            kits_batch.make_fewer(batch, args.fewer_kits, who=_who(args))
        elif args.drop is not None:
            kits_batch.drop(batch, who=_who(args), why=args.drop)
        _print_batch(batch, args.json)
    return DONE


def _print_batch(batch: KitBatch, as_json: bool) -> None:
    batch.refresh_from_db()
    facts = batch_facts(batch)
    if as_json:
        print_json(facts)
        return
    print(f"Batch {facts['batch']}: {facts['count']} of {facts['name']}, version {facts['version']}, {facts['state']}.")
    rows = [
        [str(x["line"]), x["refs"], x["parts"], str(x["each"]), "in the bags" if x["filled"] else "", x["bag"]]
        for x in facts["lines"]
    ]
    print(table([["line", "places", "part", "each", "", "bag"], *rows]))
    print(
        f"{facts['shortages']} shortages, {facts['mistakes']} mistakes. Ready: {', '.join(facts['ready']) or 'none'}."
    )


def run_check(args: argparse.Namespace) -> int:
    """Weigh a kit, or compare the codes of its bags; exit status 1 where it is wrong."""
    if (args.codes is None) == (args.gram is None):
        raise Refused("check: allowed: --codes or --gram, one of them")
    with _kits():
        from refettle.book import kits_batch, kits_check
        from refettle.book.kits import number_of
        from refettle.book.models_kits import Kit
        from refettle.parts.kits import Scale

        batch = kits_batch.find_batch(args.batch)
        if args.codes is not None:
            codes = kits_check.codes_from(args.codes)
            made = kits_check.check_by_codes(batch, args.number, codes, who=_who(args))
        else:
            last = kits_check.last_scale(batch)
            scale = Scale(
                last.resolution if args.resolution is None else number_of(args.resolution, "--resolution", 0, 1e3),
                last.spread if args.spread is None else number_of(args.spread, "--spread", 0, 1e3),
                last.part_spread,
                last.lot_spread,
            )
            gram, tare = number_of(args.gram, "--gram", 0, 1e5), number_of(args.tare, "--tare", 0, 1e5)
            made = kits_check.check_by_weight(batch, args.number, gram, who=_who(args), scale=scale, tare=tare)
        right, said = (True, "") if isinstance(made, Kit) else (False, str(made.data["said"]))
        code = kits_batch.kit_code(batch, args.number)
        same = kits_check.same_person(kits_batch.state_of(batch), _who(args))
        state = made.state if isinstance(made, Kit) else "not ready"
    if args.json:
        print_json({"kit": code, "right": right, "state": state, "said": said, "same_person": same})
    else:
        print(f"{code} is {state}." if right else f"{code} is not right: {said}. Written as a mistake.")
        if same:
            print("The same person filled bags of it; that is written down.")
    return DONE if right else DOES_NOT_HOLD


def run_sell(args: argparse.Namespace) -> int:
    """Sold."""
    with _kits():
        from refettle.book import kits_trace

        kit = kits_trace.find_kit(args.code)
        kits_trace.sell(kit, to=args.to, price=args.price)
        return _print_kit(kit_facts(kit), args.json)


def run_use(args: argparse.Namespace) -> int:
    """Used in a job."""
    with _kits():
        from refettle.book import kits_settle, kits_trace
        from refettle.book.store import find_job

        kit = kits_trace.find_kit(args.code)
        kits_settle.use(kit, find_job(args.job), who=_who(args))
        return _print_kit(kit_facts(kit), args.json)


def run_apart(args: argparse.Namespace) -> int:
    """Taken apart."""
    with _kits():
        from refettle.book import kits_trace

        kit = kits_trace.find_kit(args.code)
        kits_trace.take_apart(kit, who=_who(args))
        return _print_kit(kit_facts(kit), args.json)


def _print_kit(facts: dict[str, Any], as_json: bool) -> int:
    if as_json:
        print_json(facts)
        return DONE
    where = f" to {facts['sold_to']}" if facts["sold_to"] else f" in job {facts['job']}" if facts["job"] else ""
    print(f"{facts['kit']}: {facts['name']}, version {facts['version']}; {facts['state']}{where}.")
    rows = [[x["refs"], x["part"], str(x["pieces"]), x["lot"], str(x["lot_number"])] for x in facts["parts"]]
    print(table([["places", "part", "pieces", "lot", "number"], *rows]))
    return DONE


def run_trace(args: argparse.Namespace) -> int:
    """Lots of a kit, or kits of a lot."""
    if (args.code is None) == (args.lot is None):
        raise Refused("trace: allowed: the code of a kit or --lot, one of them")
    with _kits():
        from refettle.book import kits_trace

        if args.code is not None:
            return _print_kit(kit_facts(kits_trace.find_kit(args.code)), args.json)
        facts = reached_facts(kits_trace.reach(kits_trace.find_lot(args.lot)))
    return _print_reached(facts, args.json)


def run_recall(args: argparse.Namespace) -> int:
    """Mark, and list."""
    with _kits():
        from refettle.book import kits_trace

        facts = reached_facts(kits_trace.recall(kits_trace.find_lot(args.lot), who=_who(args), why=args.why))
    return _print_reached(facts, args.json)


def _print_reached(facts: dict[str, Any], as_json: bool) -> int:
    if as_json:
        print_json(facts)
        return DONE
    print(f"Lot {facts['lot']} of {facts['part']}{', recalled' if facts['recalled'] else ''}.")
    rows = [[x["kit"], str(x["pieces"]), x["state"], x["where"]] for x in facts["kits"]]
    print(table([["kit", "pieces", "state", "where"], *rows]) if rows else "No part of it went into a kit.")
    return DONE
