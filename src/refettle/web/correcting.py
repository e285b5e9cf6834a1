"""A form for any kind of entry, made from the entry's own fields, so that every entry can be put right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from refettle.book.log import ENTRY_KINDS, LogError
from refettle.faults import GOOD
from refettle.knowledge.compile import CompiledType
from refettle.language import mark, tr

KEPT = {"kind", "check", "repair", "photo", "likelihood", "caution", "gear", "step", "go_ahead", "photos"} | {
    "method",
    "file",
    "options",
    "figures",
    "version",
    "decides",
    "frame",
    "regions",
    "reference",
    "neutral",
    "rough",
    "first",
    "gates",
    "professional",
}
"""What a correction does not change: to log another step instead, take this one back and log that one."""
LONG = {"text", "said", "note", "limiter", "smell"}
LABELS = {
    "outcome": mark("What was found"),
    "counts": mark("Trials"),
    "value": mark("Value read"),
    "minutes": mark("Minutes"),
    "parts": mark("Parts"),
    "run": mark("Run"),
    "rails_ohm": mark("Rails to ground, in ohm"),
    "limit_amps": mark("Current limit, in ampere"),
    "waits_for": mark("Waits for"),
    "adapter": mark("Adapter's facts"),
    "item": mark("Its name"),
    "what": mark("What it is"),
    "length_mm": mark("Length, in mm"),
    "tray": mark("Tray place"),
    "place": mark("Where it was"),
    "do": mark("Start or stop"),
    "p50": "P50",
    "p90": "P90",
    "sort": mark("For"),
    "fee_percent": mark("Selling fee, percent"),
    "as_is": mark("As it is"),
    "for_parts": mark("For parts"),
    "percent": mark("Strength, % w/w"),
    "mw_cm2": mark("Light at the part, mW/cm²"),
    "turn_every": mark("Turn every, min"),
    "check_every": mark("Look every, min"),
    "without": mark("Why without a go-ahead"),
    "taken": mark("How the photo was taken"),
}
WORDS = {"same": mark("same run"), "new": mark("switched off and on again first")}


@dataclass(frozen=True)
class Field:
    """One field of the form. `kind`: select, lines, number, long, text."""

    name: str
    label: str
    kind: str
    value: str
    options: tuple[tuple[str, str], ...] = ()
    hint: str = ""


def _plain(annotation: Any) -> Any:
    """The annotation without `Annotated` and `| None`."""
    while True:
        origin = get_origin(annotation)
        if origin is Annotated:
            annotation = get_args(annotation)[0]
        elif origin in (Union, UnionType):
            annotation = next(a for a in get_args(annotation) if a is not type(None))
        else:
            return annotation


def _editable(kind: str, data: Mapping[str, Any]) -> list[tuple[str, Any]]:
    out = []
    for name, info in ENTRY_KINDS[kind].model_fields.items():
        if name in KEPT or (kind == "check" and name == ("outcome" if data.get("counts") else "counts")):
            continue
        if kind == "check" and name == "outcome" and data.get("likelihood"):
            continue
        if kind == "reading" and name in ("place", "name"):
            continue  # what it decides follows from where it was taken: read it again instead
        out.append((name, _plain(info.annotation)))
    return out


def fields(
    kind: str, data: Mapping[str, Any], compiled: CompiledType | None, typed: Mapping[str, Any] | None = None
) -> list[Field]:
    """The form's fields with what the entry holds now, or with what was typed."""
    made = []
    for name, annotation in _editable(kind, data):
        label = tr(LABELS.get(name, name.replace("_", " ").capitalize()))
        value = data.get(name)
        options = _options(kind, name, data, annotation, compiled)
        if get_origin(annotation) is dict:
            text = "\n".join(f"{k}: {v:g}" if isinstance(v, float) else f"{k}: {v}" for k, v in (value or {}).items())
            made.append(_field(name, label, "lines", text, typed, hint=tr("One a line, as name: value")))
        elif get_origin(annotation) is list:
            made.append(_field(name, label, "lines", "\n".join(value or []), typed, hint=tr("One a line")))
        elif options:
            default = ENTRY_KINDS[kind].model_fields[name].default
            shown = str(value) if value is not None else str(default) if isinstance(default, str) else ""
            made.append(_field(name, label, "select", shown, typed, options))
        elif annotation in (float, int):
            made.append(_field(name, label, "number", "" if value is None else f"{value:g}", typed))
        else:
            made.append(_field(name, label, "long" if name in LONG else "text", str(value or ""), typed))
    return made


def _field(
    name: str,
    label: str,
    kind: str,
    value: str,
    typed: Mapping[str, Any] | None,
    options: tuple[tuple[str, str], ...] = (),
    hint: str = "",
) -> Field:
    value = str(typed.get(f"f-{name}", value)) if typed else value
    return Field(name, label, kind, value, options, hint)


def _options(
    kind: str, name: str, data: Mapping[str, Any], annotation: Any, compiled: CompiledType | None
) -> tuple[tuple[str, str], ...]:
    if get_origin(annotation) is Literal:
        return tuple((str(a), tr(WORDS.get(str(a), str(a)))) for a in get_args(annotation))
    if compiled is None:
        return ()
    step = compiled.steps.get(str(data.get("check") or data.get("point") or ""))
    if name == "outcome" and step is not None:
        names = [GOOD, *(o for o in step.outcomes if o != GOOD)]
        return tuple((o, tr("good: {good}", good=step.good) if o == GOOD else o) for o in names)
    if name == "point":
        return tuple((s.id, s.name.removeprefix("Look: ")) for s in compiled.steps.values() if s.is_point)
    return ()


def content(kind: str, data: Mapping[str, Any], form: Mapping[str, Any]) -> dict[str, Any]:
    """The entry as the form wants it. Raises LogError naming the field."""
    made: dict[str, Any] = {k: v for k, v in data.items() if k in KEPT}
    made["kind"] = kind
    for name, annotation in _editable(kind, data):
        text = str(form.get(f"f-{name}", "")).replace("\r\n", "\n").strip()
        if not text:
            continue
        if get_origin(annotation) is dict:
            made[name] = _mapping(text, tr(LABELS.get(name, name)), name in ("counts", "rails_ohm"))
        elif get_origin(annotation) is list:
            made[name] = [line.strip() for line in text.split("\n") if line.strip()]
        elif annotation in (float, int):
            made[name] = _number(text, tr(LABELS.get(name, name)))
        else:
            made[name] = text
    return made


def _mapping(text: str, label: str, numbers: bool) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        if not line.strip():
            continue
        key, sign, value = line.rpartition(":")
        if not sign or not key.strip():
            raise LogError(
                tr(
                    "{label}, line {number}: '{text}' found; allowed: name: value",
                    label=label,
                    number=number,
                    text=line.strip()[:60],
                ),
                field=label,
            )
        made[key.strip()] = (
            _number(value, tr("{label}, line {number}", label=label, number=number)) if numbers else value.strip()
        )
    return made


def _number(text: str, label: str) -> float | int:
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise LogError(
            tr("{label}: '{text}' found; allowed: a number", label=label, text=text.strip()[:40]), field=label
        ) from None
    return int(value) if value == value and abs(value) < 1e12 and value == int(value) else value
