"""Money as lists write it: with a currency or without, and the decimal mark decided over all prices of a list.

Nothing is guessed of one cell alone: '1,234' is read only when the other prices of the list say what the comma means.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache

from refettle.language import mark, tr, tr_in
from refettle.ordering.pricelist_model import DECIMALS, MOST_PIECES, MOST_PRICE, Cell, Number

CURRENCIES = frozenset(
    """
    AED AFN ALL AMD AOA ARS AUD AWG AZN BAM BBD BDT BGN BHD BIF BMD BND BOB BRL BSD BTN BWP BYN BZD CAD CDF CHF CLP
    CNY COP CRC CUP CVE CZK DJF DKK DOP DZD EGP ERN ETB EUR FJD FKP GBP GEL GHS GIP GMD GNF GTQ GYD HKD HNL HTG HUF
    IDR ILS INR IQD IRR ISK JMD JOD JPY KES KGS KHR KMF KPW KRW KWD KYD KZT LAK LBP LKR LRD LSL LYD MAD MDL MGA MKD
    MMK MNT MOP MRU MUR MVR MWK MXN MYR MZN NAD NGN NIO NOK NPR NZD OMR PAB PEN PGK PHP PKR PLN PYG QAR RON RSD RUB
    RWF SAR SBD SCR SDG SEK SGD SHP SLE SOS SRD SSP STN SVC SYP SZL THB TJS TMT TND TOP TRY TTD TWD TZS UAH UGX USD
    UYU UZS VES VND VUV WST XAF XCD XOF XPF YER ZAR ZMW ZWG
    """.split()  # noqa: SIM905
)
"""Active codes of ISO 4217, from memory; tests hold them against the Unicode CLDR."""
_SIGNS = {
    "€": ("EUR",), "£": ("GBP", "EGP", "FKP", "GIP"), "¥": ("JPY", "CNY"), "₹": ("INR",), "₩": ("KRW",), "₺": ("TRY",),
    "₴": ("UAH",), "₽": ("RUB",), "₪": ("ILS",), "₫": ("VND",), "zł": ("PLN",), "zl": ("PLN",), "kč": ("CZK",),
    "fr.": ("CHF",), "sfr.": ("CHF",), "sfr": ("CHF",), "fr": ("CHF",), "ft": ("HUF",), "lei": ("RON",),
    "kr": ("SEK", "NOK", "DKK", "ISK"), "kr.": ("DKK", "SEK", "NOK", "ISK"), "us$": ("USD",), "a$": ("AUD",),
    "c$": ("CAD",), "nz$": ("NZD",), "hk$": ("HKD",), "s$": ("SGD",), "r$": ("BRL",), "nt$": ("TWD",),
    "$": ("USD", "AUD", "CAD", "NZD", "HKD", "SGD", "MXN", "TWD", "ARS", "CLP", "COP"),
    "euro": ("EUR",), "euros": ("EUR",),
}  # fmt: skip
"""What a sign may mean, most usual first; the list's own currency decides where it is one of them."""
_BLANKS = re.compile(r"[\s\u00a0\u2007\u2009\u202f]+")
_APOSTROPHES = str.maketrans(dict.fromkeys("’‘`´ʹ′", "'") | dict.fromkeys("−–—‒", "-"))
_FOR = re.compile(
    r"(?i)\s*(?:/|\bper\b|\bje\b|\bpro\b)\s*(?:(\d{1,7})\s*)?(?:pcs?|pieces?|each|ea|stk|stück|st|units?)?\.?$"
)
"""The pieces a price is for, in its own cell: `12.50/100`, `0.20 per pc`."""
_DIGITS = re.compile(r"[\d.,' ]*\d[\d.,' ]*")
NOTHING = frozenset(("", "-", "--", "---", "n/a", "na", "n.a.", "#n/a", "none", "nil", "null", "?", "."))
_NO_PRICE = re.compile(
    r"(?i)call|ask|quote|poa|p\.o\.a\.|tba|tbd|on request|price on request|auf anfrage|a\.\s?a\.|anfrage|n\.?v\.?t\.?|"
    r"sur demande|op aanvraag|consultar|su richiesta"
)


class FigureError(ValueError):
    """A cell that is no such figure; `found` and `allowed` in words."""

    def __init__(self, found: str, allowed: str) -> None:
        super().__init__(tr("{found} found; allowed: {allowed}", found=found, allowed=allowed))
        self.found, self.allowed = found, allowed


def shown(cell: Cell) -> str:
    """A cell in a message: short, without what cannot be printed."""
    if isinstance(cell, date):
        return tr("the date {isoformat}", isoformat=cell.isoformat())
    text = "".join(c if c.isprintable() else "·" for c in str(cell))
    return f"'{text[:40]}{'…' if len(text) > 40 else ''}'"


