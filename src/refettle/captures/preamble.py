"""What stands above the numbers: key and value lines in many shapes, column names, a row of units.

Keys are known by their words, whoever wrote them: a sample interval is "sample interval", "dt", "x increment",
"time step" and so on; the value stands behind a colon or an equals sign, in the next cell, or in the cell below.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from math import isnan

from refettle.captures.cells import Style, rescale, time_unit_of, unit_of
from refettle.captures.layout import Layout, split
from refettle.quantities import plain

_KEYS = {
    "interval": r"(sampl\w* |time |horizontal |x |t )?(interval|increment|step|spacing)( time)?|sampl\w* (period|time)"
    r"|dt|d t|delta ?[tx]|Δ ?t|x ?inc(r|rement)?|t ?inc|tstep|abtast ?(intervall|zeit)|pas( de temps)?",
    "rate": r"(real )?sampl\w* ?(rate|freq\w*|clock)|rate|fs|sps|samples (per|/) s(econd)?|abtast ?(rate|frequenz)",
    "start": r"(x|time|horizontal|t) ?-?(origin|zero|start)|start|start time|t ?0|first (sample|point)( time)?",
    "points": r"(record|memory|waveform|data) ?(length|depth|size|points)|(number|no\.?|nr\.?|n) ?(of )?"
    r"(sampl\w*|points?|data points|records)|points|samples|count|length|size",
    "unit": r"(vertical|y|value|channel|signal) ?-?units?|units?|einheit(en)?|unités?",
    "time_unit": r"(horizontal|x|time|t) ?-?units?",
    "per_code": r"y ?mult(iplier)?|y ?incr?(ement)?|(volts?|v|mv|units?) ?(per|/) ?(code|count|lsb|bit|level|step)"
    r"|lsb|(code|count) (size|step)",
    "code_zero": r"y ?ref(erence)?|y ?off(set)?|zero (code|count|level)|(code|count) (zero|offset)"
    r"|offset (codes?|counts?)",
    "value_zero": r"y ?(zero|origin)",
    "per_division": r"(vertical |y )?scale|(volts?|v|mv|units?) ?(per|/) ?div(ision)?|(vertical )?sensitivity|y ?scale",
    "offset": r"(vertical |y |dc )?(offset|position)",
    "probe": r"(probe( (atten\w*|factor|ratio|setting))?|atten\w*)",
    "coupling": r"(input |channel )?coupling( mode)?",
    "source": r"source|trace( name)?|channel( name)?|signal( name)?|kanal|quelle|voie",
}
_NUMERIC = frozenset(
    ("interval", "rate", "start", "points", "per_code", "code_zero", "value_zero", "per_division", "offset")
)
_PATTERNS = {key: re.compile(pattern, re.IGNORECASE) for key, pattern in _KEYS.items()}
_CHANNEL = re.compile(r"(?i)^(?:ch(?:annel|an)?\.?[ _-]?(\d)|(\d))[ _:-]+|[ _-]+\(?ch(?:annel)?[ _-]?(\d)\)?$")
_REMARK = re.compile(r"^\s*(?:#+|%+|//+|;+|\*+|!+)\s*")
_LONGEST = 300
"""Letters of a heading cell that is looked into; longer ones are words."""
_NUMBER = r"[+\-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?"
_TIME = re.compile(r"(?i)(time|times|zeit|temps|tiempo|tempo|t|elapsed( time)?|timestamp|date( ?/? ?time)?|"
                   r"x[ -]?axis|horizontal|time ?base|clock|t[ -]rel\w*|rel\w* time|time ?stamp)"
                   r"( ?\(.*\)| axis| column)?")  # fmt: skip
_INDEX = re.compile(r"(?i)(index|idx|no|nr|num(ber)?|#|n|i|samples?( ?(no|nr|number|index|#))?|points?|pts?|"
                    r"seq(uence)?|"
                    r"count(er)?|rows?|readings?|records?|x|id|item|line)\.?")  # fmt: skip


UNITLESS = "-"
"""Stands for "no unit" in a heading, as in CH1 [-]."""


@dataclass(frozen=True, slots=True)
class Said:
    """One key with its values: `numbers` in SI units where they are numbers, `texts` as they stand."""

    key: str
    name: str
    line: int
    texts: tuple[str, ...]
    numbers: tuple[float, ...]
    channel: int | None = None
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Heading:
    """Name and unit for each column ("" where not given), and the keys above."""

    names: dict[int, str]
    units: dict[int, str]
    said: tuple[Said, ...]

    def first(self, key: str) -> Said | None:
        """The last line with this key, which is the one nearest to the numbers."""
        found = [said for said in self.said if said.key == key]
        return found[-1] if found else None

    def number(self, key: str) -> float | None:
        """The number behind a key, or None."""
        found = [said for said in self.said if said.key == key and said.numbers]
        return found[-1].numbers[0] if found else None

    def of_channel(self, key: str, number: int, many: int) -> tuple[float | None, str]:
        """Number and text behind a key for one channel (from 0) of `many`."""
        for said in reversed([said for said in self.said if said.key == key]):
            if said.channel is not None:
                if said.channel != number:
                    continue
                pick = 0
            else:
                pick = number if max(len(said.numbers), len(said.texts)) >= many > 1 else 0
            value = said.numbers[min(pick, len(said.numbers) - 1)] if said.numbers else None
            text = said.texts[min(pick, len(said.texts) - 1)] if said.texts else ""
            return value, text
        return None, ""


def is_time(name: str) -> bool:
    """Whether a column name is one for time."""
    return bool(_TIME.fullmatch(plain(name)))


def is_index(name: str) -> bool:
    """Whether a column name is one for a running number."""
    return bool(_INDEX.fullmatch(plain(name)))


def name_and_unit(text: str) -> tuple[str, str]:
    """A heading parted into name and unit: `CH1 (mV)`, `t/ms`, `Voltage [V]`, `Time_s`, `mV`."""
    cleaned = plain(text).strip("\"' ")
    if len(cleaned) > _LONGEST:
        return cleaned, ""
    if unit_of(cleaned):
        return "", cleaned
    found = re.fullmatch(r"(.*?)\s*[(\[{<]\s*(?:in\s+)?([^()\[\]{}<>]*?)\s*[)\]}>]\s*(.*)", cleaned)
    if found and (unit_of(found[2]) or found[2] == UNITLESS):
        return f"{found[1]} {found[3]}".strip(), found[2]
    found = re.fullmatch(r"(.+?)(?:\s*[/,;:_]\s*|\s+in\s+|\s+)([^\s/,;:_]+)", cleaned)
    if found and unit_of(found[2]) and len(found[1]) > 0 and not (found[2] in "ARrFfHh" and "/" not in cleaned):
        return "" if found[1].casefold() == "in" else found[1].strip(" -"), found[2]
    return cleaned, ""


def _key(text: str) -> tuple[str, int | None, str] | None:
    """Which key a text is, for which channel (from 0), and the unit named with it."""
    cleaned = plain(_REMARK.sub("", text)).strip(" :=\"'")
    if not cleaned or len(cleaned) > 60:
        return None
    unit = ""
    found = re.fullmatch(r"(.*?)\s*[(\[]\s*([^()\[\]]*)\s*[)\]]", cleaned)
    if found and found[1]:
        cleaned, unit = found[1], found[2]
    channel: int | None = None
    if (mark := _CHANNEL.search(cleaned)) and mark[0] != cleaned:
        channel = int(mark[1] or mark[2] or mark[3]) - 1
        cleaned = _CHANNEL.sub("", cleaned).strip()
    words = cleaned.replace("_", " ")
    for key, pattern in _PATTERNS.items():
        if pattern.fullmatch(words):
            return key, channel, unit
    return None


def _value(text: str, style: Style) -> tuple[float, str] | None:
    """A number at the start of a text and what stands behind it: `1.000MSa/s`, `4 us`, `10X`, `1:10`."""
    cleaned = plain(text).strip("\"' ")
    if len(cleaned) > _LONGEST:
        return None
    if ratio := re.fullmatch(r"(\d+)\s*:\s*(\d+)", cleaned):
        low, high = sorted((int(ratio[1]), int(ratio[2])))
        return (high / low, "") if low else None
    found = re.match(_NUMBER, cleaned)
    if not found:
        return None
    value = style.number(found[0])
    if value is None:
        value = Style("," if style.decimal == "." else ".").number(found[0])
    return None if value is None else (value, cleaned[found.end() :].strip())


def _factor(key: str, unit: str) -> float | None:
    """What to multiply a number behind `key` with to have it in SI units; None where the unit does not fit."""
    unit = " ".join(unit.split()).strip(" .")  # a long row of blanks would be gone through once for each of them
    if not unit:
        return 1.0
    if key in ("interval", "start"):
        return time_unit_of(re.sub(r"(?i)\s*(/|per)\s*(sa|samples?|pt|points?)$", "", unit))
    if key == "rate":
        bare = re.sub(r"(?i)(samples?|sa|s|pts?)?\s*(/|per)\s*(s|sec|second)$|samples?$|sa$|sps$|s$", "", unit).strip()
        bare = re.sub(r"(?i)hz$", "", bare).strip()
        return {"": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9, "m": 1e6}.get(bare)
    if key in ("per_code", "per_division", "value_zero", "offset"):
        bare = re.sub(r"(?i)\s*(/|per)\s*(div(ision)?|code|count|lsb|bit|level)\.?$", "", unit)
        found = unit_of(bare)
        return found[1] if found else None
    return 1.0


def _said(name: str, key: tuple[str, int | None, str], values: list[str], line: int, style: Style) -> Said | None:
    which, channel, unit = key
    texts = [text for text in values if text.strip()]
    numbers: list[float] = []
    shown = ""
    for n, text in enumerate(texts):
        found = _value(text, style)
        if found is None or isnan(found[0]):  # no number, or one beyond all readings
            continue
        value, behind = found
        following = texts[n + 1] if n + 1 < len(texts) and _value(texts[n + 1], style) is None else ""
        written = behind or unit or following
        factor = _factor(which, written)
        if factor is None and not behind and written == following:
            factor = _factor(which, unit)
        if factor is not None:
            numbers.append(rescale(value, factor))
            shown = written
    if which in _NUMERIC and not numbers:
        return None
    return Said(which, plain(_REMARK.sub("", name)).strip(" :="), line, tuple(texts), tuple(numbers), channel, shown)


def read_heading(layout: Layout) -> Heading:
    """Keys, names and units of everything above the numbers."""
    said: list[Said] = []
    keyed: set[int] = set()
    head = layout.head
    for row, (line, cells) in enumerate(head):
        filled = [cell for cell in cells if cell]
        if not filled:
            continue
        cells = _parted_again(cells, layout, line)
        for n, cell in enumerate(cells):
            parted = re.fullmatch(r"([^:=]+)[:=](.*)", cell, re.DOTALL)
            key = _key(cell)
            values: list[str] = []
            if key is None and parted and (key := _key(parted[1])):
                values = [parted[2].strip()] if parted[2].strip() else []
                cell = parted[1].rstrip()
            if key is None:
                continue
            if not values or key[0] in ("unit", "per_code", "per_division", "offset", "source", "coupling", "probe"):
                values += _following(cells[n + 1 :], layout.style)
            found = _said(cell, key, values, line, layout.style)
            if found is None and row + 1 < len(head) and n < len(head[row + 1][1]):  # the value stands below
                found = _said(cell, key, [head[row + 1][1][n]], line, layout.style)
                if found is not None and key[0] not in _NUMERIC:
                    found = None
                if found is not None:
                    said.append(found)
                continue
            if found is not None and found.texts:
                said.append(found)
                if n == 0:
                    keyed.add(row)
    names, units = _titles(layout, keyed)
    return Heading(names, units, tuple(said))


def _parted_again(cells: tuple[str, ...], layout: Layout, line: int) -> tuple[str, ...]:
    """The cells of a head line, by its own separator where the numbers below have another or none."""
    if any(_key(cell) for cell in cells) or not 1 <= line <= len(layout.lines):
        return cells
    if layout.separator == " " or (
        len(layout.kinds) == 1 and re.match(r"[^,;\t|]+[:=]\s*[^,;\t|]", layout.lines[line - 1])
    ):
        return (layout.lines[line - 1],)
    for separator in (";", "\t", ",", "|"):
        if separator != layout.separator:
            found = split(layout.lines[line - 1], separator)
            if len(found) > 1 and _key(found[0]):
                return tuple(found)
    return cells


def _following(cells: Iterable[str], style: Style) -> list[str]:
    """The cells behind a key, up to the next key."""
    values: list[str] = []
    for cell in cells:
        if cell and _value(cell, style) is None and (found := _key(cell)) and found[0] in _NUMERIC:
            break
        values.append(cell)
    return values


def _titles(layout: Layout, keyed: set[int]) -> tuple[dict[int, str], dict[int, str]]:
    """Names and units over the columns that are read."""
    columns = layout.columns
    rows: list[list[str]] = []
    for row in range(len(layout.head) - 1, -1, -1):
        line, cells = layout.head[row]
        if row in keyed and not _all_units(cells, columns):
            break
        if line >= layout.first:
            continue
        found = _over_columns(layout, layout.lines[line - 1] if line <= len(layout.lines) else "", list(cells))
        if found is None:
            if any(cells):
                break
            continue
        rows.insert(0, found)
        if len(rows) == 2:
            break
    if not rows:
        return {}, {}
    names: dict[int, str] = {}
    units: dict[int, str] = {}
    last_units = [rows[-1][n] for n in columns]
    stacked = len(rows) == 2 and all(
        cell.strip("-()[] ") == "" or unit_of(cell.strip("()[] ")) or is_index(cell) for cell in last_units
    ) and any(last_units)  # fmt: skip
    title = rows[0] if stacked else rows[-1]
    lettered = any(title[n].casefold() == "b" for n in columns)  # channels A and B: the A is no ampere
    for n in columns:
        names[n], units[n] = (title[n], "") if lettered and len(title[n]) == 1 else name_and_unit(title[n])
        if stacked and unit_of(last_units[columns.index(n)].strip("()[] ")):
            units[n] = last_units[columns.index(n)].strip("()[] ")
            names[n] = names[n] or title[n]
    return names, units


def _all_units(cells: Iterable[str], columns: tuple[int, ...]) -> bool:
    row = list(cells)
    return all(n < len(row) and unit_of(row[n].strip("()[] ")) for n in columns)


def _over_columns(layout: Layout, line: str, cells: list[str]) -> list[str] | None:
    """A head line as one cell for each column, whatever separates it; None where it does not fit."""
    width = max(layout.columns) + 1
    bare = _REMARK.sub("", line)
    separators = dict.fromkeys((layout.separator, ",", ";", "\t", "|", " "))
    tries = [cells] if bare == line else []
    tries += [split(text, separator) for separator in separators for text in dict.fromkeys((bare, line))]
    for found in tries:
        if found:
            found = [_REMARK.sub("", found[0]) or ("#" if found[0].strip() == "#" else ""), *found[1:]]
        if not width <= len(found) <= len(layout.kinds) + 2 and len(found) != len(layout.kinds):
            continue
        if len(layout.kinds) == 1 and any(found[1:]):
            continue
        over = [found[n] for n in layout.columns if n < len(found)]
        texts = [cell for cell in over if (cell and _value(cell, layout.style) is None) or unit_of(cell)]
        if len(over) == len(layout.columns) and texts and all(
            not cell or _value(cell, layout.style) is None or re.match(r"\d+\w*[A-Za-z]", cell) for cell in over
        ):  # fmt: skip
            return found
    return None
