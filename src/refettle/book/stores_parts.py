"""What the stores keep: parts added, changed and found. What a part said before a change is kept."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from django.db import IntegrityError, transaction
from django.db.models import QuerySet
from django.db.models.functions import Lower
from django.utils import timezone

from refettle.book.kept_texts import label
from refettle.book.models_stores import Lot, Part, PartChange
from refettle.book.store import StoreError
from refettle.book.stores_moves import said
from refettle.book.stores_values import ValueTextError, code_for, read_value
from refettle.language import tr
from refettle.parts.capacitor import KINDS, MOUNTS
from refettle.quantities import MAX_LENGTH, QuantityError, parse, whole

CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,39}")
PAGE_WORDS = frozenset({"new", "receive", "count", "labels", "reorder", "look-again"})
"""No codes: in an address of the stores each stands for a page."""
VALUE_FIELDS = ("unit", "amount", "volt", "celsius", "diameter_mm", "height_mm", "pitch_mm", "mount", "kind", "rated")
"""What the text of a value may tell."""
_KINDS = {"electrolytic": "aluminium", "cap": "capacitor"}


def _text(most: int, least: int = 0) -> Callable[[str, Any], str]:
    return lambda field, value: said("" if value is None else value, field, most, least)


def _figure(unit: str, low: float, high: float) -> Callable[[str, Any], float | None]:
    def read(field: str, value: Any) -> float | None:
        if value is None or (isinstance(value, str) and not value.strip()):
            return None
        text = str(value).strip()
        if len(text) > MAX_LENGTH:
            raise StoreError(
                tr(
                    "{field}: {found!r}… found; allowed: a number in {unit}",
                    field=label(field),
                    found=text[:40],
                    unit=unit,
                ),
                field,
            )
        try:
            if unit == "mm":
                bare = re.fullmatch(r"\d+(?:[.,]\d+)?", text)
                number = 1e3 * parse(f"{text}mm" if bare else text, "m")
            elif unit == "g":
                number = float(re.sub(r"(?i)\s*g$", "", text).replace(",", "."))
            else:
                number = float(value) if isinstance(value, int | float) else parse(text, unit)
        except (QuantityError, ValueError):
            raise StoreError(
                tr("{field}: {found!r} found; allowed: a number in {unit}", field=label(field), found=value, unit=unit),
                field,
            ) from None
        if not low <= number <= high:
            raise StoreError(
                tr(
                    "{field}: {found:g} {unit} found; allowed: {low:g} to {high:g} {unit}",
                    field=label(field),
                    found=number,
                    unit=unit,
                    low=low,
                    high=high,
                ),
                field,
            )
        return number

    return read


def _days(most: int, empty: int | None = None) -> Callable[[str, Any], int | None]:
    def read(field: str, value: Any) -> int | None:
        if value is None or not str(value).strip():
            return empty
        text = str(value).strip()
        number = None if isinstance(value, bool) or not text.isascii() else whole(text)
        if number is None or number > most:
            raise StoreError(
                tr(
                    "{field}: {found!r} found; allowed: a whole number from 0 to {most}",
                    field=label(field),
                    found=text[:40],
                    most=most,
                ),
                field,
            )
        return number

    return read


def _mount(field: str, value: Any) -> str:
    text = said(value or "", field, 20).casefold()
    if text and text not in MOUNTS:
        raise StoreError(
            tr(
                "{field}: {found!r} found; allowed: {mounts} or none",
                field=label(field),
                found=value,
                mounts=", ".join(MOUNTS),
            ),
            field,
        )
    return text


def _truth(field: str, value: Any) -> bool:
    words = {"": False, "no": False, "0": False, "false": False, "yes": True, "1": True, "true": True}
    found = words.get(str(value).strip().casefold()) if not isinstance(value, bool) else value
    if found is None:
        raise StoreError(tr("{field}: {found!r} found; allowed: yes or no", field=label(field), found=value), field)
    return found


FIELDS: dict[str, Callable[[str, Any], Any]] = {
    "name": _text(200, 1),
    "kind": _text(40),
    "volt": _figure("V", 1e-3, 1e5),
    "celsius": _figure("°C", -60, 400),
    "diameter_mm": _figure("mm", 0.01, 1000),
    "height_mm": _figure("mm", 0.01, 1000),
    "pitch_mm": _figure("mm", 0.01, 300),
    "mount": _mount,
    "maker": _text(120),
    "note": _text(4000),
    "place": _text(120),
    "gram": _figure("g", 1e-6, 100_000),
    "shelf_days": _days(100_000),
    "lead_days": _days(3650, 14),
    "reorder_at": _days(10_000_000),
    "no_reorder": _truth,
}
"""What can be said of a part besides code and value, each with what reads it."""


def _checked(value: str | None, details: dict[str, Any], name: str, kind: str) -> dict[str, Any]:
    unknown = set(details) - set(FIELDS)
    if unknown:
        field = min(unknown)
        raise StoreError(
            tr("{field}: unknown; allowed: code, value, {allowed}", field=field, allowed=", ".join(FIELDS)), field
        )
    found = {field: FIELDS[field](field, given) for field, given in details.items()}
    if value is None:
        return found
    try:
        told = read_value(value, found.get("kind", kind), found.get("name", name))
    except ValueTextError as error:
        raise StoreError(tr("value: {error}", error=error), "value") from None
    given = {k: v for k, v in found.items() if v not in (None, "")}
    said_kind = str(given.get("kind", "")).casefold()
    if told.get("unit") == "F" and said_kind in _KINDS:
        given["kind"] = _KINDS[said_kind]
    if told.get("kind") and given.get("kind") in KINDS and told["kind"] != given["kind"]:
        raise StoreError(
            tr(
                "kind: {kind} found, and the value says {told}; allowed: one of them",
                kind=given["kind"],
                told=told["kind"],
            ),
            "kind",
        )
    if given.get("kind") == "capacitor" and told.get("kind"):
        del given["kind"]
    return {**found, **told, **given}


def add_part(*, name: str, who: str, code: str = "", value: str = "", **details: Any) -> Part:
    """A part that the stores will keep.

    Parameters
    ----------
    name : str
    who : str
    code : str
        By what the bench calls it; without one it is made from the value or the name.
    value : str
        As typed: `4u7 50v 105C`; see `stores_values.read_value`.
    **details
        Any of `FIELDS`.

    Raises
    ------
    StoreError
        Naming the field, what was found, what is allowed.
    """
    who = said(who, "who", 200, 1)
    fields = _checked(value, {"name": name, **details}, name, "")
    code = code.strip()
    if code:
        check_code(code)
    with transaction.atomic():
        chosen = code or _free_code(code_for(fields, fields["name"]))
        if (same := by_code(chosen).first()) is not None:
            raise StoreError(
                tr(
                    "code: '{found}' found, which {name} has ({code}); allowed: another",
                    found=chosen,
                    name=same.name,
                    code=same.code,
                ),
                "code",
            )
        try:
            with transaction.atomic():
                part = Part.objects.create(code=chosen, **fields)
        except IntegrityError:
            raise StoreError(
                tr("code: '{found}' found, which another part has; allowed: another", found=chosen), "code"
            ) from None
        PartChange.objects.create(part=part, who=who, was={})
        return part


def check_code(code: str) -> None:
    """Refuse what cannot be a part's code. Raises StoreError."""
    if not CODE.fullmatch(code):
        raise StoreError(
            tr(
                "code: {code!r} found; allowed: 1 to 40 letters a to z, digits and . _ + -, the first a "
                "letter or digit",
                code=code[:60],
            ),
            "code",
        )
    if code.casefold() in PAGE_WORDS:
        raise StoreError(
            tr("code: '{code}' found, which is a page of the stores; allowed: another, such as {code}-1", code=code),
            "code",
        )


