"""Figures beside the price: pieces, packs, stock, days, discounts, as lists write them."""

from __future__ import annotations

import re
from decimal import Decimal
from functools import lru_cache
from math import ceil

from refettle.language import mark, tr
from refettle.ordering.pricelist_model import MOST_DAYS, MOST_PIECES, Cell, Number
from refettle.ordering.pricelist_numbers import NOTHING, FigureError, is_empty, shown, tidy

_PIECES = r"(?:pcs?|pieces?|stk|stück|st|ea|each|units?|off|pces?|pz|uds?|un)?\.?"
_QUANTITY = re.compile(
    r"(?i)(?:[>≥=]{0,2}|ab|from|vanaf|dès|desde|da|qty|min\.?|moq|x|pack of|pk|pack|bag of|reel of|box of|/|per|je)\s*"
    rf"(\d[\d.,' ]*?)\s*(k)?\s*{_PIECES}\s*(?:\+|up|and up|/\s*(?:pack|pk|bag|reel|box))?\s*"
    rf"(?:(?:-|–|to|bis)\s*\d[\d.,' ]*k?\s*{_PIECES})?"
)


@lru_cache(maxsize=8192)
def pieces_of_text(text: str) -> int | None:
    """A whole number of pieces as written: `10+`, `100 pcs`, `1'000`, `1k`, `10-99`; None where it is none."""
    found = _QUANTITY.fullmatch(tidy(text).replace("--", "-"))
    if not found:
        return None
    whole = found[1].strip()
    if re.fullmatch(r"\d{1,3}(?:([.,' ])\d{3}(?:\1\d{3})*)?|\d+", whole):
        value = int(re.sub(r"\D", "", whole))
    elif re.fullmatch(r"\d+[.,]0{1,2}", whole):
        value = int(re.split("[.,]", whole)[0])
    elif found[2] and re.fullmatch(r"\d+[.,]\d", whole):
        return int(Decimal(whole.replace(",", ".")) * 1000)
    else:
        return None
    return value * 1000 if found[2] else value


def pieces_in(cell: Cell, least: int = 1) -> int | None:
    """A number of pieces in a cell; None where it is empty. Raises FigureError."""
    allowed = tr("a whole number of pieces from {least} to {most_pieces:,}", least=least, most_pieces=MOST_PIECES)
    if isinstance(cell, str) and is_empty(cell):
        return None
    value: int | None
    if isinstance(cell, Number):
        value = int(cell.value) if cell.value == cell.value.to_integral() and not cell.percent else None
    else:
        value = pieces_of_text(cell) if isinstance(cell, str) else None
    if value is None or not least <= value <= MOST_PIECES:
        raise FigureError(shown(cell), allowed)
    return value


_SOME = re.compile(
    r"(?i)(?:yes|ja|oui|si|sí|y|j|in stock|stock|available|auf lager|lagernd|ab lager|lieferbar|verfügbar|en stock|"
    r"op voorraad|disponible|call|ask|on request|auf anfrage|ex stock|plenty|✓|✔)\.?"
)
_NO_STOCK = re.compile(
    r"(?i)(?:no|nein|non|n|out of stock|sold out|none|nicht (?:auf lager|lieferbar|verfügbar)|ausverkauft|rupture|"
    r"agotado|uitverkocht|on order|back ?order|eol|discontinued|obsolete|✗|✘)\.?"
)
_STOCK_BEFORE = re.compile(
    r"(?i)^(?:[>≥~≈]|ca\.?|over|more than|about|über|mehr als|in stock:?|stock:?|available:?)\s*"
)
_STOCK_AFTER = re.compile(r"(?i)\s*(?:in stock|available|auf lager|en stock|lagernd|\(.*\))$")
STOCK = mark("a number such as 250 or >1000, or words: in stock, out of stock, call")


def stock_in(cell: Cell) -> int | None:
    """Pieces in stock; None where a list does not count them. Raises FigureError."""
    if isinstance(cell, str):
        text = tidy(cell)
        if text.lower() in NOTHING or _SOME.fullmatch(text):
            return None
        if _NO_STOCK.fullmatch(text):
            return 0
        bare = re.sub(
            r"(?i)^(?:[>≥~≈]|ca\.?|over|more than|about|über|mehr als|in stock:?|stock:?|available:?)\s*", "", text
        )
        bare = re.sub(r"(?i)\s*(?:in stock|available|auf lager|en stock|lagernd|\(.*\))$", "", bare).rstrip("+ ")
        value = pieces_of_text(bare)
    elif isinstance(cell, Number) and not cell.percent and cell.value == cell.value.to_integral():
        value = int(cell.value)
    else:
        value = None
    if value is None or not 0 <= value <= 1_000_000_000:
        raise FigureError(shown(cell), tr(STOCK))
    return value


