"""Suppliers and lists in the book: old prices stay, the newest list counts, links are said by people."""

from __future__ import annotations

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.conf import settings
from django.db import DatabaseError, transaction

from refettle.book import files, prices, prices_links
from refettle.book.models_prices import Offer, PriceList, Sold, Supplier
from refettle.book.models_stores import Part
from refettle.book.prices import PriceError
from refettle.book.prices_changes import changes, history
from refettle.ordering import model as ordering

pytestmark = pytest.mark.django_db
TODAY = date(2026, 6, 15)


@pytest.fixture
def tarn() -> Supplier:
    return prices.add_supplier(
        prices.read_terms({"name": "Tarn", "currency": "EUR", "shipping": "4.9", "free_from": "50"})
    )


def take(supplier: Supplier, rows: str, day: date = TODAY, heads: str = "sku;name;1+;100+") -> prices.Taken:
    return prices.take_in(supplier, f"{heads}\n{rows}".encode(), "list.csv", "Mara", valid_from=day, today=TODAY)


def test_a_newer_list_takes_over_and_the_old_one_stays(tarn: Supplier) -> None:
    first = take(tarn, "A;Fuse;0.50;0.40\nB;Belt;1.50;\n", TODAY - timedelta(days=100))
    second = take(tarn, "A;Fuse;0.60;0.40\nC;Cord;2.50;\n", TODAY)
    assert set(Offer.objects.filter(current=True).values_list("sku", "list")) == {
        ("A", second.list.pk),
        ("C", second.list.pk),
    }
    assert Offer.objects.filter(list=first.list).count() == 2
    assert files.fetch(first.list.sha256, settings.REFETTLE_FILES).startswith(b"sku;name")
    older = take(tarn, "A;Fuse;0.45;\n", TODAY - timedelta(days=50))  # found late in a drawer
    assert not older.current
    assert prices.current_list(tarn) == second.list
    assert [(p.price and str(p.price)) for p in history(tarn, "A")] == ["0.50", "0.45", "0.60"]
    assert [p.price for p in history(tarn, "B")][1:] == [None, None]


def test_offers_are_not_deleted(tarn: Supplier) -> None:
    take(tarn, "A;Fuse;0.50;\n")
    with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
        Offer.objects.all().delete()
    assert Offer.objects.count() == 1


def test_what_a_list_changed(tarn: Supplier) -> None:
    take(tarn, "A;a;1.00;0.50\nB;b;1.00;0.50\nC;c;1.00;\nD;d;1.00;\n", TODAY - timedelta(days=9))
    told = changes(take(tarn, "A;a;1.10;0.75\nB;b;0.80;0.50\nD;d;1.00;\nE;e;3.00;\n").list)
    assert told.counts == {"up": 1, "down": 1, "gone": 1, "new": 1}
    assert told.same == 1
    up, down = told.of("up")[0], told.of("down")[0]
    assert (up.sku, up.pieces, up.share) == ("A", 100, pytest.approx(0.5))
    assert (down.sku, down.pieces, down.share) == ("B", 1, pytest.approx(-0.2))
    assert [each.sku for each in told.changes] == ["A", "B", "C", "E"]


def test_a_list_not_yet_in_force_waits(tarn: Supplier) -> None:
    part = Part.objects.create(code="F2", name="Fuse 2 A")
    take(tarn, "A;Fuse;0.50;\n", TODAY - timedelta(days=9))
    take(tarn, "A;Fuse;0.70;\n", TODAY + timedelta(days=20))
    prices_links.link(tarn, [("A", part.pk)], "Mara")
    ((now,), _), ((then,), _) = prices.offers([part], TODAY), prices.offers([part], TODAY + timedelta(days=20))
    assert (now.tiers[0].price_each, then.tiers[0].price_each) == (Decimal("0.50"), Decimal("0.70"))


def test_offers_for_ordering_pass_its_checks(tarn: Supplier) -> None:
    fuse, belt = (Part.objects.create(code=c, name=c) for c in ("F2", "B9"))
    take(tarn, "A;Fuse;10;15;30;2 wks;0.50;0.40\nB;Belt;;;;;1.50;\n", heads="sku;name;pack;moq;stock;lead;1+;100+")
    prices_links.link(tarn, [("A", fuse.pk), ("B", belt.pk)], "Mara")
    offers, suppliers = prices.offers([fuse], TODAY)
    assert offers == (
        ordering.Offer("Tarn", "A", "F2", (ordering.Tier(1, Decimal("0.50")), ordering.Tier(100, Decimal("0.40"))),
                       pack=10, minimum=2, stock=30, lead_days=14),
    )  # fmt: skip
    assert suppliers == (ordering.Supplier("Tarn", Decimal("4.90"), Decimal("50.00"), Decimal(0), None, "EUR"),)
    need = ordering.Need("1", (ordering.Acceptable("F2"),), 3, "job 1")
    ordering.problem([need], {}, offers, suppliers, ordering.Terms(TODAY))
    tarn.used = False
    tarn.save()
    assert prices.offers([fuse], TODAY) == ((), ())