def _free_code(wish: str) -> str:
    wish = re.sub(r"[^A-Za-z0-9._+-]", "", wish)[:34] or "PART"
    taken = {c.casefold() for c in Part.objects.filter(code__istartswith=wish).values_list("code", flat=True)}
    taken |= PAGE_WORDS
    if wish.casefold() not in taken:
        return wish
    return next(c for n in range(2, 100_000) if (c := f"{wish}-{n}").casefold() not in taken)


def edit_part(part: Part, *, who: str, value: str | None = None, code: str | None = None, **details: Any) -> Part:
    """Change what is said of a part; what it said before is kept. A new `value` replaces all that a value tells."""
    who = said(who, "who", 200, 1)
    fields = _checked(value, details, part.name, part.kind)
    if value is not None:
        empty: dict[str, Any] = dict.fromkeys(VALUE_FIELDS) | {"unit": "", "mount": "", "rated": {}}
        empty["kind"] = part.kind
        fields = empty | fields
    if code is not None and code.strip() != part.code:
        check_code(code.strip())
        if by_code(code).exclude(pk=part.pk).exists():
            raise StoreError(
                tr("code: '{code}' found, which another part has; allowed: another", code=code.strip()), "code"
            )
        fields["code"] = code.strip()
    with transaction.atomic():
        fresh = Part.objects.select_for_update().get(pk=part.pk)
        was = {f: getattr(fresh, f) for f, new in fields.items() if getattr(fresh, f) != new}
        if was:
            PartChange.objects.create(part=fresh, who=who, at=timezone.now(), was=was)
            try:
                with transaction.atomic():
                    Part.objects.filter(pk=fresh.pk).update(**{f: fields[f] for f in was})
            except IntegrityError:
                raise StoreError(tr("code: found with another part; allowed: another code"), "code") from None
    part.refresh_from_db()
    return part


def by_code(code: str) -> QuerySet[Part]:
    """The part of this code, in any case; asked in the way that the table's index answers."""
    return Part.objects.annotate(code_lower=Lower("code")).filter(code_lower=code.strip().lower())


def find_part(code: str) -> Part:
    """The part of this code, in any case. Raises StoreError."""
    found = by_code(code).first()
    if found is None:
        near = list(Part.objects.filter(code__istartswith=code.strip()[:3]).values_list("code", flat=True)[:8])
        allowed = tr("such as {near}", near=", ".join(near)) if near else tr("the code of a part in the stores")
        raise StoreError(tr("part: '{code}' found; allowed: {allowed}", code=code[:60], allowed=allowed), "part")
    return found


def find_lot(part: Part, text: str) -> Lot:
    """A lot of this part by its number, or by its code where only one has it. Raises StoreError."""
    text = text.strip().removeprefix("lot ").strip()
    lots = list(Lot.objects.filter(part=part).order_by("id"))
    by_code = [lot for lot in lots if lot.code == text]
    by_number = [lot for lot in lots if str(lot.pk) == text]
    if len(by_code) == 1:
        return by_code[0]
    if by_number and not by_code:
        return by_number[0]
    named = ", ".join(f"{lot.pk}{f' ({lot.code})' if lot.code else ''}" for lot in lots[-20:])
    named = named or tr("none: nothing came yet")
    if by_code:
        raise StoreError(
            tr("lot: '{found}' found with several lots; allowed: {allowed}", found=text[:60], allowed=named), "lot"
        )
    raise StoreError(tr("lot: '{found}' found; allowed: {allowed}", found=text[:60], allowed=named), "lot")