_UNITS = (
    (
        r"working days?|work days?|business days?|wd|werktage?n?|arbeitstage?n?|at|werkdagen|jours ouvrés",
        Decimal(7) / 5,
    ),
    (r"days?|d|tage?n?|dag(?:en)?|jours?|j|días?|giorni|t", Decimal(1)),
    (r"weeks?|wks?|w|wochen?|weken|week|semaines?|sem|semanas?|settimane", Decimal(7)),
    (r"months?|mths?|mon|monate?n?|maand(?:en)?|mois|meses|mesi", Decimal(30)),
    (r"hours?|hrs?|h|stunden|std", Decimal("0.0416666666")),
)
_LEAD = re.compile(
    r"(?:(?:ca\.?|about|approx\.?|up to|bis|max\.?|<|≤|~)\s*)?(\d+(?:[.,]\d+)?)"
    r"(?:\s*(?:-|to|bis|à|a)\s*(\d+(?:[.,]\d+)?))?\s*([^\d]*?)\.?"
)
LEAD = mark("days or weeks, such as 5, 3-5 days or 2 wks")


def lead_in(cell: Cell, unit: str = "days") -> int | None:
    """Days until it comes, the later of two, upwards; five working days are seven. Raises FigureError."""
    if isinstance(cell, Number):
        text = str(cell)
    elif isinstance(cell, str):
        text = tidy(cell).lower()
    else:
        raise FigureError(tr("{cell}, which a spreadsheet may have made of a number", cell=shown(cell)), tr(LEAD))
    if text in NOTHING or text in ("call", "on request", "auf anfrage", "ask"):
        return None
    if text in ("stock", "ex stock", "in stock", "ab lager", "sofort", "same day", "today"):
        return 0
    if text in ("next day", "overnight", "24h"):
        return 1
    found = _LEAD.fullmatch(text)
    if found:
        high = max(Decimal(each.replace(",", ".")) for each in found.groups()[:2] if each)
        word = found[3].strip() or unit
        for words, days in _UNITS:
            if re.fullmatch(words, word):
                whole = ceil(high * days)
                if whole <= MOST_DAYS:
                    return whole
    raise FigureError(shown(cell), tr(LEAD))


def percent_in(cell: Cell, named: bool) -> Decimal:
    """A discount [%]; `named` where the heading has the % sign. Raises FigureError."""
    allowed = tr("a discount such as 15 %, from 0 to below 100")
    if isinstance(cell, Number):
        value, named = cell.value, named or cell.percent
    else:
        if is_empty(cell):
            return Decimal(0)
        found = re.fullmatch(r"[-+]?\s*(\d{1,2}(?:[.,]\d{1,4})?)\s*(%?)", tidy(cell)) if isinstance(cell, str) else None
        if not found:
            raise FigureError(shown(cell), allowed)
        value, named = Decimal(found[1].replace(",", ".")), named or bool(found[2])
    value = abs(value)
    if value >= 100 or (0 < value < 1 and not named):
        raise FigureError(shown(cell), allowed + (tr("; below 1 only with the % sign") if value < 1 else ""))
    return value


_PACK_TEXT = re.compile(
    r"(?i)\b(?:pack|pk|pkt|packet|bag|reel|box|tray|tube|strip|set|beutel|packung|rolle|sachet|zak|lot)\s*(?:of|à|a|von|mit|"
    r"de|van|/|:|x)?\s*(\d{1,6})\b(?!\s*(?:v|µ|u|n|p|m|k|w|ohm|mm|cm|°|%))|"
    r"\b(\d{1,6})\s*(?:er[- ]?pack(?:ung)?\b|(?:pcs?|pieces|stk|stück|pc)\.?\s*(?:/|per|je|a|pro)?\s*"
    r"(?:pack|pk|bag|reel|box|beutel|packung)\b|/\s*(?:pack|pk|pkt|bag|reel|box)\b)|"
    r"(?:(?<=\s)/\s?|\bx\s?)(\d{1,6})(?:\s*(?:pcs?|stk)\.?)?$|\((\d{1,6})\s*(?:pcs?|pieces|stk|stück)\.?\)"
)


@lru_cache(maxsize=8192)
def pack_in_text(text: str) -> int:
    """Pieces of a pack as a name says it: `pack of 10`, `10 pcs/bag`, `10er Pack`, ` /10` at the end; 1 for none."""
    found = _PACK_TEXT.search(tidy(text))
    if not found:
        return 1
    pieces = int(next(each for each in found.groups() if each))
    return pieces if 1 <= pieces <= MOST_PIECES else 1
