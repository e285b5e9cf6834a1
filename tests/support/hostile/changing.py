"""Valid input changed into hostile input: bytes, numbers, letters, lengths; values inside JSON, YAML, CSV, ZIP, PNG."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
import zlib
from collections.abc import Callable, Sequence
from copy import deepcopy
from functools import lru_cache
from random import Random
from typing import Any

import yaml

LONGEST = 1_000_000
"""Bytes of one input, apart from the examples: what is slow only because it is long is not looked for here."""
NUMBERS = (
    "0", "-0", "1", "-1", "nan", "inf", "-inf", "Infinity", "1e308", "-1e308", "1e309", "1e-320", "1e999", "-1e999",
    "9" * 30, "1" + "0" * 400, "9007199254740993", "2147483648", "-2147483649", "18446744073709551616", "0x10", "1_000",
    "1,5", "1,000", "1.000,5", "1e", ".", "-", "+-1", "١٢٣", "１２", "²", "½", "Ⅷ", "1e-400", "00012", "9" * 5000,
    "sNaN", "NaN123", "0e999999999", "1e999999999", "1e-999999999", "1e+40",
)  # fmt: skip
WORDS = (
    "", " ", "\0", "\ufeff", "\u202e", "\u200b", "\u0301", "e\u0301", "ß", "İ", "ı", "ﬀ", "\U0010ffff", "\ufffe",
    "\x85", "\u2028", "\u2029", "\x1a", "\x7f", "\r", "\r\n", "\t", "'", '"', '""', "\\", "\\u0000", "\\ud800", "{}",
    "<b>", "&lt;", "%s", "{0}", "=1+1", "@a", "../x", "/etc/x", "con", "true", "null", "None", "yes", "~", "12:60",
    "2031-02-30", "0000-01-01", "9999-12-31", "10000-01-01", "2031-03-02T10:15:00Z", "2031-03-02T10:15:00+99:00",
    "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "24:00:00", "1/1/1", "31/12/99", "&a", "*a", "!!x", ": ",
    "- ", "#", "|", ">", "---", "...", "A" * 300, "\u0301" * 300, "🔥", "٪", "Ω", "µ", "\u2126", "__class__", "[]",
)  # fmt: skip
VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, -0.0, 0.5, 1e308, -1e308, 5e-324, 10**15, 10**16, 2**31, 2**63, 2**64, 10**400,
    float("inf"), float("nan"), "", " ", "\0",
    "nan", "sNaN", "1e999999999", "9" * 5000, "x" * 5000, "\ud800", [], {}, [[]], [{}], {"": ""}, ["a", 1, None],
    {"a": {"b": {"c": 1}}}, [0] * 50, "2031-02-30", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "=1",
)  # fmt: skip
_NUMBER = re.compile(rb"[+-]?\d+(?:[.,]\d+)?(?:[eE][+-]?\d+)?")
Change = Callable[[Random, bytes, Sequence[bytes]], bytes]


def _span(rng: Random, data: bytes, most: int = 64) -> tuple[int, int]:
    at = rng.randrange(len(data) + 1)
    return at, min(len(data), at + rng.choice((1, 1, 2, 4, 8, rng.randint(1, most))))


def _flip(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 16))):
        if out:
            at = rng.randrange(len(out))
            out[at] = rng.choice((out[at] ^ 1 << rng.randrange(8), rng.randrange(256), 0, 255, 127, 128))
    return bytes(out)


def _cut(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    at = rng.randrange(len(data) + 1)
    return rng.choice((data[:at], data[:at], data[at:]))


def _leave(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    at, to = _span(rng, data, 400)
    return data[:at] + data[to:]


def _twice(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    at, to = _span(rng, data, 400)
    return data[:to] + data[at:to] * rng.choice((1, 1, 2, 9, 200)) + data[to:]


def _splice(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    other = rng.choice(others)
    return data[: rng.randrange(len(data) + 1)] + other[rng.randrange(len(other) + 1) :]


def _number(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    found = list(_NUMBER.finditer(data[:200_000]))
    if not found:
        return _insert(rng, data, others)
    here = rng.choice(found)
    return data[: here.start()] + rng.choice(NUMBERS).encode() + data[here.end() :]


def _insert(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    at, to = _span(rng, data)
    word = rng.choice((*WORDS, *NUMBERS)).encode("utf-8", "surrogatepass")
    return data[:at] + word + data[rng.choice((at, to)) :]


def _deep(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    at, deep = rng.randrange(len(data) + 1), rng.choice((5, 30, 300, 3000, 30_000))
    begin, end = rng.choice(
        ((b"[", b"]"), (b"(", b")"), (b"{", b"}"), (b'{"a":', b"}"), (b"- ", b""), (b"(a ", b")"), (b'"', b'"'))
    )
    return data[:at] + begin * deep + rng.choice((b"", b"1")) + end * rng.choice((0, deep)) + data[at:]


def _long(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    at, to = _span(rng, data, 8)
    piece = rng.choice((data[at:to], b"a", b"9", b" ", b",", b";", b"\n", b"\t", b"-", b"0.", "é".encode(), b"\\"))
    return data[:at] + piece * rng.choice((100, 1000, 20_000, 100_000)) + data[at:]


def _lines(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.randrange(4)
    if what == 0:
        lines[a], lines[b] = lines[b], lines[a]
    elif what == 1:
        lines.insert(a, lines[b])
    elif what == 2:
        del lines[a]
    else:
        lines[a] = rng.choice((b"", lines[a] + lines[b], lines[a][::-1]))
    return b"\n".join(lines)


def _coding(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    if rng.random() < 0.3:
        return rng.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\xff\xfe\0\0", b"\x1a", b"\0")) + data
    text = data.decode("utf-8", "replace")
    return text.encode(rng.choice(("utf-16", "utf-16-le", "utf-32", "cp1252", "latin-1", "utf-7")), "replace")


BYTES: tuple[Change, ...] = (_flip, _flip, _cut, _leave, _twice, _splice, _number, _insert, _long)
TEXT: tuple[Change, ...] = (
    _flip,
    _cut,
    _leave,
    _twice,
    _splice,
    _number,
    _number,
    _insert,
    _insert,
    _long,
    _lines,
    _coding,
    _deep,
)


# ---------------------------------------------------------------- inside values


def _places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    out = [path]
    if isinstance(value, dict | list):
        for key, each in value.items() if isinstance(value, dict) else enumerate(value):
            out += _places(each, (*path, key))
    return out


def _near(rng: Random, value: Any) -> Any:
    """Another value of the same kind, which may well be allowed."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + rng.choice((-1, 1, 7, 1000, -value, -2 * value))
    if isinstance(value, float):
        return rng.choice((value * 1e6, value * 1e-6, -value, float(round(value)), value + 1e-9))
    if isinstance(value, str):
        return rng.choice((value[:-1], value + "x", value.upper(), value + rng.choice(WORDS), rng.choice(NUMBERS)))
    if isinstance(value, list):
        return rng.sample(value, len(value)) + value[:1]
    return dict(list(value.items())[:-1]) if isinstance(value, dict) else 0


