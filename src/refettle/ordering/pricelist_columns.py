"""What the columns of a list are, proposed by the words of the heading and by what stands below it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from itertools import pairwise

from refettle.language import tr
from refettle.ordering.pricelist_figures import pieces_of_text
from refettle.ordering.pricelist_model import HEAD_LINES, MOST_PIECES, Cell, Columns, Number, Row, Sheet
from refettle.ordering.pricelist_numbers import currency_in, part, tidy

SAMPLE = 120
"""Rows looked at below the heading."""
_WORDS: tuple[tuple[str, str], ...] = (
    ("", r"(?:rrp|uvp|list price|listenpreis|recommended.*|mpn|.*\b(?:incl\.?|gross|brutto|inkl\.?)\b.*|"
         r"(?:manufacturer|maker|mfr|hersteller|fabrikant)\b.*|ean|gtin|barcode|tariff.*|hs code|weight|gewicht)"),
    ("least", r"(?:moq|minimum|min\.?|(?:min\.?|minimum)[ -]?(?:order)?[ .-]?(?:qty\.?|quantity|order|pcs)|least|"
              r"mindest\w*|min\.?menge|quantité min\w*)"),
    ("multiple", r"(?:(?:order )?mult(?:iple|iples)?|order step|step|increment|vielfaches|losgröße|veelvoud)"),
    ("stock", r"(?:(?:in )?stock(?: (?:qty|level|quantity))?|available|availability|qty available|on hand|bestand|"
              r"lager(?:bestand|menge)?|verfügbar(?:keit)?|voorraad|inventory|en stock|disponib\w*)"),
    ("lead", r"(?:lead[ -]?time.*|lead|delivery(?: time)?.*|lieferzeit.*|levertijd.*|days|weeks|délai.*|plazo.*)"),
    ("currency", r"(?:currency|curr?\.?|ccy|währung|waehrung|wkz|devise|valuta|munt|moneda)"),
    ("discount", r"(?:disc(?:ount|\.)?.*|rabatt.*|remise.*|korting.*|descuento.*|sconto.*)"),
    ("per", r"(?:price (?:unit|per|for|basis)|per|pe|preiseinheit|pricing unit|prijs per|unit of price|pr\.? ?unit)"),
    ("pack", r"(?:(?:pcs|pieces|qty|quantity|stk|units?)[ ./]*(?:per|/|je)?[ ]?(?:pack|pk|bag|reel|box|ve)|"
             r"(?:pack|pk|bag|reel|box)(?:age|aging|ing|et)?(?:[ -](?:size|qty|quantity|unit|of))?|ve|vpe|packung\w*|"
             r"verpackungseinheit|verpakking\w*|conditionnement)"),
    ("sku", r"(?:sku|(?:part|order|ordering|item|article|product|stock|catalog(?:ue)?|cat\.?|supplier)[ .-]*"
            r"(?:no\.?|nos?|number|num|nr\.?|code|#|id|ref\.?)|art(?:ikel)?\.?[ -]?(?:nr\.?|no\.?|nummer)|artikel|"
            r"best(?:ell)?\.?[ -]?(?:nr\.?|nummer)|code|"
            r"ref(?:erence|\.)?|référence|referencia|codice|part|item|no\.?|nr\.?)"),
    ("price", r"(?:(?:unit|nett?|your|piece|sales?|our)?[ -]?(?:price|cost)(?: each| net| per (?:pc|piece|unit))?|"
              r"(?:einzel|netto|stück|einkaufs)?preis|ep|each|netto?|prix.*|prijs.*|precio.*|prezzo.*|amount|vk|ek)"),
    ("name", r"(?:desc(?:ription|\.)?|name|text|bezeichnung|beschreibung|artikelbezeichnung|product(?: name)?|title|"
             r"désignation|omschrijving|details?|value|specs?|specification|descripción|type|typ|item description)"),
    ("break", r"(?:(?:qty|quantity|menge|break|staffel|aantal|quantité)[ .-]*(?:break|from|ab)?[ ]?\d?|from|ab|"
              r"price break|break (?:qty|quantity)|(?:qty|quantity)[ -]breaks?|staffelmenge|ab (?:menge|stück))"),
)  # fmt: skip
_RULES = tuple((role, re.compile(f"(?:{words})")) for role, words in _WORDS)
_VAGUE = re.compile(r"(?:qty|quantity|menge|aantal|quantité)\.?")
"""May be a break, the stock or an order form's empty column."""
_PER = re.compile(
    r"(?:per|/|je|pro|p\.|for|à)\s*(100|1000|1k|pack|pk|bag|ve|vpe|pc|pcs|piece|each|stk|stück|ea|unit)\b"
)
_TAX = re.compile(r"\(?\b(?:excl?\.?|without|w/o|ohne|zzgl\.?|hors)\s*(?:vat|tax(?:es)?|mwst\.?|ust\.?|btw|tva)\b\)?")
_PRICE_WORDS = re.compile(
    r"(?:\b(?:unit|net|netto|piece|einzel)?\s?-?(?:price|preis|prix|prijs.*|precio|prezzo|cost)\b|\bab\b|\bfrom\b|\bqty\b|@|"
    r"\bfor\b|\bmenge\b|\beach\b|\bquantity\b|[()\[\]:;=])"
)