@lru_cache(maxsize=65536)
def tidy(text: str) -> str:
    """One sign for each: ordinary digits, apostrophes, minus and single blanks."""
    if not text.isascii():
        text = unicodedata.normalize("NFKC", text)
    text = text.translate(_APOSTROPHES)
    return _BLANKS.sub(" ", text).strip()


def is_empty(cell: Cell) -> bool:
    """Nothing, or a sign for nothing."""
    return isinstance(cell, str) and tidy(cell).lower() in NOTHING


# ---------------------------------------------------------------- currency


@lru_cache(maxsize=4096)
def currency_in(text: str, known: str = "") -> str:
    """The currency a sign or code names; `known` decides between those of one sign. Empty where it names none."""
    word = tidy(text).lower()
    if word.upper() in CURRENCIES:
        return word.upper()
    meant = _SIGNS.get(word) or _SIGNS.get(word.rstrip("."))
    if not meant:
        return ""
    return known if known in meant else meant[0]


def several(text: str) -> bool:
    """Whether a sign may mean several currencies."""
    return len(_SIGNS.get(tidy(text).lower(), ())) > 1


@dataclass(frozen=True, slots=True)
class Parted:
    """A cell with an amount, taken apart: digits with their marks, the word beside them, the sign."""

    digits: str
    word: str = ""
    negative: bool = False
    per: int = 0
    """Pieces the amount is for, where the cell says it; 0 where it does not."""
    exact: Decimal | None = None
    """An amount in powers of ten, as `1.5E-02`: it has no thousands, so any mark in it is the decimal mark."""


@lru_cache(maxsize=65536)
def part(text: str) -> Parted | None:
    """The digits of a cell and the word before or behind them; None where there are none, or twice."""
    cleaned = tidy(text)
    if cleaned.startswith("'") and cleaned[1:2] in "=+-@":
        cleaned = cleaned[1:]
    negative, per = False, 0
    if found := _FOR.search(cleaned):
        cleaned, per = cleaned[: found.start()], int(found[1]) if found[1] else 1
        if not 1 <= per <= MOST_PIECES:
            return None
    if cleaned.startswith("(") and cleaned.endswith(")"):
        cleaned, negative = cleaned[1:-1].strip(), True
    found = _DIGITS.search(cleaned)
    if not found:
        return None
    before, digits, after = cleaned[: found.start()].strip(), found[0], cleaned[found.end() :].strip()
    if digits.startswith(".") and f"{before.lower()}." in _SIGNS:
        before, digits = before + ".", digits[1:]  # 'Fr.' ends in a point of its own
    digits = digits.strip(" '")
    if power := re.fullmatch(r"[eE]([+-]?\d{1,2})", after):
        mantissa = digits.replace(",", ".")
        if re.fullmatch(r"\d+(\.\d+)?", mantissa):
            exact = Decimal(f"{mantissa}E{power[1]}")
            return Parted("", "", before == "-", per, exact) if before in ("", "+", "-") else None
    if after in ("-", ".-", ",-", "--") and digits.endswith((",", ".")):
        digits, after = digits.rstrip(",."), ""  # 12,- is twelve and no hundredths
    if before.startswith("-") or before.endswith("-"):
        before, negative = before.strip("-").strip(), True
    if after.endswith("-"):
        after, negative = after.removesuffix("-").strip(), True
    before = before.removeprefix("+").strip()
    if before and after:
        if currency_in(before) and currency_in(after):
            return Parted(digits, before, negative, per) if currency_in(before) == currency_in(after) else None
        return None
    return Parted(digits, before or after, negative, per)


# ---------------------------------------------------------------- the decimal mark


_GROUPED = {
    ".": re.compile(r"(\d+|[1-9]\d{0,2}(?:,\d{3})+|[1-9]\d?(?:,\d{2})*,\d{3}|\d{1,3}(?:[' ]\d{3})+)?(?:\.(\d*))?"),
    ",": re.compile(r"(\d+|[1-9]\d{0,2}(?:\.\d{3})+|\d{1,3}(?:[' ]\d{3})+)?(?:,(\d*))?"),
}
"""Whole part and decimals by each mark; the other mark, an apostrophe or a blank may part thousands, as may lakhs."""


def mark_of(digits: str) -> str:
    """What an amount alone says of the decimal mark: `.`, `,`, `?` where it may be either, empty where nothing."""
    if "." not in digits and "," not in digits:
        return ""
    fits = [mark for mark, way in _GROUPED.items() if way.fullmatch(digits)]
    return "?" if len(fits) == 2 else fits[0] if fits else ""


@dataclass(frozen=True, slots=True)
class Mark:
    """The decimal mark of the prices of a list. `sure`: '1,234' may be read by it; `against`: cells that say other."""

    mark: str
    sure: bool
    doubt: str = ""