def _node(rng: Random, value: Any, other: Any) -> Any:
    """`value` with one to three of its nodes changed, left out, renamed, repeated, or taken from `other`."""
    value = deepcopy(value)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        places = _places(value)[1:]
        if not places:
            return rng.choice(VALUES)
        *path, key = rng.choice(places)
        holder = value
        for each in path:
            holder = holder[each]
        what = rng.randrange(12)
        if what > 7:
            holder[key] = _near(rng, holder[key])
        elif what < 4:
            holder[key] = deepcopy(rng.choice(VALUES))
        elif what == 4:
            del holder[key]
        elif what == 5 and isinstance(holder, dict):
            holder[rng.choice((*WORDS, *NUMBERS))] = holder.pop(key)
        elif what == 5:
            holder[key:key] = [deepcopy(holder[key])] * rng.choice((1, 3, 60))
        elif what == 6:
            source = other
            for each in rng.choice(_places(other)):
                source = source[each]
            holder[key] = deepcopy(source)
        else:
            deep = deepcopy(holder[key])
            for _ in range(rng.choice((1, 5, 25, 70, 900))):
                deep = {"a": deep} if rng.random() < 0.5 else [deep]
            holder[key] = deep
    return value


@lru_cache(256)
def _yaml(data: bytes) -> Any:
    """Parsed once for each example; `_node` works on a copy."""
    return yaml.load(data, yaml.CSafeLoader)


def json_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A JSON text with a value changed."""
    value, other = json.loads(data), json.loads(rng.choice(others))
    return json.dumps(_node(rng, value, other), ensure_ascii=rng.random() < 0.5).encode("utf-8", "surrogatepass")


def jsonl_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """JSON Lines with a value changed in one line, or a line changed with another."""
    lines = data.strip().split(b"\n")
    at = rng.randrange(len(lines))
    lines[at] = json_inside(rng, lines[at], rng.choice(others).strip().split(b"\n"))
    return b"\n".join(lines) + b"\n"


def yaml_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A YAML text with a value changed."""
    value = _node(rng, _yaml(data), _yaml(rng.choice(others)))
    try:
        if rng.random() < 0.5:
            text = str(yaml.dump(value, Dumper=yaml.CSafeDumper, sort_keys=False, allow_unicode=True))
            return text.encode("utf-8", "surrogatepass")
        return json.dumps(value, ensure_ascii=False, default=str).encode("utf-8", "surrogatepass")
    except UnicodeEncodeError:  # half a surrogate pair
        return json.dumps(value, default=str).encode()
    except (yaml.YAMLError, RecursionError, TypeError):
        return repr(value).encode("utf-8", "surrogatepass")


