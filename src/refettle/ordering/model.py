"""What an order is made from: needs, stores, offers, suppliers, terms; checked, with money as exact decimals.

Money without a currency is in that of the terms. Prices are per piece; breaks count pieces; packs, the least number of
packs and their step say what may be ordered at all. A day is a calendar day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from math import isfinite
from typing import Literal

from refettle.language import tr

MOST_NEEDS, MOST_OFFERS, MOST_SUPPLIERS = 2_000, 20_000, 40
MOST_ACCEPTABLE, MOST_TIERS = 12, 20
MOST_PIECES, MOST_DAYS = 1_000_000, 3_650
MOST_MONEY, DECIMALS = Decimal(1_000_000), 6
MOST_LETTERS = 200
MOST_SECONDS = 600.0
CENT = Decimal("0.01")

What = Literal["need", "stock", "offer", "supplier", "terms"]


class OrderingError(ValueError):
    """A value that cannot be: of which thing, which field, what was found, what is allowed.

    `what` and `number` say which of the things handed in, from 0; `name` is what a person calls it.
    """

    def __init__(self, what: What, number: int, name: str, field: str, found: str, allowed: str) -> None:
        shown = " ".join(each for each in (what, name) if each)
        super().__init__(
            tr(
                "{shown}: {field}: found {found}; allowed: {allowed}",
                shown=shown,
                field=field,
                found=found,
                allowed=allowed,
            )
        )
        self.what, self.number, self.field = what, number, field
        self.says = tr("{field}: found {found}; allowed: {allowed}", field=field, found=found, allowed=allowed)


@dataclass(frozen=True, slots=True)
class Acceptable:
    """A part that would do for a need. `why` it would, and what fitting it costs more a piece, in money (`penalty`)."""

    part: str
    why: str = ""
    penalty: Decimal = Decimal(0)


@dataclass(frozen=True, slots=True)
class Need:
    """A line of a job or kit: so many pieces of the first of `parts`, or of one further down, `by` a day.

    A matched set is made of one part only, and all of it or nothing is ordered.
    """

    line: str
    parts: tuple[Acceptable, ...]
    quantity: int
    job: str
    by: date | None = None
    matched_set: bool = False


@dataclass(frozen=True, slots=True)
class Tier:
    """From so many pieces on, a piece costs so much, in the supplier's currency."""

    from_quantity: int
    price_each: Decimal


@dataclass(frozen=True, slots=True)
class Offer:
    """What a supplier sells under one number (`sku`).

    Sold in packs of `pack` pieces: at least `minimum` packs, in steps of `multiple` packs. `stock` is in pieces; None
    where the supplier does not say, which is taken as enough. `breaks`: with all units, the price reached holds for
    every piece; with incremental, only for those from the break on.
    """

    supplier: str
    sku: str
    part: str
    tiers: tuple[Tier, ...]
    pack: int = 1
    minimum: int = 1
    multiple: int = 1
    stock: int | None = None
    lead_days: int = 0
    breaks: Literal["all units", "incremental"] = "all units"


@dataclass(frozen=True, slots=True)
class Supplier:
    """`shipping` for an order, none from goods of `free_from` on; goods of `minimum_order` at least, `most` at most.

    Thresholds count goods, before shipping. All in the supplier's currency.
    """

    name: str
    shipping: Decimal = Decimal(0)
    free_from: Decimal | None = None
    minimum_order: Decimal = Decimal(0)
    most: Decimal | None = None
    currency: str = "EUR"


@dataclass(frozen=True, slots=True)
class Terms:
    """How to order.

    Attributes
    ----------
    today : date
        Day the order goes out; lead days count from it.
    at_most_suppliers : int, optional
        Parcels to be had at most.
    deadlines : str
        `keep`: what arrives too late for a need cannot serve it. `ignore`: days are told, and bind nothing.
    time_limit : float
        [s] For finding the cheapest; then the best so far is taken, with its gap.
    gap : float
        Share of the cost by which the cheapest may be missed and the search still end, told in the plan. It is
        proven to the cent where that is quick. 0 asks for proof.
    explain_seconds : float
        [s] For the comparisons: second best, what each substitute saves. 0 leaves them out.
    currency : str
        Three letters. What is told is in it.
    rates : mapping
        What one unit of another currency is worth in it.
    """

    today: date
    at_most_suppliers: int | None = None
    deadlines: Literal["keep", "ignore"] = "keep"
    time_limit: float = 10.0
    gap: float = 1e-4
    explain_seconds: float = 10.0
    currency: str = "EUR"
    rates: Mapping[str, Decimal] = field(default_factory=dict)


