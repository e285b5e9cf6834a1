"""The stores as CSV: there and back, all or nothing, each mistake with its line and column."""

from __future__ import annotations

import csv
import time
from datetime import date
from typing import Any

import pytest

from refettle.book import stores
from refettle.book.models_stores import Lot, Movement, Part
from refettle.book.stores import Came
from refettle.book.stores_check import verify
from refettle.book.stores_csv import CsvError, export_csv, import_csv


def listed() -> list[tuple[Any, ...]]:
    lots = Lot.objects.exclude(part__code__startswith="old").order_by("part__code", "code").select_related("part")
    return [
        (p.code, p.name, p.kind, p.unit, p.amount, p.volt, p.celsius, p.pitch_mm, p.mount, p.rated, p.place, p.note,
         p.gram, p.no_reorder, x.code, x.made, x.since, x.source, x.price, x.currency, x.on_hand, x.quarantined,
         x.proven)
        for x in lots for p in [x.part]
    ]  # fmt: skip


def test_there_and_back(db: None) -> None:
    low_esr = stores.add_part(
        name="=HYPERLINK(1)", value="220u 25V 105C low-impedance pitch=3.5 tol=-10/+30% esr=0.1@100k ripple=640m@100k "
        "endurance=3000", place="drawer 3", note="two\nlines; and, a comma", gram="1,2", who="Ada",
    )  # fmt: skip
    stores.receive(low_esr, 7, who="Ada", came=Came("2031", date(2020, 8, 1), date(2021, 1, 2), "+ Hollin", "0,1234"))
    stores.receive(low_esr, 3, who="Ada", came=Came("2140", price="2", currency="NOK"))
    stores.quarantine(low_esr, 2, who="Ada", why="from a wet box")
    safety = stores.add_part(name="Film", value="100n X2 275V film", who="Ada", no_reorder=True)
    stores.from_donor(safety, 1, who="Ada", unit="a dead radio")
    resistor = stores.add_part(name="Resistor", value="4k7 1%", who="Ada")
    stores.receive(resistor, 100, who="Ada")
    before, text = listed(), "".join(export_csv())
    rows = list(csv.DictReader(text.splitlines()))
    assert all(not cell.startswith(("=", "+", "-", "@")) for row in rows for cell in row.values())
    for part in Part.objects.all():
        stores.edit_part(part, who="Ada", code=f"old-{part.pk}")
    taken = import_csv(text.encode(), who="Bo")
    assert (taken.parts, taken.lots, taken.pieces) == (3, 4, 111)
    assert (listed(), verify()) == (before, [])


@pytest.mark.parametrize(("column", "cell"), [("gram", "1." + "\t" * 50_000 + "2"), ("shelf_days", "9" * 5000)])
def test_a_long_cell_is_refused_at_once(db: None, column: str, cell: str) -> None:
    begun = time.process_time()
    with pytest.raises(CsvError, match=f"line 2: {column}: .* found; allowed") as raised:
        import_csv(f"code,name,count,{column}\nC1,Belt,1,{cell}\n".encode(), who="Ada")
    assert len(str(raised.value)) < 200
    assert time.process_time() - begun < 1


def test_semicolons_tabs_and_decimal_commas(db: None) -> None:
    import_csv("Name;Value;Count;Price\r\nElectrolytic;4,7µF 50V;20;0,12\r\n\r\n".encode(), who="Ada")
    import_csv(b"\xef\xbb\xbfname\tcount\nBelt\t3\n", who="Ada")
    assert [(p.code, p.amount, p.on_hand) for p in Part.objects.all()] == [("BELT", None, 3), ("C4u7-50", 4.7e-6, 20)]
    assert [str(lot.price) for lot in Lot.objects.filter(part__code="C4u7-50")] == ["0.1200"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: no column 'code' or 'name' found"),
        ("code,colour\nA,blue", "line 1: column 'colour' found; allowed: code, name"),
        ("code,code\nA,B", "line 1: column 'code' found twice; allowed: once"),
        ("code,name", "no line with a part found"),
        ("code,name,count\nA,a,1\nB,b", "line 3: 2 cells found; allowed: 3"),
        ("code,name,count\nA,a,1\nB,b,-2", "line 3: count: '-2' found; allowed: a whole number from 0"),
        ("code,name,count\nA,a,1.000", "line 2: count: '1.000' found; allowed: a whole number from 0"),
        ("code,name,count\nA,a,1\na,b,2", "line 3: code: 'a' found, as on line 2; allowed: once, or each lot once"),
        ("code,name,count\nOLD,a,1", "line 2: code: 'OLD' found, which is in the stores already; allowed: a new one"),
        ('code,name,value\nA,"two\nlines",4u7\nB,b,blue', "line 4: value: 'blue' found; allowed: such as"),
        ("code,name,price,count\nA,a,1.234,1\nB,b,'=1+1,1", "line 3: price: '=1+1' found; allowed: such as 0.12"),
        ("code,name,made,count\nA,a,2031-13-01,1", "line 2: made: '2031-13-01' found; allowed: a day such as"),
        ("code,name,lot\nA,a,2031", "line 2: count: none found, with a lot; allowed: how many"),
        ('code,name\nA,"a', "line 2: no CSV: "),
    ],
)
def test_nothing_of_a_file_with_a_mistake(db: None, text: str, said: str) -> None:
    stores.add_part(name="Old", code="OLD", who="Ada")
    with pytest.raises(CsvError) as raised:
        import_csv(text.encode(), who="Ada")
    assert said in str(raised.value)
    assert (Part.objects.count(), Movement.objects.count()) == (1, 0)
    with pytest.raises(CsvError, match="line 2: bytes that are no UTF-8"):
        import_csv(b"code\n\xe4", who="Ada")


def test_further_lots_of_parts_that_are_there(db: None) -> None:
    part = stores.add_part(name="Electrolytic", value="4u7 50v", code="E1", place="drawer 3", who="Ada")
    import_csv(b"code,count,value,lot\ne1,5,4.7uF 50V,2031\nE1,2,,2140", who="Ada", more=True)
    assert (Part.objects.get(pk=part.pk).on_hand, [lot.code for lot in part.lots.all()]) == (7, ["2031", "2140"])
    with pytest.raises(CsvError, match="line 2: place: 'drawer 4' found, and the stores say 'drawer 3'"):
        import_csv(b"code,count,place\nE1,5,drawer 4", who="Ada", more=True)