def csv_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A CSV text with cells changed, moved or added."""
    head = data.split(b"\n", 1)[0]
    mark = max((",", ";", "\t"), key=lambda each: head.count(each.encode()))
    rows = list(csv.reader(io.StringIO(data.decode("utf-8", "replace"), newline=""), delimiter=mark))
    for _ in range(rng.choice((1, 1, 2, 4))):
        row = rng.choice([row for row in rows if row] or [[""]])
        at = rng.randrange(len(row))
        what = rng.randrange(7)
        if what < 4:
            row[at] = rng.choice((*WORDS, *NUMBERS, *NUMBERS)).encode("utf-8", "replace").decode()
        elif what == 4:
            row.insert(at, rng.choice(rng.choice(rows) or [""]))
        elif what == 5 and len(row) > 1:
            del row[at]
        else:
            rows.append(list(row))
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=mark, lineterminator=rng.choice(("\n", "\r\n"))).writerows(rows)
    return out.getvalue().encode("utf-8", "replace")


def zip_inside(inside: Change, mend: Callable[[dict[str, bytes]], None] | None = None) -> Change:
    """A ZIP file with one of its members changed, left out, or renamed; `mend` may make sums right again."""

    def change(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            members = {name: file.read(name) for name in file.namelist()}
        name = rng.choice(list(members))
        what = rng.randrange(10)
        if what < 7:
            members[name] = inside(rng, members[name], list(members.values()))
        elif what == 7:
            del members[name]
        elif what == 8:
            members[rng.choice(WORDS).encode("utf-8", "replace").decode() or "x"] = members[name]
        else:
            members[name] = rng.choice(list(members.values()))
        if mend is not None and rng.random() < 0.8:
            mend(members)
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", rng.choice((zipfile.ZIP_DEFLATED, zipfile.ZIP_STORED))) as file:
            for each, content in members.items():
                file.writestr(zipfile.ZipInfo(each), content, compress_type=file.compression)
        return out.getvalue()

    return change


def member(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A member of a ZIP file: changed inside if it is JSON, else as text."""
    for inside in (json_inside, jsonl_inside) if rng.random() < 0.7 else ():
        try:
            return inside(rng, data, [data])
        except (ValueError, RecursionError):
            continue
    return rng.choice(TEXT)(rng, data, others)


def xml_member(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A member of a workbook: a value or attribute changed, so that it is often still XML."""
    found = list(re.finditer(rb'"[^"<>]*"|>[^<>]*<', data))
    if not found or rng.random() < 0.3:
        return rng.choice(TEXT)(rng, data, others)
    here = rng.choice(found)
    word = (
        rng.choice((*NUMBERS, *WORDS))
        .encode("utf-8", "replace")
        .replace(b"<", b"")
        .replace(b'"', b"")
        .replace(b"&", b"")
    )
    return data[: here.start() + 1] + word + data[here.end() - 1 :]


def png_inside(rng: Random, data: bytes, others: Sequence[bytes]) -> bytes:
    """A PNG with a chunk changed, repeated or left out, and its sum right again; other pictures as bytes."""
    if not data.startswith(b"\x89PNG"):
        return rng.choice(BYTES)(rng, data, others)
    chunks, at = [], 8
    while at + 12 <= len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + size]))
        at += 12 + size
    which = rng.randrange(len(chunks))
    name, body = chunks[which]
    what = rng.randrange(6)
    if what < 3:
        chunks[which] = (name, rng.choice(BYTES)(rng, body, [body, data]))
    elif what == 3:
        chunks[which : which + 1] = [(name, body)] * rng.choice((0, 2, 30))
    elif what == 4:
        chunks[which] = (
            rng.choice((b"eXIf", b"iCCP", b"tEXt", b"zTXt", b"iTXt", b"PLTE", b"tRNS", b"IDAT", b"acTL", b"fdAT")),
            body,
        )
    else:
        chunks.insert(
            which,
            (rng.choice((b"zTXt", b"iTXt", b"iCCP")), b"a\0\0" + zlib.compress(b"\0" * rng.choice((9, 3_000_000)))),
        )
    out = data[:8]
    for name, body in chunks:
        out += len(body).to_bytes(4, "big") + name + body + zlib.crc32(name + body).to_bytes(4, "big")
    return out


def hostile(rng: Random, examples: Sequence[bytes], plain: Sequence[Change], inside: Sequence[Change]) -> bytes:
    """One input: an example, changed inside where `inside` is given, or by one to four plain changes, or by both."""
    data = rng.choice(examples)
    if inside and rng.random() < 0.6:
        try:
            data = rng.choice(inside)(rng, data, examples)
        except Exception:  # an example of another form, or one too odd to be taken apart
            data = _flip(rng, data, examples)
        if rng.random() < 0.8:
            return data[: max(LONGEST, len(data) if len(data) < 4 * LONGEST else 0)]
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        data = rng.choice(plain)(rng, data, examples)[: 2 * LONGEST]
    return data[:LONGEST]