@dataclass(frozen=True)
class Problem:
    """All that was checked. Offers of parts nobody needs are left out; `offers` keeps the order they came in."""

    needs: tuple[Need, ...]
    stock: Mapping[str, int]
    offers: tuple[Offer, ...]
    suppliers: Mapping[str, Supplier]
    terms: Terms

    def rate(self, supplier: str) -> Decimal:
        """What one unit of a supplier's currency is worth in that of the terms."""
        currency = self.suppliers[supplier].currency
        return Decimal(1) if currency == self.terms.currency else self.terms.rates[currency]

    def arrives(self, offer: Offer) -> date:
        """The day it is at the bench."""
        return self.terms.today + timedelta(days=offer.lead_days)

    def in_time(self, offer: Offer, need: Need) -> bool:
        """True if what is ordered today arrives by the need's day."""
        return need.by is None or self.terms.deadlines == "ignore" or self.arrives(offer) <= need.by


def problem(
    needs: Sequence[Need],
    stock: Mapping[str, int],
    offers: Sequence[Offer],
    suppliers: Sequence[Supplier],
    terms: Terms,
) -> Problem:
    """All of it checked. Raises OrderingError for the first value that cannot be."""
    _check_terms(terms)
    _count("need", "needs", len(needs), MOST_NEEDS)
    _count("offer", "offers", len(offers), MOST_OFFERS)
    _count("supplier", "suppliers", len(suppliers), MOST_SUPPLIERS)
    if not needs:
        raise OrderingError("need", 0, "", "needs", "none", tr("one or more"))
    by_name: dict[str, Supplier] = {}
    for number, supplier in enumerate(suppliers):
        _check_supplier(number, supplier, terms)
        if supplier.name in by_name:
            raise OrderingError(
                "supplier", number, supplier.name, "name", tr("it a second time"), tr("each supplier once")
            )
        by_name[supplier.name] = supplier
    lines: set[str] = set()
    for number, need in enumerate(needs):
        _check_need(number, need)
        if need.line in lines:
            raise OrderingError("need", number, need.line, "line", tr("it a second time"), tr("each line once"))
        lines.add(need.line)
    for number, (part, quantity) in enumerate(stock.items()):
        _words("stock", number, part, "part", part)
        _whole("stock", number, part, "quantity", quantity, 0, MOST_PIECES)
    skus: set[tuple[str, str]] = set()
    for number, offer in enumerate(offers):
        _check_offer(number, offer, by_name)
        if (offer.supplier, offer.sku) in skus:
            raise OrderingError(
                "offer", number, _called(offer), "sku", tr("it a second time"), tr("each of a supplier once")
            )
        skus.add((offer.supplier, offer.sku))
    wanted = {each.part for need in needs for each in need.parts}
    return Problem(tuple(needs), dict(stock), tuple(o for o in offers if o.part in wanted), by_name, terms)


def _called(offer: Offer) -> str:
    return f"{offer.supplier} {offer.sku}".strip()


def _count(what: What, field: str, found: int, most: int) -> None:
    if found > most:
        raise OrderingError(what, most, "", field, f"{found:,}", tr("at most {most:,}", most=most))


def _words(what: What, number: int, name: str, field: str, text: str) -> None:
    if not isinstance(text, str) or not text.strip() or len(text) > MOST_LETTERS:
        shown = repr(text)[:40]
        raise OrderingError(
            what, number, str(name)[:40], field, shown, tr("1 to {most_letters} letters", most_letters=MOST_LETTERS)
        )


def _whole(what: What, number: int, name: str, field: str, value: int, low: int, high: int) -> None:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise OrderingError(
            what, number, name, field, str(value)[:40], tr("a whole number, {low} to {high:,}", low=low, high=high)
        )


def _money(what: What, number: int, name: str, field: str, value: Decimal, low: Decimal = Decimal(0)) -> None:
    fine = isinstance(value, Decimal) and value.is_finite() and low <= value <= MOST_MONEY
    exponent = value.normalize().as_tuple().exponent if fine else 0
    if not fine or (isinstance(exponent, int) and -exponent > DECIMALS):
        allowed = tr(
            "an amount, {low} to {most_money:,}, of at most {decimals} decimals",
            low=low,
            most_money=MOST_MONEY,
            decimals=DECIMALS,
        )
        raise OrderingError(what, number, name, field, str(value)[:40], allowed)


def _currency(what: What, number: int, name: str, value: str) -> None:
    if not (isinstance(value, str) and len(value) == 3 and value.isascii() and value.isalpha() and value.isupper()):
        raise OrderingError(what, number, name, "currency", repr(value)[:40], tr("three capital letters, as EUR"))


