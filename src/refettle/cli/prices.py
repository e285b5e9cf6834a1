"""`refettle prices`: read a price list, take one in, list what things cost and what a list changed."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, file_bytes, open_book, print_json, table
from refettle.quantities import whole

if TYPE_CHECKING:
    from refettle.book.models_prices import Offer
    from refettle.ordering.pricelist import Listed, PriceRead
    from refettle.ordering.pricelist_model import Columns

SHOWN = 20
DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
MARKS = {"point": ".", "comma": ","}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Arguments of `refettle prices`."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    read = actions.add_parser("read", help="a price list as it is understood; nothing is kept")
    _reading(read)
    read.add_argument("--all", action="store_true", help=f"print every row, not the first {SHOWN}")
    read.set_defaults(run=run_read)
    take = actions.add_parser("import", help="take a price list of a supplier in")
    take.add_argument("supplier", metavar="SUPPLIER", help="its name, or the beginning of it")
    _reading(take)
    take.add_argument("--from", dest="valid_from", metavar="DAY", help="day its prices hold from; by default today")
    take.add_argument("--add", action="store_true", help="write the supplier down if it is not there yet")
    take.set_defaults(run=run_import)
    show = actions.add_parser("list", help="suppliers; with a name, its prices now")
    show.add_argument("supplier", metavar="SUPPLIER", nargs="?", help="its name, or the beginning of it")
    show.add_argument("--find", default="", metavar="WORDS", help="only numbers and names with these words")
    show.add_argument("--changes", action="store_true", help="what the newest list changed")
    show.add_argument("--csv", action="store_true", help="as CSV, with no cell that a spreadsheet would work out")
    show.set_defaults(run=run_list)
    for each in (read, take, show):
        each.add_argument("--json", action="store_true", help="as JSON")


def _reading(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="CSV or XLSX; - for standard input")
    parser.add_argument("--map", action="append", default=[], metavar="ROLE=COLUMN", help=(
        "what a column is: sku, name, price, 'price 10', break, pack, per, least, multiple, stock, lead, currency, "
        "discount; by heading or number; again for each column; without it, as proposed"
    ))  # fmt: skip
    parser.add_argument("--header", type=int, metavar="LINE", help="line of the heading; 0 for none")
    parser.add_argument("--decimal", choices=tuple(MARKS), help="the decimal mark; by default as the prices show it")
    parser.add_argument("--delimiter", choices=tuple(DELIMITERS), help="what parts the columns; by default found out")
    parser.add_argument("--encoding", default="", metavar="NAME", help="such as utf-8, cp1252; by default found out")
    parser.add_argument("--sheet", default="", metavar="NAME", help="of a workbook; by default that with most rows")
    parser.add_argument("--per", choices=("piece", "pack", "100", "1000"), help="what a price is for")
    parser.add_argument("--counts", choices=("pieces", "packs"), help="what breaks and the minimum count")
    parser.add_argument("--currency", default="", metavar="CODE", help="where cells name none")


def _bytes(name: str) -> bytes:
    from refettle.ordering.pricelist_model import MAX_BYTES

    return file_bytes(name, MAX_BYTES)


def _columns(
    args: argparse.Namespace, data: bytes, currency: str, kept: Columns | None
) -> tuple[Columns, tuple[str, ...]]:
    """As proposed or kept, changed by what was said. Raises PriceListError."""
    from refettle.ordering.pricelist import Columns, PriceListError, open_list, propose
    from refettle.ordering.pricelist_columns import headings
    from refettle.ordering.pricelist_model import columns_from, role_of

    way = Columns(delimiter=DELIMITERS.get(args.delimiter or "", ""), encoding=args.encoding, sheet=args.sheet)
    if kept is not None and not args.sheet and kept.sheet:
        way = replace(way, sheet=kept.sheet)
    sheet = open_list(data, way)
    found, doubts = propose(sheet, currency, None if args.map else kept)
    found = replace(found, delimiter=way.delimiter or found.delimiter, encoding=way.encoding or found.encoding)
    if args.header is not None:
        at = next((i for i, row in enumerate(sheet.rows) if row.line == args.header), -1)
        if at < 0 and args.header:
            raise PriceListError(
                f"--header {args.header}: nothing stands in that line; allowed: a line of the list, or 0"
            )
        names = headings(sheet.rows, at, 1)
        found = replace(found, header=args.header, head_lines=1, roles=tuple((name, "") for name in names))
    if args.map:
        roles = dict.fromkeys(range(len(found.roles)), "")
        for said in args.map:
            role, equals, column = said.partition("=")
            if not equals:
                raise PriceListError(f"--map {said!r} found; allowed: ROLE=COLUMN, such as sku='Part no' or price=4")
            roles[_column(column.strip(), [name for name, _ in found.roles])] = role_of(role, f"--map {said}")
        found = replace(found, roles=tuple((name, roles[i]) for i, (name, _) in enumerate(found.roles)))
        doubts = ()
    said_more = {
        "decimal": MARKS.get(args.decimal or ""),
        "per": args.per,
        "counts": args.counts,
        "currency": args.currency,
    }
    return columns_from({**found.as_plain(), **{k: v for k, v in said_more.items() if v}}), doubts


def _column(text: str, names: list[str]) -> int:
    from refettle.ordering.pricelist import PriceListError

    same = [i for i, name in enumerate(names) if name.casefold() == text.casefold() and text]
    if same:
        return same[0]
    place = whole(text)
    if place is not None and 1 <= place <= len(names):
        return place - 1
    shown = ", ".join(f"{n} {name!r}" for n, name in enumerate(names, 1))
    raise PriceListError(f"--map: column {text!r} found; allowed: one of {shown[:300]}")


def offer_facts(offer: Listed) -> dict[str, Any]:
    """One offer in plain values."""
    return {
        "sku": offer.sku, "name": offer.name, "pack": offer.pack, "least": offer.least,
        "breaks": [[pieces, f"{price:f}"] for pieces, price in offer.breaks], "currency": offer.currency,
        "stock": offer.stock, "lead_days": offer.lead_days,
    }  # fmt: skip


def _facts(read: PriceRead) -> dict[str, Any]:
    return {
        "columns": read.columns.as_plain(),
        "decimal": read.decimal,
        "offers": [{"line": o.line, **offer_facts(o)} for o in read.offers],
        "refused": [{"line": t.line, "column": t.column, "found": t.found, "allowed": t.allowed} for t in read.refused],
        "remarks": [{"line": t.line, "column": t.column, "found": t.found, "allowed": t.allowed} for t in read.remarks],
        "doubts": list(read.doubts),
    }


def _offer_rows(offers: list[Listed]) -> str:
    rows = [["number", "price of one, by pieces", "", "pack", "least", "stock", "days", "what it is"]]
    for o in offers:
        breaks = ", ".join(f"{pieces}: {price:f}" for pieces, price in o.breaks)
        stock, days = ("" if v is None else str(v) for v in (o.stock, o.lead_days))
        rows.append([o.sku, breaks, o.currency, str(o.pack), str(o.least), stock, days, o.name[:60]])
    return table(rows)


def run_read(args: argparse.Namespace) -> int:
    """Read a list."""
    from refettle.ordering.pricelist import PriceListError, open_list, understand

    data = _bytes(args.file)
    try:
        columns, doubts = _columns(args, data, args.currency.upper(), None)
        read = understand(open_list(data, columns), columns, args.currency.upper(), doubts)
    except PriceListError as error:
        raise Refused(f"{args.file}: {error}") from None
    if args.json:
        print_json(_facts(read))
        return DONE if read.offers else DOES_NOT_HOLD
    said = [f"{name or f'column {n}'}: {role}" for n, (name, role) in enumerate(columns.roles, 1) if role]
    print(f"{len(read.offers)} numbers understood, {len(read.refused)} rows left out. {'; '.join(said)}")
    if read.offers:
        print(_offer_rows(list(read.offers[: None if args.all else SHOWN])))
    _told(read, None if args.all else SHOWN)
    return DONE if read.offers else DOES_NOT_HOLD


def _told(read: PriceRead, most: int | None) -> None:
    for trouble in read.refused[:most]:
        print(f"Line {trouble.line} left out: {trouble.says}")
    if most is not None and len(read.refused) > most:
        print(f"and {len(read.refused) - most} more; --all prints them")
    for remark in read.remarks[:most]:
        print(f"Line {remark.line}, taken: {remark.says}")
    for doubt in read.doubts:
        print(f"Doubt: {doubt}")


def run_import(args: argparse.Namespace) -> int:
    """Take a list in."""
    data = _bytes(args.file)
    open_book()
    from datetime import date
    from pathlib import PurePath

    from django.conf import settings
    from django.utils import timezone

    from refettle.book import prices
    from refettle.book.models_prices import Supplier
    from refettle.ordering.pricelist import PriceListError

    today = timezone.localdate()
    try:
        valid_from = date.fromisoformat(args.valid_from) if args.valid_from else today
    except ValueError:
        raise Refused(f"--from {args.valid_from}: allowed: a day such as 2031-05-01") from None
    try:
        if args.add and not Supplier.objects.filter(name__iexact=args.supplier.strip()).exists():
            terms = prices.read_terms({"name": args.supplier, "currency": args.currency})
            columns, _ = _columns(args, data, terms["currency"], None)
            prices.look(Supplier(**terms), data, columns)  # refused before anything is written
            supplier = prices.add_supplier(terms)
        else:
            supplier = prices.find_supplier(args.supplier)
            columns, _ = _columns(args, data, supplier.currency, prices.kept_columns(supplier))
        name = "price list" if args.file == "-" else PurePath(args.file).name
        taken = prices.take_in(
            supplier, data, name, settings.REFETTLE_WHO, columns=columns, valid_from=valid_from, today=today
        )
    except (prices.PriceError, PriceListError) as error:
        raise Refused(f"{args.file}: {error}") from None
    if args.json:
        made = taken.list
        facts = {"supplier": supplier.name, "list": made.pk, "numbers": made.rows, "current": taken.current}
        print_json({**facts, "refused": made.refused, "remarks": made.remarks, "doubts": made.doubts})
        return DONE
    print(f"{supplier.name}: {taken.list.rows} numbers taken in, {len(taken.read.refused)} rows left out")
    if not taken.current:
        print("A newer list is there already and stays the current one.")
    _told(taken.read, SHOWN)
    return DONE


def run_list(args: argparse.Namespace) -> int:
    """Suppliers, or the prices of one."""
    open_book()
    from refettle.book import prices
    from refettle.book.models_prices import Supplier

    if args.supplier is None:
        if args.changes or args.csv or args.find:
            raise Refused("SUPPLIER: nothing found; allowed with --changes, --csv and --find: the name of one")
        found = list(Supplier.objects.all())
        newest = {each.pk: prices.current_list(each) for each in found}
        if args.json:
            print_json([_supplier_facts(each, newest[each.pk]) for each in found])
        elif not found:
            print("No supplier yet. refettle prices import NAME FILE --add takes the first list in.")
        else:
            rows = [["supplier", "newest list", "holds from", "numbers", "shipping", ""]]
            rows += [[s.name, n.name if n else "-", str(n.valid_from) if n else "", str(n.rows) if n else "",
                      str(s.shipping), s.currency] for s in found for n in (newest[s.pk],)]  # fmt: skip
            print(table(rows))
        return DONE if found else DOES_NOT_HOLD
    try:
        supplier = prices.find_supplier(args.supplier)
    except prices.PriceError as error:
        raise Refused(str(error)) from None
    if args.changes:
        return _changes(supplier, args.json)
    offers: list[Offer] = list(supplier.offers.filter(current=True).order_by("pk"))
    words = args.find.casefold().split()
    listed = [prices.listed(o) for o in offers if all(w in f"{o.sku} {o.name}".casefold() for w in words)]
    if args.csv:
        from refettle.ordering.pricelist_writing import write_list

        print(write_list(listed), end="")
    elif args.json:
        print_json(
            {**_supplier_facts(supplier, prices.current_list(supplier)), "offers": [offer_facts(o) for o in listed]}
        )
    elif listed:
        print(_offer_rows(listed))
    else:
        print(f"No number of {supplier.name} fits." if offers else f"No list of {supplier.name} is in the book yet.")
    return DONE if listed else DOES_NOT_HOLD


def _supplier_facts(supplier: Any, newest: Any) -> dict[str, Any]:
    return {
        "supplier": supplier.name, "currency": supplier.currency, "shipping": supplier.shipping,
        "free_from": supplier.free_from, "minimum": supplier.minimum, "lead_days": supplier.lead_days,
        "used": supplier.used, "list": newest.name if newest else None,
        "valid_from": newest.valid_from if newest else None,
    }  # fmt: skip


def _changes(supplier: Any, as_json: bool) -> int:
    from refettle.book.prices import current_list
    from refettle.book.prices_changes import changes

    newest = current_list(supplier)
    if newest is None:
        print(f"No list of {supplier.name} is in the book yet.", file=sys.stderr)
        return DOES_NOT_HOLD
    told = changes(newest)
    if as_json:
        facts = [
            {"sku": c.sku, "way": c.way, "was": c.was, "now": c.now, "share": c.share, "pieces": c.pieces}
            for c in told.changes
        ]
        print_json({"against": told.before.name if told.before else None, "same": told.same, "changes": facts})
        return DONE
    if told.before is None:
        print(f"{newest.name} is the first list of {supplier.name}.")
        return DONE
    counts = told.counts
    print(f"Against {told.before.name} of {told.before.valid_from}: {counts['up']} dearer, {counts['down']} cheaper, "
          f"{counts['gone']} gone, {counts['new']} new, {told.same} the same")  # fmt: skip
    if told.changes:
        rows = [["number", "", "pieces", "was", "is", "change", "what it is"]]
        for c in told.changes:
            share = f"{100 * c.share:+.1f} %" if c.share else ""
            rows.append([c.sku, c.way, str(c.pieces), str(c.was or ""), str(c.now or ""), share, c.name[:60]])
        print(table(rows))
    return DONE