def clean_heading(cell: Cell) -> str:
    """A heading as one line."""
    return tidy(str(cell).replace("\n", " "))


def heading_role(text: str) -> tuple[str, bool]:
    """Role a heading names, and whether it is certain: a bare `10` may be a break or anything."""
    low = _TAX.sub(" ", clean_heading(text).lower()).rstrip(":* ").strip()
    if not low:
        return "", False
    if "%" in low and not re.search(r"\d", low):
        return "discount", True
    without = _without_currency(low)
    for role, rule in _RULES:
        if rule.fullmatch(without):
            return role, True  # certain too where it is certainly none of these
    if _PER.search(low) and re.search(r"pri|pre|cost|ep\b|€|\$|£|^/|" + "|".join(_codes(low)), low):
        return "price", True
    if count := break_of(low):
        return f"price {count}", not low.isdigit()
    return "", False


def _codes(low: str) -> list[str]:
    return [re.escape(w) for w in re.findall(r"[a-z]{3}", low) if currency_in(w)] or ["(?!)"]


def _without_currency(low: str) -> str:
    words = [
        w
        for w in re.split(r"[\s()\[\]]+", low)
        if w and w != "in" and not (currency_in(w) and w not in ("fr", "lei", "ft"))
    ]
    return " ".join(words).strip(" ,;/-")


def break_of(text: str) -> int:
    """Pieces from which the price of a column holds: `10+`, `ab 100`, `100 pcs`, `Price 25`, `10-99`; 0 for none."""
    low = clean_heading(text).lower()
    if not re.search(r"\d", low) or _PER.search(low):
        return 0
    bare = _without_currency(_PRICE_WORDS.sub(" ", low)) or low
    count = pieces_of_text(bare.strip())
    return count if count and count <= MOST_PIECES else 0


def per_of(text: str) -> str:
    """What a price's heading says it is for: `piece`, `pack`, `100`, `1000`; empty where it does not say."""
    low = clean_heading(text).lower()
    if re.search(r"\b(?:pack|pk) price\b|packungspreis", low):
        return "pack"
    found = _PER.search(low)
    if not found:
        return "piece" if re.search(r"\beach\b|einzelpreis|stückpreis|unit price", low) else ""
    word = found[1]
    if word in ("100", "1000", "1k"):
        return "1000" if word == "1k" else word
    return "pack" if word in ("pack", "pk", "bag", "ve", "vpe") else "piece"


def heading_currency(text: str, known: str) -> str:
    """Currency that a heading names."""
    for word in re.split(r"[\s()\[\]/,;]+", clean_heading(text)):
        if (
            word
            and (currency := currency_in(word, known))
            and word.lower() not in ("fr", "lei", "ft", "all", "top", "try")
        ):
            return currency
    return ""