def _check_terms(terms: Terms) -> None:
    _currency("terms", 0, "", terms.currency)
    for currency, rate in terms.rates.items():
        _currency("terms", 0, "rates", currency)
        _money("terms", 0, "rates", currency, rate, Decimal("0.000001"))
    if terms.at_most_suppliers is not None:
        _whole("terms", 0, "", "at_most_suppliers", terms.at_most_suppliers, 1, MOST_SUPPLIERS)
    if terms.deadlines not in ("keep", "ignore"):
        raise OrderingError("terms", 0, "", "deadlines", repr(terms.deadlines)[:40], tr("keep or ignore"))
    for name, value, low, high in (
        ("time_limit", terms.time_limit, 0.1, MOST_SECONDS),
        ("gap", terms.gap, 0.0, 0.5),
        ("explain_seconds", terms.explain_seconds, 0.0, MOST_SECONDS),
    ):
        if not (isfinite(value) and low <= value <= high):
            raise OrderingError("terms", 0, "", name, str(value)[:40], f"{low:g} to {high:g}")


def _check_supplier(number: int, supplier: Supplier, terms: Terms) -> None:
    name = supplier.name
    _words("supplier", number, name, "name", name)
    _currency("supplier", number, name, supplier.currency)
    if supplier.currency != terms.currency and supplier.currency not in terms.rates:
        raise OrderingError(
            "supplier",
            number,
            name,
            "currency",
            supplier.currency,
            tr(
                "{wanted}, or a rate for {offered} in the terms",
                wanted=terms.currency,
                offered=supplier.currency,
            ),
        )
    _money("supplier", number, name, "shipping", supplier.shipping)
    _money("supplier", number, name, "minimum_order", supplier.minimum_order)
    if supplier.free_from is not None:
        _money("supplier", number, name, "free_from", supplier.free_from)
    if supplier.most is not None:
        _money("supplier", number, name, "most", supplier.most, max(supplier.minimum_order, CENT))


def _check_need(number: int, need: Need) -> None:
    _words("need", number, need.line, "line", need.line)
    _words("need", number, need.line, "job", need.job)
    _whole("need", number, need.line, "quantity", need.quantity, 1, MOST_PIECES)
    if not 1 <= len(need.parts) <= MOST_ACCEPTABLE:
        raise OrderingError("need", number, need.line, "parts", str(len(need.parts)), f"1 to {MOST_ACCEPTABLE}")
    seen: set[str] = set()
    for each in need.parts:
        _words("need", number, need.line, "part", each.part)
        _money("need", number, need.line, "penalty", each.penalty)
        if each.part in seen:
            raise OrderingError(
                "need", number, need.line, "parts", tr("{part} a second time", part=each.part), tr("each part once")
            )
        seen.add(each.part)


def _check_offer(number: int, offer: Offer, suppliers: Mapping[str, Supplier]) -> None:
    name = _called(offer)
    _words("offer", number, name, "sku", offer.sku)
    _words("offer", number, name, "part", offer.part)
    if offer.supplier not in suppliers:
        known = ", ".join(suppliers) or tr("no supplier given")
        raise OrderingError(
            "offer", number, name, "supplier", repr(offer.supplier)[:60], tr("one of {known}", known=known)[:300]
        )
    for field_, value in (("pack", offer.pack), ("minimum", offer.minimum), ("multiple", offer.multiple)):
        _whole("offer", number, name, field_, value, 1, MOST_PIECES)
    if offer.stock is not None:
        _whole("offer", number, name, "stock", offer.stock, 0, 10**9)
    _whole("offer", number, name, "lead_days", offer.lead_days, 0, MOST_DAYS)
    if offer.breaks not in ("all units", "incremental"):
        raise OrderingError("offer", number, name, "breaks", repr(offer.breaks)[:40], tr("all units or incremental"))
    if not 1 <= len(offer.tiers) <= MOST_TIERS:
        raise OrderingError("offer", number, name, "tiers", str(len(offer.tiers)), f"1 to {MOST_TIERS}")
    before = 0
    for tier in offer.tiers:
        _whole("offer", number, name, "from", tier.from_quantity, 1, 10**9)
        _money("offer", number, name, "price", tier.price_each)
        if tier.from_quantity <= before:
            raise OrderingError(
                "offer",
                number,
                name,
                "from",
                tr("{from_quantity} after {before}", from_quantity=tier.from_quantity, before=before),
                tr("breaks that rise, each once"),
            )
        before = tier.from_quantity
