"""Log entries in words, as the pages show them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from refettle.book.log import FOR_GOOD, parse_time
from refettle.knowledge.compile import CompiledType
from refettle.knowledge.one_way import one_way_steps
from refettle.web.templatetags.bench import engineering, minutes

KINDS = {
    "take-in": "Take-in",
    "complaint": "Owner says",
    "saved": "Data saved",
    "caution": "Caution read",
    "first-power": "First power-on",
    "proof": "Shown first",
    "consent": "Owner's consent",
    "gear": "Self-check of gear",
    "check": "Check",
    "reading": "Reading",
    "repair": "Repair",
    "access": "Access",
    "note": "Note",
    "photo": "Photo",
    "time": "Time",
    "stage": "Stage",
    "board": "Board file",
    "capacitor": "Capacitor noted",
    "part-out": "Part out",
    "part-in": "Part in",
    "part-wanted": "Part wanted",
    "part-taken": "Part taken",
    "part-returned": "Part brought back",
    "part-let-go": "Wanted no longer",
    "kit-used": "Kit used",
    "off": "Taken off",
    "back": "Put back",
    "left-off": "Left off",
    "go-ahead": "Go-ahead",
    "one-way": "Cannot be undone",
    "yellow": "Photo read",
    "bath-in": "In to whiten",
    "turned": "Turned",
    "bath-out": "Out of the batch",
    "timer": "Timer",
    "outgoing": "Outgoing",
    "quote": "Quote",
    "answer": "Answer",
    "values": "Values",
    "warranty": "Warranty",
    "returned": "Came back",
    "trial": "Trial",
    "cell": "Proving",
    "want": "Trials wanted",
    "soak": "Soak",
    "safety": "Electrical safety",
    "experience": "Experience",
    "came-over": "Came over",
    "correction": "Correction",
}
LEVEL_WORDS = {"closed": "case closed", "open": "case open", "board": "board out"}
GEAR_WORDS = {
    "eye": "your eyes",
    "ear": "your ears",
    "meter": "meter",
    "esr-meter": "ESR meter",
    "scope": "oscilloscope",
    "logic-probe": "logic probe",
    "thermometer": "thermometer",
    "test-media": "test tape or cartridge",
    "known-good": "known-good part",
    "owner": "the owner's word",
}


@dataclass(frozen=True)
class Line:
    """One entry of the log as shown: what it says, and what became of it."""

    n: int
    at: datetime
    who: str
    kind: str
    title: str
    text: str
    note: str = ""
    photo: str = ""
    corrected_by: int | None = None
    corrects: int | None = None
    can_correct: bool = True


def step_name(compiled: CompiledType | None, step: str) -> str:
    """A step's name, or its id where the type does not know it."""
    info = compiled.steps.get(step) if compiled else None
    return info.name.removeprefix("Look: ") if info else step


def outcome_words(counts: Mapping[str, int]) -> str:
    """Counts of trials: `3 of 10 no picture, 7 good`."""
    total = sum(counts.values())
    return f"{total} trials: " + ", ".join(f"{n} {o}" for o, n in counts.items() if n)


def describe(kind: str, data: Mapping[str, Any], compiled: CompiledType | None = None) -> str:
    """What an entry says, in one line of words."""
    made = _DESCRIBE.get(kind)
    return made(data, compiled) if made else ""