# ---------------------------------------------------------------- the heading


def _score(row: Row) -> tuple[int, list[str]]:
    roles: list[str] = []
    bare = 0
    for cell in row.cells:
        if isinstance(cell, Number):
            count = int(cell.value) if cell.value == int(cell.value) and 1 <= cell.value <= MOST_PIECES else 0
            role, sure = (f"price {count}" if count else ""), False
        else:
            role, sure = heading_role(cell) if isinstance(cell, str) else ("", False)
        bare += bool(role) and not sure
        roles.append(role)
    if bare and not _rising([r for r in roles if r.startswith("price ")]):
        roles = ["" if r.startswith("price ") else r for r in roles]
    found = {r for r in roles if r}
    words = found & {"sku", "name"}
    prices = any(r.startswith("price") or r == "break" for r in found)
    return (len(found) if words and (prices or len(found) > 2 or len(words) == 2) else 0), roles


def _rising(roles: Sequence[str]) -> bool:
    counts = [int(r.split()[1]) for r in roles]
    return len(counts) >= 2 and all(a < b for a, b in pairwise(counts))


def find_heading(rows: Sequence[Row]) -> tuple[int, int]:
    """Index of the heading and its lines; -1 where there is none."""
    best, at = 0, -1
    for index, row in enumerate(rows[:HEAD_LINES]):
        score, _ = _score(row)
        if score > best:
            best, at = score, index
    if at < 0:
        return -1, 1
    _, roles = _score(rows[at])
    if at + 1 < len(rows):
        lower = rows[at + 1].cells
        offered = any(role in ("sku", "name") and cell != "" for role, cell in zip(roles, lower, strict=False))
        counts = [break_of(c) for c in lower if isinstance(c, str) and c]
        if not offered and all(counts) and len(counts) >= 2 and _rising([f"price {c}" for c in counts]):
            return at, 2
    return at, 1


def headings(rows: Sequence[Row], at: int, lines: int) -> list[str]:
    """The heading of each column; of two lines, the lower where it names a break, else the upper."""
    width = max((len(row.cells) for row in rows[: at + SAMPLE + 2]), default=0)
    if at < 0:
        return [""] * width
    upper = [clean_heading(c) for c in rows[at].cells] + [""] * width
    if lines == 1:
        return upper[:width]
    lower = [clean_heading(c) for c in rows[at + 1].cells] + [""] * width
    return [f"{a} {b}".strip() if a and b else a or b for a, b in zip(upper[:width], lower[:width], strict=True)]


# ---------------------------------------------------------------- proposing


def propose(sheet: Sheet, currency: str = "", kept: Columns | None = None) -> tuple[Columns, tuple[str, ...]]:
    """Columns for a list, with doubts: those kept from the last list where the headings are the same, else proposed."""
    if kept is not None and any(role for _, role in kept.roles):
        again, doubts = _again(sheet, kept)
        if again is not None:
            return again, doubts
    else:
        doubts = ()
    at, lines = find_heading(sheet.rows)
    names = headings(sheet.rows, at, lines)
    body = sheet.rows[at + lines if at >= 0 else 0 :][:SAMPLE]
    roles = _roles(names, sheet.rows[at] if at >= 0 else None)
    told = list(doubts)
    _settle(roles, names, body, told)
    _by_content(roles, names, body, told)
    per = next((p for n, r in zip(names, roles, strict=True) if r.startswith("price") and (p := per_of(n))), "")
    for n, r in zip(names, roles, strict=True):
        if r.startswith("price") and (said := heading_currency(n, currency)):
            currency = said
            break
    header = sheet.rows[at].line if at >= 0 else 0
    columns = Columns(
        roles=tuple(zip(names, roles, strict=True)),
        header=header,
        head_lines=lines,
        per=per or "piece",
        counts="packs" if per == "pack" else "pieces",
        currency=currency,
        delimiter=sheet.delimiter,
        encoding=sheet.encoding if sheet.delimiter else "",
        sheet=sheet.sheet,
    )
    if not header:
        told.append(tr("no heading is found in the first lines; the columns are proposed by what stands in them"))
    return columns, tuple(told)


