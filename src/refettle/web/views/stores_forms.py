"""The forms of a part's page: what each asks, and what it writes into the ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from django.contrib import messages
from django.http import HttpRequest

from refettle.book import shelf_life, store, stores, wants
from refettle.book.log import LogError
from refettle.book.models import Job
from refettle.book.models_stores import Movement, Part, Reservation
from refettle.book.reservations import reserve
from refettle.book.store import StoreError
from refettle.book.stores_moves import holder, open_reservations, quantity
from refettle.book.stores_parts import edit_part
from refettle.language import mark, several, tr
from refettle.web.signing import who
from refettle.web.views.common import write_once
from refettle.web.views.stores_fields import Field, Form, came_from, lot_fields, lot_from, lot_name, text

OLDEST = mark("the oldest first")


@dataclass(frozen=True)
class Action:
    """One thing that can be done with a part."""

    title: str
    button: str
    fields: Callable[[Part], list[Field]]
    write: Callable[[Part, Mapping[str, Any], list[Reservation]], str]
    lead: str = ""
    open: Callable[[Part], bool] = field(default=lambda part: True)


def offered(part: Part) -> list[tuple[str, str]]:
    """What can be done with the part as it stands."""
    return [(do, tr(action.title)) for do, action in ACTIONS.items() if do not in HIDDEN and action.open(part)]


def form_of(part: Part, do: str, typed: Mapping[str, Any], keep: bool) -> Form | None:
    """The form asked for, with what was typed where `keep`."""
    action = ACTIONS.get(do)
    if action is None:
        return None
    fields = []
    for each in action.fields(part):
        chosen = tuple(typed.getlist(each.name)) if hasattr(typed, "getlist") and each.kind == "checks" else ()
        said = str(typed.get(each.name, "")) if keep or each.name in typed else each.value
        fields.append(Field(each.name, each.label, each.kind, each.hint, each.needed, each.options, said, chosen))
    return Form(do, tr(action.title), tr(action.lead), tr(action.button), tuple(fields))


def write(request: HttpRequest, part: Part) -> None:
    """Do what a sent form asks. Raises StoreError."""
    do = request.POST.get("do", "")
    action = ACTIONS.get(do)
    if action is None:
        raise StoreError(tr("do: '{do}' found; allowed: {actions}", do=do[:30], actions=", ".join(ACTIONS)), "do")
    named = [int(pk) for pk in request.POST.getlist("let_go") if pk.isdecimal() and len(pk) < 10]
    letting = list(Reservation.objects.filter(pk__in=named, part=part, closed=None))
    said: list[str] = []
    if write_once(request, lambda: said.append(action.write(part, request.POST, letting))) and said:
        messages.success(request, said[0])


# ---------------------------------------------------------------- fields


def _count(label: str = mark("How many"), value: str = "", hint: str = "") -> Field:
    return Field("count", tr(label), "number", hint, needed=True, value=value)


def _lot(part: Part, quarantined: bool = False) -> list[Field]:
    held = part.lots.filter(quarantined__gt=0) if quarantined else part.lots.filter(on_hand__gt=0)
    lots = list(held.order_by("pk")[:200])
    if len(lots) < 2:
        return []
    named = [(str(lot.pk), f"{lot_name(lot)}: {lot.quarantined if quarantined else lot.on_hand}") for lot in lots]
    return [Field("lot", tr("Out of which lot"), "choice", options=(("", tr(OLDEST)), *named))]


def _promised(part: Part) -> list[Field]:
    """Reservations that may suffer, where there are any."""
    options = tuple((str(r.pk), f"{holder(r)}: {r.quantity}") for r in open_reservations(part))
    hint = tr("Only what must go is let go; the others stay promised.")
    return (
        [Field("let_go", tr("If it cuts into what is promised, let go"), "checks", hint, options=options)]
        if options
        else []
    )


def _receive_fields(part: Part) -> list[Field]:
    return [
        _count(),
        *lot_fields(part),
        Field("quarantine", tr("Of unknown source: into quarantine until shown good"), "check"),
        Field("note", tr("Note")),
    ]


def _job_field() -> Field:
    jobs = Job.objects.with_unit().filter(closed=None).order_by("-number")[:200]
    named = [(str(j.number), f"{j.number}: {j.unit.type_version.name}, {j.unit}") for j in jobs]
    return Field("job", tr("For which job"), "choice", options=(("", tr("choose")), *named), needed=True)


def job_from(form: Mapping[str, Any], needed: bool = True) -> Job | None:
    """The job chosen. Raises StoreError."""
    typed = text(form, "job")
    if not typed and not needed:
        return None
    if not typed.isdecimal() or len(typed) > 8:
        raise StoreError(tr("job: '{typed}' found; allowed: the number of an open job", typed=typed[:40]), "job")
    return store.find_job(int(typed))


# ---------------------------------------------------------------- writing


def _number(form: Mapping[str, Any], name: str = "count") -> Any:
    return text(form, name)


def _receive(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    aside = bool(form.get("quarantine"))
    made = stores.receive(
        part, _number(form), who=who(), came=came_from(form), quarantine=aside, note=text(form, "note")
    )
    return f"{made.on_hand or made.quarantined} {'put in quarantine' if aside else 'received'}."


def _reserve(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    job = job_from(form)
    made = reserve(part, _number(form), who=who(), job=job)
    return tr("{quantity} reserved for job {job}.", quantity=made.quantity, job=job.number if job else "")


def _take(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    job = job_from(form)
    refs = [each for each in text(form, "refs").replace(",", " ").split() if each]
    if job is None:
        raise StoreError(tr("job: nothing found; allowed: the number of an open job"), "job")
    count, wanted = quantity(_number(form)), wants.want_of_part(job, part)
    try:
        made = wants.take_for_job(
            job,
            part,
            count,
            who=who(),
            wanted=wanted,
            lot=lot_from(part, form),
            refs=refs,
            note=text(form, "note"),
        )
    except LogError as error:
        raise StoreError(str(error), error.field or "job") from None
    said = tr(" and ").join(str(each.n) for each in made)
    serves = tr(", for what it wants by entry {wanted}", wanted=wanted) if wanted is not None else ""
    return several(
        "{count} taken for job {number}; in its log as entry {said}{serves}.",
        "{count} taken for job {number}; in its log as entries {said}{serves}.",
        len(made),
        count=count,
        number=job.number,
        said=said,
        serves=serves,
    )


def _count_write(part: Part, form: Mapping[str, Any], letting: list[Reservation]) -> str:
    lines = stores.count(
        part, _number(form), who=who(), lot=lot_from(part, form), let_go=letting, note=text(form, "note")
    )
    change = sum(line.on_hand for line in lines)
    return tr("Counted: as the ledger says.") if not change else tr("Counted: {change:+d}.", change=change)


def _scrap(part: Part, form: Mapping[str, Any], letting: list[Reservation]) -> str:
    aside = bool(form.get("from_quarantine"))
    stores.scrap(
        part,
        _number(form),
        who=who(),
        why=text(form, "why"),
        lot=lot_from(part, form),
        from_quarantine=aside,
        let_go=letting,
    )
    return tr("{pieces} scrapped.", pieces=_number(form))


def _quarantine(part: Part, form: Mapping[str, Any], letting: list[Reservation]) -> str:
    stores.quarantine(part, _number(form), who=who(), why=text(form, "why"), lot=lot_from(part, form), let_go=letting)
    return tr("{pieces} put in quarantine.", pieces=_number(form))


def _release(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    stores.release(part, _number(form), who=who(), how=text(form, "how"), lot=lot_from(part, form))
    return tr("{pieces} released from quarantine.", pieces=_number(form))


def _donor(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    stores.from_donor(
        part,
        _number(form),
        who=who(),
        job=job_from(form, needed=False),
        unit=text(form, "unit"),
        came=came_from(form),
        note=text(form, "note"),
    )
    return tr("{pieces} taken from the donor, in quarantine until shown good.", pieces=_number(form))


def _place(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    edit_part(part, who=who(), place=text(form, "place"))
    return tr("It lies in {place} now.", place=part.place) if part.place else tr("It has no place now.")


CHANGED = (
    "name", "kind", "maker", "place", "note", "mount", "diameter_mm", "height_mm", "pitch_mm", "gram", "lead_days",
    "shelf_days", "reorder_at",
)  # fmt: skip


def _change(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    said: dict[str, Any] = {name: text(form, name) for name in CHANGED if name in form}
    said["no_reorder"] = bool(form.get("no_reorder"))
    edit_part(part, who=who(), value=text(form, "value") or None, **said)
    return "Changed."


def _correct(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    typed = text(form, "line")
    line = Movement.objects.filter(part=part, pk=int(typed)).first() if typed.isdecimal() and len(typed) < 12 else None
    if line is None:
        raise StoreError(tr("line: '{typed}' found; allowed: a line of this part's ledger", typed=typed[:40]), "line")
    stores.correct(line, who=who(), why=text(form, "why"), count=_number(form) or 0)
    return tr("Line {line} is put right; it stays in the ledger with the line that corrects it.", line=line.pk)


def _looked(part: Part, form: Mapping[str, Any], _: list[Reservation]) -> str:
    lot = lot_from(part, form)
    if lot is None:
        raise StoreError(tr("lot: nothing found; allowed: a lot of {code}", code=part.code), "lot")
    shelf_life.done(lot, who=who(), what=text(form, "what"))
    return tr("{code}, {lot}: looked at; its time in store begins anew.", code=part.code, lot=lot_name(lot))


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _change_fields(part: Part) -> list[Field]:
    return [
        Field("name", tr("Name"), needed=True, value=part.name),
        Field("value", tr("Value anew"), hint=tr("As 4u7 50v 105C; empty: it stays as it is.")),
        Field("kind", tr("Kind"), value=part.kind),
        Field("maker", tr("Maker"), value=part.maker),
        Field("place", tr("Place"), value=part.place),
        Field("diameter_mm", tr("Diameter, mm"), "number", value=_figure(part.diameter_mm)),
        Field("height_mm", tr("Height, mm"), "number", value=_figure(part.height_mm)),
        Field("pitch_mm", tr("Pitch of its leads, mm"), "number", value=_figure(part.pitch_mm)),
        Field("gram", tr("Weight of one, g"), "number", value=_figure(part.gram)),
        Field("lead_days", tr("Days until it comes"), "number", value=str(part.lead_days)),
        Field("reorder_at", tr("Order when so many are left"), "number", tr("Empty: by its use."),
              value=_figure(part.reorder_at)),
        Field("shelf_days", tr("Days after which it is looked at again"), "number", tr("Empty: by its kind; 0: never."),
              value=_figure(part.shelf_days)),
        Field("no_reorder", tr("Not ordered again"), "check", value="1" if part.no_reorder else ""),
        Field("note", tr("Note"), "area", value=part.note),
    ]  # fmt: skip


def _has_some(part: Part) -> bool:
    return part.on_hand > 0


def _has_quarantined(part: Part) -> bool:
    return part.quarantined > 0


ACTIONS: dict[str, Action] = {
    "receive": Action(mark("Receive"), mark("Received"), _receive_fields, _receive),
    "take": Action(
        mark("Take for a job"),
        mark("Taken"),
        lambda p: [
            _job_field(),
            _count(
                hint=tr("{free} free, and what is reserved for the job.", free=p.free)
                if p.reserved
                else tr("{free} free.", free=p.free)
            ),
            Field(
                "refs", tr("For which places on the board"), hint=tr("Such as C4, C7; empty: those of what it wants.")
            ),
            *_lot(p),
            Field("note", tr("Note")),
        ],
        _take,
        mark("It is written in the job's log, and the ledger follows. What the job wants of this part is served."),
        open=lambda p: p.on_hand > 0,
    ),
    "reserve": Action(
        mark("Reserve for a job"),
        mark("Reserve"),
        lambda p: [_job_field(), _count()],
        _reserve,
        open=lambda p: p.free > 0,
    ),
    "count": Action(
        mark("Count"),
        mark("Counted"),
        lambda p: [
            Field("count", tr("Counted"), "number", needed=True),
            *_lot_to_count(p),
            *_promised(p),
            Field("note", tr("Note")),
        ],
        _count_write,
        mark("What is on hand, without what is in quarantine. The difference is written as a line of the ledger."),
    ),
    "scrap": Action(
        mark("Scrap"),
        mark("Scrapped"),
        lambda p: [
            _count(),
            Field("why", tr("Why"), needed=True),
            *_lot(p),
            *([Field("from_quarantine", tr("Out of quarantine"), "check")] if p.quarantined else []),
            *_promised(p),
        ],
        _scrap,
        open=lambda p: p.on_hand + p.quarantined > 0,
    ),
    "quarantine": Action(
        mark("Put in quarantine"),
        mark("Put in quarantine"),
        lambda p: [_count(), Field("why", tr("Why"), needed=True), *_lot(p), *_promised(p)],
        _quarantine,
        open=_has_some,
    ),
    "release": Action(
        mark("Release from quarantine"),
        mark("Released"),
        lambda p: [
            _count(value=str(p.quarantined)),
            Field("how", tr("How it was shown good"), needed=True),
            *_lot(p, True),
        ],
        _release,
        open=_has_quarantined,
    ),
    "donor": Action(
        mark("Out of a donor unit"),
        mark("Into quarantine"),
        lambda p: [
            _count(),
            Field("job", tr("Job of the donor unit"), "number", tr("Its number; or say which unit it was:")),
            Field("unit", tr("The donor unit in words")),
            Field("lot_code", tr("Date code as printed")),
            Field("made", tr("Made"), hint=tr("A day, a month 2031-04, or year and week as printed: 3114.")),
            Field("note", tr("How it came out, how it was tested")),
        ],
        _donor,
        mark("What comes out of a unit is used again only after it was shown good: it lies in quarantine until then."),
    ),
    "place": Action(
        mark("Move"), mark("It lies there now"), lambda p: [Field("place", tr("New place"), value=p.place)], _place
    ),
    "change": Action(mark("Change what is said of it"), mark("Change"), _change_fields, _change),
    "correct": Action(
        mark("Put a line right"),
        mark("Put it right"),
        lambda p: [
            Field("line", tr("Line"), "number", needed=True),
            Field("count", tr("It should have moved"), "number", tr("0: nothing at all."), value="0"),
            Field("why", tr("Why"), needed=True),
        ],
        _correct,
        mark("The line stays; a further line names it and brings the sum right."),
    ),
    "looked": Action(mark("Looked at"), mark("Looked at, and good"), lambda p: [], _looked),
}
HIDDEN = ("correct", "looked")
"""Reached from elsewhere on the page."""


def _lot_to_count(part: Part) -> list[Field]:
    made = _lot(part)
    return (
        [Field("lot", tr("Of which lot"), "choice", options=(("", tr("all of them")), *made[0].options[1:]))]
        if made
        else []
    )