def _check(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    if data.get("counts"):
        result = outcome_words(data["counts"])
    elif data.get("likelihood"):
        result = "graded reading: " + ", ".join(f"{o} {v:.2g}" for o, v in data["likelihood"].items())
    else:
        result = str(data.get("outcome", ""))
    text = f"{step_name(compiled, data['check'])}: {result}"
    if data.get("value"):
        text += f" ({data['value']})"
    if data.get("run") == "new":
        text += ", after switching off and on"
    return text + _spent(data)


def _spent(data: Mapping[str, Any]) -> str:
    return f", {minutes(data['minutes'])}" if data.get("minutes") is not None else ""


def _repair(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    text = f"{step_name(compiled, data['repair'])}: done" + _spent(data)
    return text + (f", parts {data['parts']:g}" if data.get("parts") is not None else "")


def _take_in(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [f"“{data['said']}”"] if data.get("said") else []
    pieces += [f"{part} {how}" for part, how in data.get("condition", {}).items()]
    pieces += [f"{name} {'with it' if how == 'here' else how}" for name, how in data.get("accessories", {}).items()]
    if data.get("rattle"):
        pieces.append({"rattles": "rattles", "none": "no rattle"}.get(data["rattle"], data["rattle"]))
    if data.get("smell"):
        pieces.append(f"smell: {data['smell']}")
    return "; ".join(pieces)


def _first_power(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    rails = compiled.loaded.unit_type.power_on.rails if compiled else {}
    pieces = [f"adapter's {fact} {how}" for fact, how in data.get("adapter", {}).items()]
    for key, ohm in data.get("rails_ohm", {}).items():
        name = rails[key].name if key in rails else key
        pieces.append(f"{name} {engineering(float(ohm), 'Ω')} to ground")
    if data.get("limit_amps") is not None:
        pieces.append(f"limit {engineering(float(data['limit_amps']), 'A')}")
    if data.get("limiter"):
        pieces.append(str(data["limiter"]))
    return "; ".join(pieces)


def _caution(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    known = compiled.loaded.library.cautions if compiled else {}
    return known[data["caution"]].name if data["caution"] in known else str(data["caution"])


def _stage(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    return str(data["stage"]) + (f", waits for {data['waits_for']}" if data.get("waits_for") else "")


def _part_out(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    said = [data["fitted"], data["printed"], data["by_net"]]
    if len(set(said)) == 1:
        lies = "not polarised" if said[0] == "not polarised" else f"minus {said[0]}, all three agree"
    else:
        lies = f"minus as fitted {said[0]}, as printed {said[1]}, by net {said[2]}"
        lies += f"; {data.get('minus', 'not settled')}: {data.get('resolved', '')}"
    others = f"; others out: {data['others_out']}" if data.get("others_out") else ""
    return f"{data['ref']}, {data['value']}, {lies}{others}"


def _off(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    length = f"{data['length_mm']:g}\u202fmm" if data.get("length_mm") else ""
    place = f"was at {data['place']}" if data.get("place") else ""
    tray = f"tray place {data['tray']}" if data.get("tray") else ""
    pieces = [f"{data.get('count', 1)} × {data['item']}", length, str(data.get("drive", "")), place, tray]
    return ", ".join(piece for piece in pieces if piece)


def _noted(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    minus = data.get("minus")
    lies = "" if not minus else ", not polarised" if minus == "not polarised" else f", minus {minus}"
    return f"{data['ref']}, {data['value']}, {data.get('side', 'front')}{lies}"


def _place(place: str, compiled: CompiledType | None) -> str:
    """Where a file was taken: a block's or point's name, or the words written."""
    if compiled is None:
        return place
    return compiled.loaded.blocks[place].name if place in compiled.loaded.blocks else step_name(compiled, place)


def _one_way_name(step: str) -> str:
    known = one_way_steps().get(step)
    return known.name if known else step


def _go_ahead(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [f"{_one_way_name(data['step'])}: {data['what']}"]
    pieces += [f"{key}: {words}" for key, words in data.get("shown", {}).items()]
    pieces += [f"{key}: photo" for key in data.get("photos", {})]
    if data.get("consent"):
        pieces.append(f"consent: {data['consent']}")
    return "; ".join(pieces)


def _yellow(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = []
    for part, figures in data.get("figures", {}).items():
        if part == data.get("reference"):
            continue
        left, off = figures.get("remaining"), figures.get("above")
        if figures.get("not_read"):
            pieces.append(f"{part}: not read, {figures['not_read']}")
        elif left is not None:
            pieces.append(
                f"{part}: {100 * left:.0f}\u2009% of the yellowing left, "
                f"±{100 * figures.get('remaining_plus_minus', 0):.0f} points"
            )
        elif off is not None:
            pieces.append(f"{part}: YI {off:+.1f} against unexposed".replace("-", "−"))
        elif figures.get("yi") is not None:
            pieces.append(f"{part}: YI {figures['yi']:.1f}, no reference")
    return "; ".join(pieces) + (" (rough)" if data.get("rough") else "")


def _bath_in(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [f"{', '.join(data['parts'])} into ‘{data['batch']}’: {data.get('method', 'bath')}"]
    if data.get("percent") is not None:
        pieces.append(f"{data['percent']:g}\u2009% w/w")
    if data.get("litres") is not None:
        pieces.append(f"{data['litres']:g}\u2009L")
    if data.get("lamp"):
        pieces.append(str(data["lamp"]))
    pieces.append(
        f"without a go-ahead: {data['without']}" if data.get("without") else f"on go-ahead {data.get('go_ahead')}"
    )
    return ", ".join(pieces)


def _bath_out(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    parts = ", ".join(data.get("parts", [])) or "all parts"
    return f"{parts} out of ‘{data['batch']}’, {data.get('why', 'to look')}"


def _correction(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    content = data.get("with")
    if content is None:
        return f"Takes back entry {data['corrects']}"
    return f"Entry {data['corrects']} now reads: {describe(content['kind'], content, compiled)}"


def _timer(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    words = "started" if data["do"] == "start" else "stopped"
    return words + _spent(data) + (f": {data['what']}" if data.get("what") else "")


def _amount(data: Mapping[str, Any], name: str) -> str:
    return f"{data[name]}\u202f{data['currency']}"


def _quote(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    text = f"{_amount(data, 'p50')} to {_amount(data, 'p90')}, stop and ask at {_amount(data, 'ceiling')}"
    return f"{text}; {', '.join(data['scope'])}; valid until {data['valid_until']}"


def _answer(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    to = "parting out" if data.get("to") == "parting out" else f"quote {data.get('quote')}"
    text = f"{to}: {data['answer']}: {data['words']}"
    return text + (f"; up to {data['ceiling']}" if data.get("ceiling") is not None else "")


VALUE_WORDS = {
    "bought": "bought for",
    "working": "working",
    "as_is": "as it is",
    "for_parts": "for parts",
    "sold": "sold for",
    "post": "post out",
}


def _values(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [f"{words} {_amount(data, name)}" for name, words in VALUE_WORDS.items() if data.get(name) is not None]
    if data.get("fee_percent") is not None:
        pieces.append(f"selling fee {data['fee_percent']:g}\u202f%")
    return ", ".join(pieces)


def _trial(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    good, bad = int(data.get("good", 0)), int(data.get("bad", 0))
    words = [f"{n} {word}" if good + bad > 1 else word for n, word in ((good, "good"), (bad, "bad")) if n]
    return f"{data['row']}, {data['condition']}: {', '.join(words)}"


def _soak(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    told = f"for {minutes(data['minutes'])}" if data["what"] == "started" else str(data.get("outcome", ""))
    return f"{data['row']}, {data['condition']}: {data['what']}, {told}"


def _safety(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    if data["what"] == "referred":
        return f"referred to {data['by']}"
    measured = ", ".join(f"{name} {value}" for name, value in data.get("measured", {}).items())
    return f"{data.get('result', '')}: {measured}; by {data['by']} with {data.get('instrument', '')}"


_DESCRIBE: dict[str, Callable[[Mapping[str, Any], CompiledType | None], str]] = {
    "check": _check,
    "repair": _repair,
    "take-in": _take_in,
    "first-power": _first_power,
    "caution": _caution,
    "stage": _stage,
    "correction": _correction,
    "trial": _trial,
    "cell": lambda d, c: f"{d['row']}, {d['condition']}: {d['said']}",
    "want": lambda d, c: f"{d['row']}, {d['condition']}: {d['trials']} good in a row",
    "soak": _soak,
    "safety": _safety,
    "off": _off,
    "back": lambda d, c: f"{d.get('count', 1)} × {d['item']}",
    "left-off": lambda d, c: f"{d['item']}: {d['why']}",
    "reading": lambda d, c: (
        f"{d['method']} at {_place(d['place'], c)}: " + "; ".join(f"{k} {v}" for k, v in d.get("figures", {}).items())
    ),
    "experience": lambda d, c: (
        f"weights as {d['jobs']} finished jobs have taught"
        + (
            ": " + ", ".join(f"{c.block_name(b) if c else b} × {f:.2g}" for b, f in d["factors"].items())
            if d["factors"]
            else ""
        )
    ),
    "came-over": lambda d, c: (
        f"from bench {d['bench'][:8]}, where it was job {d['job']}, with {d['entries']} entries"
        + ("; its owner was left out" if d.get("owner") == "left out" else "")
    ),
    "go-ahead": _go_ahead,
    "one-way": lambda d, c: (
        f"{_one_way_name(d['step'])}: {d['what']}"
        + (f"; without a go-ahead: {d['without']}" if d.get("without") else f"; on go-ahead {d['go_ahead']}")
    ),
    "yellow": _yellow,
    "bath-in": _bath_in,
    "turned": lambda d, c: f"‘{d['batch']}’",
    "bath-out": _bath_out,
    "board": lambda d, c: str(d["name"]) + (", with its netlist" if d.get("netlist") else ""),
    "capacitor": _noted,
    "part-out": _part_out,
    "part-in": lambda d, c: (
        f"{d['ref']}, {d['value']}" + ("" if d["minus"] == "not polarised" else f", minus {d['minus']}")
    ),
    "part-wanted": lambda d, c: (
        f"{d.get('count', 1)} × {d['what']}" + _for_refs(d) + (f", by {d['by']}" if d.get("by") else "")
    ),
    "part-taken": lambda d, c: f"{d['count']} × {d['part']} of lot {d['lot']}" + _for_refs(d),
    "part-returned": lambda d, c: (
        f"{d['count']} of entry {d['taken']}"
        + (", into quarantine" if d.get("into") == "quarantine" else "")
        + f": {d['why']}"
    ),
    "part-let-go": lambda d, c: f"entry {d['wanted']}: {d['why']}",
    "kit-used": lambda d, c: f"{d['kit']}" + _for_refs(d),
    "timer": _timer,
    "outgoing": lambda d, c: f"{d['what']}, {_amount(d, 'amount')}, {d.get('sort', 'other')}",
    "quote": _quote,
    "answer": _answer,
    "values": _values,
    "warranty": lambda d, c: f"{d['days']} days from {d.get('starts') or 'this day'}: {d['covers']}",
    "returned": lambda d, c: f"{d['why']}" + (f"; job {d['job']}" if d.get("job") else ""),
    "complaint": lambda d, c: f"{step_name(c, d['point'])}: {d['outcome']}",
    "saved": lambda d, c: f"{d['what']}: {d['how']}",
    "proof": lambda d, c: f"{step_name(c, d['repair'])}: {d['text']}",
    "consent": lambda d, c: f"{step_name(c, d['repair'])}: {d['text']}",
    "gear": lambda d, c: f"{GEAR_WORDS.get(d['gear'], d['gear'])}: {d['outcome']}",
    "access": lambda d, c: LEVEL_WORDS.get(d["level"], d["level"]),
    "note": lambda d, c: str(d["text"]),
    "photo": lambda d, c: str(d.get("caption", "")),
    "time": lambda d, c: minutes(d["minutes"]) + (f", {d['what']}" if d.get("what") else ""),
}


def _for_refs(data: Mapping[str, Any]) -> str:
    return f" for {', '.join(data['refs'])}" if data.get("refs") else ""


def lines(entries: list[dict[str, Any]], compiled: CompiledType | None) -> list[Line]:
    """The log, newest first, each entry with what corrected it."""
    corrected: dict[int, int] = {e["corrects"]: e["n"] for e in entries if e["kind"] == "correction"}
    made = [_line(entry, corrected, compiled) for entry in entries]
    return made[::-1]


def _line(entry: dict[str, Any], corrected: Mapping[int, int], compiled: CompiledType | None) -> Line:
    kind, n = entry["kind"], entry["n"]
    note = str(
        entry.get("note", "")
        or (entry.get("why", "") if kind not in ("left-off", "returned", "part-returned", "part-let-go") else "")
    )
    return Line(
        n=n,
        at=parse_time(entry["at"]),
        who=str(entry.get("who", "")),
        kind=kind,
        title=KINDS.get(kind, kind),
        text=describe(kind, entry, compiled),
        note=note,
        photo=str(entry.get("photo") or ""),
        corrected_by=corrected.get(n),
        corrects=entry["corrects"] if kind == "correction" else None,
        can_correct=kind not in ("correction", *FOR_GOOD),
    )