def test_columns_are_mapped_once(tarn: Supplier) -> None:
    from refettle.ordering.pricelist import Columns

    said = Columns(roles=(("a", "sku"), ("b", "name"), ("c", ""), ("d", "price")), header=1, decimal=",")
    prices.take_in(tarn, b"a;b;c;d\nX;x;9.99;1,234\n", "l", "Mara", columns=said, valid_from=TODAY, today=TODAY)
    tarn.refresh_from_db()
    again = prices.look(tarn, b"d;c;b;a\n2,345;9.99;x;X\n")
    assert [(o.sku, str(o.breaks[0][1])) for o in again.offers] == [("X", "2.345")]


@pytest.mark.parametrize(
    ("rows", "heads", "says"),
    [
        ("A;Fuse;call;\n", "sku;name;1+;100+", "no row can be read safely. line 2"),
        ("A;Fuse;0.50\n", "sku;name;price USD", "a list in USD found; allowed: EUR"),
        ("A;b\n", "x;y", "no column is said to be"),
    ],
)
def test_lists_that_are_refused_leave_nothing(tarn: Supplier, rows: str, heads: str, says: str) -> None:
    with pytest.raises(PriceError, match=says.replace(".", r"\.")):
        take(tarn, rows, heads=heads)
    assert not PriceList.objects.exists()


def test_days_and_lists_that_cannot_be(tarn: Supplier) -> None:
    with pytest.raises(PriceError, match="valid from: 2031-01-01 found"):
        take(tarn, "A;Fuse;0.50;\n", date(2031, 1, 1))
    take(tarn, "A;Fuse;0.50;\n")
    with pytest.raises(PriceError, match="once more"):
        take(tarn, "A;Fuse;0.50;\n")
    with pytest.raises(PriceError, match="EUR, which its price lists are in"):
        prices.change_supplier(tarn, prices.read_terms({"name": "Tarn", "currency": "USD"}))
    with pytest.raises(PriceError, match="a supplier already"):
        prices.add_supplier(prices.read_terms({"name": "tarn", "currency": "EUR"}))


def test_rows_left_out_and_remarks_are_kept(tarn: Supplier) -> None:
    made = take(tarn, "A;0.50;soon\nB;-1;5\n", heads="sku;price;lead").list
    made.refresh_from_db()
    assert made.refused == [[3, "price: '-1' found; allowed: an amount more than 0, such as 0.25 or € 1.234,56"]]
    assert made.remarks[0][0] == 2


def test_proposals_follow_value_voltage_and_kind(tarn: Supplier) -> None:
    part = Part.objects.create
    right = part(code="E-100u-25", name="Electrolytic", kind="aluminium", unit="F", amount=100e-6, volt=25)
    part(code="E-100u-50", name="Electrolytic", kind="aluminium", unit="F", amount=100e-6, volt=50)
    part(code="T-100u-25", name="Tantalum", kind="tantalum", unit="F", amount=100e-6, volt=25)
    film = part(code="K-100n", name="Film", kind="film", unit="F", amount=100e-9, volt=63)
    ohm = part(code="R-4k7", name="Resistor", kind="resistor", unit="ohm", amount=4700)
    take(tarn, "A;Electrolytic 100 µF 25 V 105°C;0.25;\nB;Film cap 0.1uF/63V pitch 5;0.15;\nC;Resistor 4k7 1 %;0.02;\n"
         "D;Electrolytic 101 µF 25 V;0.1;\nE;E-100u-25;0.2;\nF;Rubber feet;0.3;\n")  # fmt: skip
    found = prices_links.propose(tarn).proposals
    assert [(p.offer.sku, p.part) for p in found] == [("A", right), ("B", film), ("C", ohm), ("E", right)]
    assert not Sold.objects.exists()


def test_a_link_is_one_part_and_its_end_is_kept(tarn: Supplier) -> None:
    a, b = (Part.objects.create(code=c, name=c) for c in "AB")
    take(tarn, "X;x;0.25;\n")
    assert prices_links.link(tarn, [("X", a.pk)], "Mara") == 1
    assert prices_links.link(tarn, [("X", a.pk)], "Jonas") == 0
    with pytest.raises(PriceError, match="'X' is A already"):
        prices_links.link(tarn, [("X", b.pk)], "Jonas")
    assert prices_links.unlink(tarn, "X")
    assert prices_links.link(tarn, [("X", b.pk)], "Jonas") == 1
    said = [(each.part.code, each.who, each.ended is None) for each in Sold.objects.order_by("pk")]
    assert said == [("A", "Mara", False), ("B", "Jonas", True)]
    with pytest.raises(PriceError, match="number: 'Y' found"):
        prices_links.link(tarn, [("Y", a.pk)], "Mara")