def decide_mark(texts: Iterable[str]) -> Mark:
    """The mark over all prices."""
    votes = {".": 0, ",": 0, "?": 0}
    example = {".": "", ",": "", "?": ""}
    for text in texts:
        parted = part(text)
        said = mark_of(parted.digits) if parted else ""
        if parted and said:
            votes[said] += 1
            example[said] = example[said] or text.strip()
    if votes["."] and votes[","]:
        more, less = (".", ",") if votes["."] >= votes[","] else (",", ".")
        name = tr_in("in a file", "point") if more == "." else tr_in("in a file", "comma")
        return Mark(
            more,
            False,
            tr(
                "decimal mark: the {point_or_comma} in {count:,}, such as '{example}', not in {other_count:,}, such as "
                "'{other_example}'; each is read as it says itself, and those that may be either are refused",
                point_or_comma=name,
                count=votes[more],
                example=example[more][:20],
                other_count=votes[less],
                other_example=example[less][:20],
            ),
        )
    if votes["."] or votes[","]:
        return Mark("." if votes["."] else ",", True)
    if votes["?"]:
        return Mark(
            "",
            False,
            tr(
                "'{example}' may have a decimal mark or a thousands sign, and no price of the list tells which; "
                "say which mark it is",
                example=example["?"][:20],
            ),
        )
    return Mark(".", True)


def amount(digits: str, mark: Mark) -> Decimal:
    """Digits with marks as an exact number. Raises FigureError."""
    said = mark_of(digits)
    chosen = mark.mark
    if said == "?" and not mark.sure:
        raise FigureError(
            tr(
                "'{digits}', which may be {as_decimal} or {as_thousands}",
                digits=digits,
                as_decimal=digits.replace(",", "."),
                as_thousands=re.sub("[.,]", "", digits),
            ),
            tr("an amount that can be read one way; say the decimal mark"),
        )
    if said in (".", ",") and not mark.sure:
        chosen = said
    found = _GROUPED[chosen or "."].fullmatch(digits)
    if not found or (not found[1] and not found[2]):
        name = "point" if (chosen or ".") == "." else "comma"
        raise FigureError(f"'{digits[:40]}'", tr("an amount with the {name} as decimal mark", name=name))
    return Decimal(f"{re.sub('[^0-9]', '', found[1] or '0')}.{found[2] or '0'}")


# ---------------------------------------------------------------- what cells hold


CENT = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Money:
    """An amount, the currency its cell names and the pieces it is for, if it says so (else 0)."""

    value: Decimal
    currency: str = ""
    per: int = 0


PRICE = mark("an amount more than 0, such as 0.25 or € 1.234,56")


def money_in(cell: Cell, mark: Mark, known: str = "") -> Money | None:
    """The price in a cell; None where it is empty. Raises FigureError."""
    if isinstance(cell, date):
        raise FigureError(tr("{cell}, which a spreadsheet may have made of a number", cell=shown(cell)), tr(PRICE))
    per = 0
    if isinstance(cell, Number):
        if cell.percent:
            raise FigureError(shown(cell), tr(PRICE))
        value, currency = cell.value, cell.currency
        if currency and known and currency_in("$", known) == known and currency == "USD":
            currency = known
    else:
        if is_empty(cell):
            return None
        if _NO_PRICE.fullmatch(tidy(cell)):
            raise FigureError(tr("no price: {cell}", cell=shown(cell)), tr(PRICE))
        parted = part(cell)
        if parted is None:
            raise FigureError(shown(cell), tr(PRICE))
        currency = ""
        if parted.word:
            word = re.sub(r"(?i)^(?:each|ea|netto?|net)\.?$|\s+(?:each|ea|netto?|net)\.?$", "", parted.word)
            currency = currency_in(word, known) if word else ""
            if word and not currency:
                raise FigureError(shown(cell), tr(PRICE))
        per = parted.per
        value = parted.exact if parted.exact is not None else amount(parted.digits, mark)
        if parted.negative:
            value = -value
    if value <= 0:
        raise FigureError(shown(cell), tr(PRICE))
    return Money(value, currency, per)


def to_piece(price: Decimal, pieces: int, discount: Decimal = Decimal(0)) -> Decimal:
    """Price of one, from that of so many less a discount [%]; to 6 decimals, half to even. Raises FigureError."""
    one = price * (100 - discount) / (100 * pieces)
    allowed = tr("more than 0, up to {most_price:,}", most_price=MOST_PRICE)
    if one > MOST_PRICE:  # before it is rounded: as many digits as that may be more than are kept
        raise FigureError(tr("{one:.9g} for one", one=one), allowed)
    one = one.quantize(Decimal(1).scaleb(-DECIMALS), ROUND_HALF_EVEN)
    if not 0 < one <= MOST_PRICE:
        raise FigureError(tr("{one:f} for one", one=one), allowed)
    one = one.normalize()
    exponent = one.as_tuple().exponent
    return one.quantize(CENT) if isinstance(exponent, int) and exponent > -2 else one