def _again(sheet: Sheet, kept: Columns) -> tuple[Columns | None, tuple[str, ...]]:
    """The columns of the last list, found again by their headings."""
    wanted = [(tidy(name).lower(), role) for name, role in kept.roles if role]
    if not kept.header:
        at, _ = find_heading(sheet.rows)
        width = max(len(row.cells) for row in sheet.rows)
        if at < 0 and width <= len(kept.roles):
            return replace(kept, sheet=sheet.sheet, delimiter=sheet.delimiter, encoding=sheet.encoding), ()
        return None, (tr("the last list had no heading and other columns; look at what each column is"),)
    best: tuple[int, list[str], Row, list[str]] | None = None
    for at in range(min(HEAD_LINES, len(sheet.rows) - kept.head_lines + 1)):
        names = headings(sheet.rows, at, kept.head_lines)
        left = [n.lower() for n in names]
        hits = 0
        for name, _ in wanted:
            if name in left:
                hits, left[left.index(name)] = hits + 1, "\0"
        if best is None or hits > best[0]:
            missing = [n for n, _ in wanted if n not in [x.lower() for x in names]]
            best = (hits, names, sheet.rows[at], missing)
    if best is None or best[0] < len(wanted):
        missing = best[3] if best else []
        what = ", ".join(f"'{n}'" for n in missing) or "some"
        return None, (
            tr(
                "columns of the last list are not found any more: {columns}; look at what each column is",
                columns=what[:200],
            ),
        )
    pool = list(wanted)
    roles = []
    for name in best[1]:
        role = next((r for n, r in pool if n == name.lower()), "")
        if role or (name.lower(), "") in pool:
            pool.remove((name.lower(), role))
        roles.append((name, role))
    return (
        replace(kept, roles=tuple(roles), header=best[2].line, sheet=sheet.sheet, delimiter=sheet.delimiter,
                encoding=sheet.encoding if sheet.delimiter else ""),
        (),
    )  # fmt: skip


def _roles(names: Sequence[str], row: Row | None) -> list[str]:
    found = [heading_role(n) for n in names]
    roles = [role for role, _ in found]
    breaks = [i for i, r in enumerate(roles) if r == "break"]
    if len(breaks) > 1 and all(roles[i + 1 : i + 2] and roles[i + 1].startswith("price") for i in breaks):
        for i in breaks:
            roles[i + 1] = "price"  # 'Qty 2', 'Price 2' number the pairs
    if any(r.startswith("price ") for r in roles) and "price" not in roles:
        for i, name in enumerate(names):
            if roles[i] == "break" and (count := break_of(name)):
                roles[i] = f"price {count}"  # 'Qty 1', 'Qty 10', 'Qty 100' head prices
    bare = [r for r, (_, sure) in zip(roles, found, strict=True) if r.startswith("price ") and not sure]
    if bare and not _rising([r for r in roles if r.startswith("price ")]):
        roles = [r if sure or not r.startswith("price ") else "" for r, (_, sure) in zip(roles, found, strict=True)]
    return roles


_ONCE = ("sku", "pack", "per", "least", "multiple", "stock", "lead", "currency", "discount")


