"""Log entries in words, as the pages show them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from refettle.book.log import FOR_GOOD, parse_time
from refettle.knowledge.compile import CompiledType
from refettle.knowledge.one_way import asked_for, one_way_steps
from refettle.language import decimal, local, mark, spoken, tr, tr_in
from refettle.web.templatetags.bench import engineering, minutes

KINDS = {
    "take-in": mark("Take-in"),
    "complaint": mark("Owner says"),
    "saved": mark("Data saved"),
    "caution": mark("Caution read"),
    "first-power": mark("First power-on"),
    "proof": mark("Shown first"),
    "consent": mark("Owner's consent"),
    "gear": mark("Self-check of gear"),
    "check": mark("Check"),
    "reading": mark("Reading"),
    "repair": mark("Repair"),
    "access": mark("Access"),
    "note": mark("Note"),
    "photo": mark("Photo"),
    "time": mark("Time"),
    "stage": mark("Stage"),
    "board": mark("Board file"),
    "capacitor": mark("Capacitor noted"),
    "part-out": mark("Part out"),
    "part-in": mark("Part in"),
    "part-wanted": mark("Part wanted"),
    "part-taken": mark("Part taken"),
    "part-returned": mark("Part brought back"),
    "part-let-go": mark("Wanted no longer"),
    "kit-used": mark("Kit used"),
    "off": mark("Taken off"),
    "back": mark("Put back"),
    "left-off": mark("Left off"),
    "go-ahead": mark("Go-ahead"),
    "one-way": mark("Cannot be undone"),
    "yellow": mark("Photo read"),
    "bath-in": mark("In to whiten"),
    "turned": mark("Turned"),
    "bath-out": mark("Out of the batch"),
    "timer": mark("Timer"),
    "outgoing": mark("Outgoing"),
    "quote": mark("Quote"),
    "answer": mark("Answer"),
    "values": mark("Values"),
    "warranty": mark("Warranty"),
    "returned": mark("Came back"),
    "trial": mark("Trial"),
    "cell": mark("Proving"),
    "want": mark("Trials wanted"),
    "soak": mark("Soak"),
    "safety": mark("Electrical safety"),
    "experience": mark("Experience"),
    "came-over": mark("Came over"),
    "correction": mark("Correction"),
}
LEVEL_WORDS = {"closed": mark("case closed"), "open": mark("case open"), "board": mark("board out")}
GEAR_WORDS = {
    "eye": mark("your eyes"),
    "ear": mark("your ears"),
    "meter": mark("meter"),
    "esr-meter": mark("ESR meter"),
    "scope": mark("oscilloscope"),
    "logic-probe": mark("logic probe"),
    "thermometer": mark("thermometer"),
    "test-media": mark("test tape or cartridge"),
    "known-good": mark("known-good part"),
    "owner": mark("the owner's word"),
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
    return spoken(info.name.removeprefix("Look: ")) if info else step


def outcome_words(counts: Mapping[str, int]) -> str:
    """Counts of trials: `3 of 10 no picture, 7 good`."""
    told = ", ".join(f"{n} {spoken(o)}" for o, n in counts.items() if n)
    return tr("{total} trials: {told}", total=sum(counts.values()), told=told)


def describe(kind: str, data: Mapping[str, Any], compiled: CompiledType | None = None) -> str:
    """What an entry says, in one line of words."""
    made = _DESCRIBE.get(kind)
    return made(data, compiled) if made else ""


def _check(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    if data.get("counts"):
        result = outcome_words(data["counts"])
    elif data.get("likelihood"):
        grades = ", ".join(f"{spoken(o)} {decimal(v, '.2g')}" for o, v in data["likelihood"].items())
        result = tr("graded reading: {grades}", grades=grades)
    else:
        result = spoken(str(data.get("outcome", "")))
    text = f"{step_name(compiled, data['check'])}: {result}"
    if data.get("value"):
        text += f" ({data['value']})"
    if data.get("run") == "new":
        text += ", " + tr("after switching off and on")
    return text + _spent(data)


def _spent(data: Mapping[str, Any]) -> str:
    return f", {minutes(data['minutes'])}" if data.get("minutes") is not None else ""


def _repair(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    text = tr("{step}: done", step=step_name(compiled, data["repair"])) + _spent(data)
    return text + (", " + tr("parts {amount:g}", amount=data["parts"]) if data.get("parts") is not None else "")


def _take_in(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [f"“{data['said']}”"] if data.get("said") else []
    pieces += [f"{spoken(part)} {spoken(how)}" for part, how in data.get("condition", {}).items()]
    pieces += [
        f"{spoken(name)} {tr('with it') if how == 'here' else spoken(how)}"
        for name, how in data.get("accessories", {}).items()
    ]
    if data.get("rattle"):
        pieces.append(tr("no rattle") if data["rattle"] == "none" else spoken(data["rattle"]))
    if data.get("smell"):
        pieces.append(tr("smell: {smell}", smell=data["smell"]))
    return "; ".join(pieces)


def _first_power(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    rails = compiled.loaded.unit_type.power_on.rails if compiled else {}
    pieces = [
        tr("adapter's {fact} {how}", fact=spoken(fact), how=spoken(str(how)))
        for fact, how in data.get("adapter", {}).items()
    ]
    for key, ohm in data.get("rails_ohm", {}).items():
        name = rails[key].name if key in rails else key
        pieces.append(tr("{rail} {ohm} to ground", rail=spoken(name), ohm=engineering(float(ohm), "Ω")))
    if data.get("limit_amps") is not None:
        pieces.append(tr("limit {current}", current=engineering(float(data["limit_amps"]), "A")))
    if data.get("limiter"):
        pieces.append(str(data["limiter"]))
    return "; ".join(pieces)


def _caution(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    known = compiled.loaded.library.cautions if compiled else {}
    return spoken(known[data["caution"]].name) if data["caution"] in known else str(data["caution"])


def _stage(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    return spoken(str(data["stage"])) + (
        ", " + tr("waits for {what}", what=data["waits_for"]) if data.get("waits_for") else ""
    )


def _part_out(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    said = [data["fitted"], data["printed"], data["by_net"]]
    if len(set(said)) == 1:
        lies = (
            tr("not polarised")
            if said[0] == "not polarised"
            else tr("minus {side}, all three agree", side=spoken(said[0]))
        )
    else:
        lies = tr(
            "minus as fitted {fitted}, as printed {printed}, by net {net}",
            fitted=spoken(said[0]),
            printed=spoken(said[1]),
            net=spoken(said[2]),
        )
        lies += f"; {spoken(data['minus']) if data.get('minus') else tr('not settled')}: {data.get('resolved', '')}"
    others = "; " + tr("others out: {refs}", refs=data["others_out"]) if data.get("others_out") else ""
    return f"{data['ref']}, {data['value']}, {lies}{others}"


def _off(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    length = decimal(data["length_mm"], "g") + "\u202fmm" if data.get("length_mm") else ""
    place = tr("was at {place}", place=data["place"]) if data.get("place") else ""
    tray = tr("tray place {place}", place=data["tray"]) if data.get("tray") else ""
    pieces = [f"{data.get('count', 1)} × {data['item']}", length, spoken(str(data.get("drive", ""))), place, tray]
    return ", ".join(piece for piece in pieces if piece)


def _noted(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    minus = data.get("minus")
    lies = _minus(minus) if minus else ""

    return f"{data['ref']}, {data['value']}, {spoken(data.get('side', 'front'))}{lies}"


def _minus(side: str) -> str:
    return ", " + (tr("not polarised") if side == "not polarised" else tr("minus {side}", side=spoken(side)))


def _place(place: str, compiled: CompiledType | None) -> str:
    """Where a file was taken: a block's or point's name, or the words written."""
    if compiled is None:
        return place
    return spoken(compiled.loaded.blocks[place].name) if place in compiled.loaded.blocks else step_name(compiled, place)


def _one_way_name(step: str) -> str:
    known = one_way_steps().get(step)
    return spoken(known.name) if known else step


def _go_ahead(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [f"{_one_way_name(data['step'])}: {data['what']}"]
    pieces += [f"{asked_for(key)}: {words}" for key, words in data.get("shown", {}).items()]
    pieces += [tr("{what}: photo", what=asked_for(key)) for key in data.get("photos", {})]
    if data.get("consent"):
        pieces.append(tr("consent: {words}", words=data["consent"]))
    return "; ".join(pieces)


def _yellow(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = []
    for part, figures in data.get("figures", {}).items():
        if part == data.get("reference"):
            continue
        left, off = figures.get("remaining"), figures.get("above")
        if figures.get("not_read"):
            pieces.append(tr("{part}: not read, {why}", part=part, why=spoken(figures["not_read"])))
        elif left is not None:
            pieces.append(
                tr(
                    "{part}: {left:.0f}\u2009% of the yellowing left, ±{spread:.0f} points",
                    part=part,
                    left=100 * left,
                    spread=100 * figures.get("remaining_plus_minus", 0),
                )
            )
        elif off is not None:
            pieces.append(
                tr("{part}: YI {off} against unexposed", part=part, off=decimal(off, "+.1f").replace("-", "−"))
            )
        elif figures.get("yi") is not None:
            pieces.append(tr("{part}: YI {yi:.1f}, no reference", part=part, yi=figures["yi"]))
    return "; ".join(pieces) + (" " + tr("(rough)") if data.get("rough") else "")


def _bath_in(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [
        tr(
            "{parts} into ‘{batch}’: {method}",
            parts=", ".join(data["parts"]),
            batch=data["batch"],
            method=spoken(data.get("method", "bath")),
        )
    ]
    if data.get("percent") is not None:
        pieces.append(tr("{percent:g}\u2009% w/w", percent=data["percent"]))
    if data.get("litres") is not None:
        pieces.append(decimal(data["litres"], "g") + "\u2009L")
    if data.get("lamp"):
        pieces.append(str(data["lamp"]))
    pieces.append(
        tr("without a go-ahead: {why}", why=data["without"])
        if data.get("without")
        else tr("on go-ahead {entry}", entry=data.get("go_ahead"))
    )
    return ", ".join(pieces)


def _bath_out(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    parts = ", ".join(data.get("parts", [])) or tr("all parts")
    return tr(
        "{parts} out of ‘{batch}’, {why}", parts=parts, batch=data["batch"], why=spoken(data.get("why", "to look"))
    )


def _correction(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    content = data.get("with")
    if content is None:
        return tr("Takes back entry {entry}", entry=data["corrects"])
    return tr(
        "Entry {entry} now reads: {text}",
        entry=data["corrects"],
        text=describe(content["kind"], content, compiled),
    )


def _timer(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    words = tr("started") if data["do"] == "start" else tr("stopped")
    return words + _spent(data) + (f": {data['what']}" if data.get("what") else "")


def _amount(data: Mapping[str, Any], name: str) -> str:
    return f"{local(str(data[name]))}\u202f{data['currency']}"


def _quote(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    return tr(
        "{p50} to {p90}, stop and ask at {ceiling}; {scope}; valid until {day}",
        p50=_amount(data, "p50"),
        p90=_amount(data, "p90"),
        ceiling=_amount(data, "ceiling"),
        scope=", ".join(data["scope"]),
        day=data["valid_until"],
    )


def _answer(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    to = tr("parting out") if data.get("to") == "parting out" else tr("quote {number}", number=data.get("quote"))
    text = f"{to}: {spoken(data['answer'])}: {data['words']}"
    return text + (
        "; " + tr("up to {amount}", amount=local(str(data["ceiling"]))) if data.get("ceiling") is not None else ""
    )


VALUE_WORDS = {
    "bought": mark("bought for"),
    "working": mark("working"),
    "as_is": mark("as it is"),
    "for_parts": mark("for parts"),
    "sold": mark("sold for"),
    "post": mark("post out"),
}


def _values(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    pieces = [
        f"{spoken(words)} {_amount(data, name)}" for name, words in VALUE_WORDS.items() if data.get(name) is not None
    ]
    if data.get("fee_percent") is not None:
        pieces.append(tr("selling fee {percent:g}\u202f%", percent=data["fee_percent"]))
    return ", ".join(pieces)


def _trial(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    good, bad = int(data.get("good", 0)), int(data.get("bad", 0))
    words = [f"{n} {word}" if good + bad > 1 else word for n, word in ((good, tr("good")), (bad, tr("bad"))) if n]
    return f"{_cell(data)}: {', '.join(words)}"


def _cell(data: Mapping[str, Any]) -> str:
    return f"{spoken(data['row'])}, {spoken(data['condition'])}"


def _soak(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    told = (
        tr("for {time}", time=minutes(data["minutes"]))
        if data["what"] == "started"
        else spoken(data.get("outcome", ""))
    )
    return f"{_cell(data)}: {spoken(data['what'])}, {told}"


def _safety(data: Mapping[str, Any], compiled: CompiledType | None) -> str:
    if data["what"] == "referred":
        return tr("referred to {who}", who=data["by"])
    measured = ", ".join(f"{name} {value}" for name, value in data.get("measured", {}).items())
    return tr(
        "{result}: {measured}; by {who} with {instrument}",
        result=spoken(data.get("result", "")),
        measured=measured,
        who=data["by"],
        instrument=data.get("instrument", ""),
    )


_DESCRIBE: dict[str, Callable[[Mapping[str, Any], CompiledType | None], str]] = {
    "check": _check,
    "repair": _repair,
    "take-in": _take_in,
    "first-power": _first_power,
    "caution": _caution,
    "stage": _stage,
    "correction": _correction,
    "trial": _trial,
    "cell": lambda d, c: f"{_cell(d)}: {spoken(d['said'])}",
    "want": lambda d, c: tr("{cell}: {trials} good in a row", cell=_cell(d), trials=d["trials"]),
    "soak": _soak,
    "safety": _safety,
    "off": _off,
    "back": lambda d, c: f"{d.get('count', 1)} × {d['item']}",
    "left-off": lambda d, c: f"{d['item']}: {d['why']}",
    "reading": lambda d, c: tr(
        "{method} at {place}: {figures}",
        method=tr_in("method of reading", "sound") if d["method"] == "sound" else spoken(d["method"]),
        place=_place(d["place"], c),
        figures="; ".join(f"{spoken(k)} {v}" for k, v in d.get("figures", {}).items()),
    ),
    "experience": lambda d, c: (
        tr("weights as {jobs} finished jobs have taught", jobs=d["jobs"])
        + (
            ": "
            + ", ".join(f"{spoken(c.block_name(b)) if c else b} × {decimal(f, '.2g')}" for b, f in d["factors"].items())
            if d["factors"]
            else ""
        )
    ),
    "came-over": lambda d, c: (
        tr(
            "from bench {bench}, where it was job {job}, with {entries} entries",
            bench=d["bench"][:8],
            job=d["job"],
            entries=d["entries"],
        )
        + ("; " + tr("its owner was left out") if d.get("owner") == "left out" else "")
    ),
    "go-ahead": _go_ahead,
    "one-way": lambda d, c: (
        f"{_one_way_name(d['step'])}: {d['what']}"
        + (
            "; " + tr("without a go-ahead: {why}", why=d["without"])
            if d.get("without")
            else "; " + tr("on go-ahead {entry}", entry=d["go_ahead"])
        )
    ),
    "yellow": _yellow,
    "bath-in": _bath_in,
    "turned": lambda d, c: f"‘{d['batch']}’",
    "bath-out": _bath_out,
    "board": lambda d, c: str(d["name"]) + (", " + tr("with its netlist") if d.get("netlist") else ""),
    "capacitor": _noted,
    "part-out": _part_out,
    "part-in": lambda d, c: f"{d['ref']}, {d['value']}" + ("" if d["minus"] == "not polarised" else _minus(d["minus"])),
    "part-wanted": lambda d, c: (
        f"{d.get('count', 1)} × {d['what']}"
        + _for_refs(d)
        + (", " + tr("by {day}", day=d["by"]) if d.get("by") else "")
    ),
    "part-taken": lambda d, c: (
        tr("{count} × {part} of lot {lot}", count=d["count"], part=d["part"], lot=d["lot"]) + _for_refs(d)
    ),
    "part-returned": lambda d, c: (
        tr("{count} of entry {entry}", count=d["count"], entry=d["taken"])
        + (", " + tr("into quarantine") if d.get("into") == "quarantine" else "")
        + f": {d['why']}"
    ),
    "part-let-go": lambda d, c: tr("entry {entry}: {why}", entry=d["wanted"], why=d["why"]),
    "kit-used": lambda d, c: f"{d['kit']}" + _for_refs(d),
    "timer": _timer,
    "outgoing": lambda d, c: f"{d['what']}, {_amount(d, 'amount')}, {spoken(d.get('sort', 'other'))}",
    "quote": _quote,
    "answer": _answer,
    "values": _values,
    "warranty": lambda d, c: tr(
        "{days} days from {start}: {covers}",
        days=d["days"],
        start=d.get("starts") or tr("this day"),
        covers=d["covers"],
    ),
    "returned": lambda d, c: f"{d['why']}" + ("; " + tr("job {job}", job=d["job"]) if d.get("job") else ""),
    "complaint": lambda d, c: f"{step_name(c, d['point'])}: {spoken(d['outcome'])}",
    "saved": lambda d, c: f"{spoken(d['what'])}: {spoken(d['how'])}",
    "proof": lambda d, c: f"{step_name(c, d['repair'])}: {d['text']}",
    "consent": lambda d, c: f"{step_name(c, d['repair'])}: {d['text']}",
    "gear": lambda d, c: f"{spoken(GEAR_WORDS.get(d['gear'], d['gear']))}: {spoken(d['outcome'])}",
    "access": lambda d, c: spoken(LEVEL_WORDS.get(d["level"], d["level"])),
    "note": lambda d, c: str(d["text"]),
    "photo": lambda d, c: str(d.get("caption", "")),
    "time": lambda d, c: minutes(d["minutes"]) + (f", {d['what']}" if d.get("what") else ""),
}


def _for_refs(data: Mapping[str, Any]) -> str:
    return " " + tr("for {places}", places=", ".join(data["refs"])) if data.get("refs") else ""


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
        title=spoken(KINDS.get(kind, kind)),
        text=describe(kind, entry, compiled),
        note=note,
        photo=str(entry.get("photo") or ""),
        corrected_by=corrected.get(n),
        corrects=entry["corrects"] if kind == "correction" else None,
        can_correct=kind not in ("correction", *FOR_GOOD),
    )
