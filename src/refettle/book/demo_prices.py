"""Suppliers in the demo book: three that write their lists in three ways, and what the newest of them made dearer."""

from __future__ import annotations

import io
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

from refettle.book import prices, prices_links
from refettle.book.demo_text import JONAS, MARA
from refettle.book.models_prices import Supplier

GOODS: tuple[tuple[str, str, str], ...] = (
    ("1000u-25", "Electrolytic 1000 µF 25 V 105 °C radial", "0.38"),
    ("2200u-25", "Electrolytic 2200 µF 25 V 105 °C radial", "0.62"),
    ("2200u-35", "Electrolytic 2200 µF 35 V 105 °C radial", "0.84"),
    ("470u-25", "Electrolytic 470 µF 25 V 105 °C radial", "0.24"),
    ("220u-16", "Electrolytic 220 µF 16 V 105 °C radial", "0.13"),
    ("100u-25", "Electrolytic 100 µF 25 V 105 °C radial", "0.11"),
    ("100u-50", "Electrolytic 100 µF 50 V 105 °C radial", "0.16"),
    ("47u-63", "Electrolytic 47 µF 63 V 105 °C radial", "0.12"),
    ("10u-50", "Electrolytic 10 µF 50 V 105 °C radial", "0.07"),
    ("10u-63", "Electrolytic 10 µF 63 V 105 °C radial", "0.09"),
    ("1u-50", "Electrolytic 1 µF 50 V 105 °C radial", "0.06"),
    ("100n-63", "Film 100 nF 63 V pitch 5 mm", "0.08"),
    ("47n-275", "Film 47 nF 275 V X2 pitch 15 mm", "0.31"),
    ("R-4k7", "Resistor 4k7 1 % 0.25 W", "0.02"),
    ("R-220", "Resistor 220R 1 % 0.25 W", "0.02"),
    ("REG-5", "Regulator 5 V 1 A", "0.45"),
    ("FUSE-T1A", "Fuse 1 A slow 5 x 20 mm", "0.19"),
    ("BELT-70", "Belt 70 mm square 1.2 mm", "1.90"),
    ("CELL-TAB", "Coin cell with tabs 20 mm", "1.45"),
    ("SEAT-40", "Edge connector 40 way", "4.80"),
)
"""What is sold, as the invented suppliers call it, and what one costs at the first of them [EUR]."""
DEARER = {
    "1000u-25": "0.44",
    "2200u-25": "0.71",
    "10u-50": "0.06",
    "CELL-TAB": "1.75",
    "REG-5": "0.45",
    "SEAT-40": "6.20",
}
GONE, NEW = "BELT-70", ("BELT-72", "Belt 72 mm square 1.2 mm", "2.10")


def fill_prices(today: date) -> list[Supplier]:
    """Write them; numbers are linked to parts of the stores where there are any that fit."""
    quillfen = _supplier("Quillfen Parts", shipping="4.90", free_from="60", lead_days="3",
                         note="Packs by value. Answers the telephone in the morning.")  # fmt: skip
    for days, newer in ((143, False), (12, True)):
        _take(quillfen, _quillfen(newer), f"quillfen-{today - timedelta(days=days):%Y-%m}.csv", today, days)
    ostrey = _supplier("Ostrey Wholesale", shipping="9.50", minimum="25", lead_days="8",
                       note="Cheap by the hundred. Prices are for 100 pieces.")  # fmt: skip
    _take(ostrey, _ostrey(), "prices_spring.txt", today, 61)
    brack = _supplier("Brackwater Surplus", shipping="6.00", lead_days="5", note="What is gone is gone.")
    _take(brack, _brackwater(), "surplus.xlsx", today, 27)
    for supplier, most in ((quillfen, 8), (ostrey, 4)):
        fitting = prices_links.propose(supplier, most).proposals
        prices_links.link(supplier, [(each.offer.sku, each.part.pk) for each in fitting], MARA)
    return [quillfen, ostrey, brack]


def _supplier(name: str, **terms: str) -> Supplier:
    return prices.add_supplier(prices.read_terms({"name": name, "currency": "EUR", **terms}))


def _take(supplier: Supplier, data: bytes, name: str, today: date, days: int) -> None:
    prices.take_in(supplier, data, name, JONAS, valid_from=today - timedelta(days=days), today=today)


def _cents(price: Decimal, mark: str = ",") -> str:
    return str(price.quantize(Decimal("0.001"), ROUND_HALF_UP).normalize()).replace(".", mark)


def _quillfen(newer: bool) -> bytes:
    """Semicolons and decimal commas, one column for each break, headings of groups between."""
    lines = ["Quillfen Parts;;;;;;", ";;;;;;", "Order no;Description;In stock;Delivery;1+;10+;100+", "Capacitors;;;;;;"]
    for n, (code, name, price) in enumerate((*GOODS, NEW)):
        if (newer and code == GONE) or (not newer and code == NEW[0]):
            continue
        if code == "R-4k7":
            lines.append("Other parts;;;;;;")
        one = Decimal(DEARER.get(code, price)) if newer else Decimal(price)
        stock = ("> 500", "in stock", str(40 + 17 * n), "call")[n % 4]
        steps = ";".join(_cents(one * share) for share in (Decimal(1), Decimal("0.88"), Decimal("0.72")))
        lines.append(f"Q-{code};{name};{stock};{'2-3 days' if n % 5 else '2 wks'};{steps}")
    if newer:
        lines.append("Q-CAN-60;Can capacitor 50+50 µF 350 V;2;;on request;;")
    return ("\r\n".join(lines) + "\r\n").encode("cp1252")


def _ostrey() -> bytes:
    """Tabs, prices for a hundred, sold by packs; two lines nobody can read safely."""
    lines = ["Item no.\tText\tPack\tMOQ\tPrice/100 EUR\tDisc. %"]
    for n, (_, name, price) in enumerate(GOODS[:16]):
        hundred = Decimal(price) * Decimal("58") + n % 3
        lines.append(f"{70100 + 10 * n}\t{name}\t{(50, 100)[n % 2]}\t{(100, 200)[n % 2]}\t{hundred:.2f}\t{5 * (n % 3)}")
    lines += ["70310\tFoil trimmer 40 pF\t10\t10\t-4.00\t0", "70320\tFerrite bead\t100\t100\task\t0"]
    return ("\n".join(lines) + "\n").encode("utf-16")


def _brackwater() -> bytes:
    """A workbook with a title over its columns and a second sheet of terms."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Surplus"
    sheet.append(["Brackwater Surplus: everything tested, nothing twice"])
    sheet.merge_cells("A1:E1")
    sheet.append([])
    sheet.append(["Part number", "Description", "Available", "Unit price", "Currency"])
    for n, (_, name, price) in enumerate(GOODS[1::3]):
        sheet.append([f"B{n + 1:03d}", name, 3 + 2 * n, float(Decimal(price) * Decimal("0.8")), "EUR"])
    sheet.append(["B090", "Video chip from donor, tested 10 min", 1, 38.0, "EUR"])
    terms = book.create_sheet("Terms")
    terms.append(["Shipping", 6.0])
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