def _settle(roles: list[str], names: Sequence[str], body: Sequence[Row], told: list[str]) -> None:
    """Each role once, where it can be only once; breaks need a price beside them."""
    for role in _ONCE:
        places = [i for i, r in enumerate(roles) if r == role]
        if len(places) > 1:
            full = max(places, key=lambda i: (_filled(body, i), -i))
            for i in places:
                roles[i] = role if i == full else ("name" if role == "sku" else "")
    seen: set[str] = set()
    for i, r in enumerate(roles):
        if r.startswith("price ") and r in seen:
            roles[i] = ""
            told.append(tr("column '{column}': the same break a second time; left out", column=names[i]))
        seen.add(r)
    breaks = [i for i, r in enumerate(roles) if r == "break"]
    plain = [i for i, r in enumerate(roles) if r == "price"]
    steps = [i for i, r in enumerate(roles) if r.startswith("price ")]
    if breaks and (steps or not any(p > b for b in breaks for p in plain)):
        for i in breaks:
            roles[i] = ""
        told += [tr("column '{column}' may be a break or the stock; it is left out", column=names[i]) for i in breaks]
    elif len(breaks) == 1 and _VAGUE.fullmatch(names[breaks[0]].lower()):
        sku = roles.index("sku") if "sku" in roles else -1
        given = [str(row.cells[sku]) for row in body if 0 <= sku < len(row.cells) and row.cells[sku] != ""]
        if given and len(set(given)) == len(given) and len(given) == len(body):
            roles[breaks[0]] = ""
            told.append(tr("column '{column}' may be a break or the stock; it is left out", column=names[breaks[0]]))
    if len(plain) > 1 and not any(r == "break" for r in roles):
        best = max(plain, key=lambda i: (bool(re.search(r"net|your|unit|einzel|stück", names[i].lower())), -i))
        for i in plain:
            if i != best:
                roles[i] = ""
                told.append(
                    tr(
                        "column '{column}' holds prices too and is left out; '{read_column}' is read",
                        column=names[i],
                        read_column=names[best],
                    )
                )
    if steps and plain and not any(r == "price 1" for r in roles):
        told.append(tr("column '{column}' is taken as the price from one piece", column=names[plain[0]]))


def _filled(body: Sequence[Row], column: int) -> int:
    return sum(1 for row in body if column < len(row.cells) and row.cells[column] != "")


def _by_content(roles: list[str], names: Sequence[str], body: Sequence[Row], told: list[str]) -> None:
    """What no heading named: the price by figures with decimals, the number by being short and once, the text."""
    has_price = any(r.startswith("price") for r in roles)
    free = [i for i, r in enumerate(roles) if not r and heading_role(names[i]) == ("", False) and _filled(body, i)]
    cells = {i: [row.cells[i] for row in body if i < len(row.cells) and row.cells[i] != ""] for i in free}
    if not has_price:
        scored = [(_like_price(cells[i]), -i, i) for i in free]
        if scored and (best := max(scored))[0] > 0.6:
            roles[best[2]] = "price"
            free.remove(best[2])
            told.append(tr("column {number} is taken as the price by what stands in it", number=best[2] + 1))
    if "sku" not in roles:
        able = [i for i in free if _like_number(cells[i]) and len(cells[i]) >= 0.8 * len(body)]
        if able:
            roles[able[0]] = "sku"
            free.remove(able[0])
            told.append(
                tr("column {number} is taken as the supplier's number by what stands in it", number=able[0] + 1)
            )
    if "name" not in roles:
        wordy = [(sum(" " in str(c).strip() for c in cells[i]) / len(cells[i]), i) for i in free if cells[i]]
        if wordy and (text := max(wordy))[0] > 0.5:
            roles[text[1]] = "name"


def _like_price(cells: Sequence[Cell]) -> float:
    def like(cell: Cell) -> bool:
        if isinstance(cell, Number):
            return cell.value > 0 and (bool(cell.currency) or cell.value != cell.value.to_integral())
        if isinstance(cell, date):
            return False
        parted = part(cell)
        return parted is not None and (
            bool(parted.word and currency_in(parted.word))
            or (not parted.word and bool(re.search(r"[.,]", parted.digits)))
        )

    return sum(map(like, cells)) / len(cells) if cells else 0.0


def _like_number(cells: Sequence[Cell]) -> bool:
    texts = [str(c) for c in cells]
    return len(set(texts)) == len(texts) and all(len(t) <= 40 and t.count(" ") <= 1 for t in texts) and any(
        re.search(r"\d", t) for t in texts
    )  # fmt: skip
