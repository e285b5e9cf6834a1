"""Whitening outside a job: a bath by mass behind its gates, the sun at a place, a lamp at the part."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from refettle.knowledge.peroxide import load_peroxide
from refettle.language import decimal, shown, tr
from refettle.quantities import show
from refettle.web.probing import tool_cautions
from refettle.web.yellows import THIN
from refettle.whitening.bath import ABS_DENSITY, CAUTIONS, Bath, grams, read_litres, recipe
from refettle.whitening.law import PeroxideLaw, refuse_above, stale
from refettle.whitening.light import LAMP_CAUTIONS, TRIAL, LampDose, band, eye_seconds, lamp_dose
from refettle.whitening.strength import read_strength
from refettle.whitening.sun import (
    BANDS,
    SUN_CAUTIONS,
    Band,
    Exposure,
    Reach,
    SunDay,
    reach,
    read_dose,
    read_hours,
    read_place,
    sun_day,
)
from refettle.whitening.values import WhiteningError

UVA_SHARE_MOST = 0.06
"""Share of the sun's light that is UVA at most: for the eye limit."""


def _typed(request: HttpRequest, names: tuple[str, ...]) -> dict[str, str]:
    return {name: request.GET[name].strip()[:100] for name in names if request.GET.get(name, "").strip()}


def _number(typed: Mapping[str, str], field: str, name: str, default: float) -> float:
    text = typed.get(field)
    if text is None:
        return default
    try:
        return float(text.replace(",", ".").replace("−", "-"))
    except ValueError:
        raise WhiteningError(tr("{name}: {text!r} found; allowed: a number", name=name, text=text)) from None


def _dose(text: str) -> float:
    """[J/cm2] as typed; a bare number is in J/cm2."""
    bare = text.replace(",", ".").replace(".", "", 1).isdecimal()
    return read_dose(f"{text} J/cm2" if bare else text)


# ---------------------------------------------------------------- bath


@require_safe
def bath(request: HttpRequest) -> HttpResponse:
    """The recipe, shown once every gate is held to."""
    typed = _typed(request, ("stock", "target", "volume", "parts", "tub", "measured", "age", "warm", "professional"))
    held = request.GET.getlist("gate")
    law, error, found = load_peroxide(), "", None
    if typed.get("stock") or typed.get("target"):
        try:
            made = _recipe(typed, law)
            missing = [gate for key, gate in law.gates.items() if key not in held]
            if missing:
                raise WhiteningError(tr("gates: not all held to; needed first: {says}", says=tr(missing[0].says)))
            found = made
        except WhiteningError as trouble:
            error = str(trouble)
    old = stale(law, timezone.localdate())
    context: dict[str, Any] = {
        "area": "tools",
        "typed": typed,
        "held": held,
        "gates": law.gates.items(),
        "found": found,
        "weights": _weights(found) if found else (),
        "classes": _classes(found) if found else (),
        "never": _never(found) if found else (),
        "law": law,
        "pending": [*law.pending, *([old] if old else [])],
        "error": error,
        "cautions": tool_cautions(CAUTIONS),
    }
    return render(request, "refettle/bath.html", context, status=422 if error else 200)


def _recipe(typed: Mapping[str, str], law: PeroxideLaw) -> Bath:
    measured, years = typed.get("measured"), _number(typed, "age", tr("age"), 0.0)
    if measured and years:
        raise WhiteningError(tr("age with a measured strength found; allowed: one of the two"))
    stock = read_strength(measured, "measured") if measured else read_strength(typed.get("stock", ""), "stock")
    target = typed.get("target", "")
    target = target if any(each in target for each in "%vg") else f"{target} % w/w"
    percent = read_strength(target, "target").percent
    professional = typed.get("professional") == "yes"
    refuse_above(law, "target", percent, professional)
    return recipe(
        stock,
        percent,
        read_litres(typed.get("volume", ""), "volume"),
        law,
        parts=read_litres(typed.get("parts", "0L"), "parts", solid=ABS_DENSITY),
        tub=read_litres(typed["tub"], "tub") if typed.get("tub") else None,
        years=years,
        celsius=_number(typed, "warm", tr("warm"), 20.0),
        professional=professional,
    )


def _weights(found: Bath) -> tuple[tuple[str, str], ...]:
    ends = (
        tr(", to about {heat:.0f}\u202f°C", heat=found.celsius + found.rise)
        if not found.boils
        else tr(": it would boil")
    )
    return (
        (tr("Water, first"), grams(found.water_kg, found.litres)),
        (
            tr("Stock, then"),
            tr(
                "{stock} (about {stock_litres:.3g}\u202fL)",
                stock=grams(found.stock_kg, found.litres),
                stock_litres=found.stock_litres,
            ),
        ),
        (
            tr("Makes"),
            tr(
                "{litres:.4g}\u202fL of {target:.3g}\u202f% w/w ({volumes:.3g} vol)",
                litres=found.litres,
                target=found.target,
                volumes=found.volumes,
            ),
        ),
        (tr("Oxygen, if all came apart"), shown(decimal(found.oxygen_litres, ".3g") + f"{THIN}L")),
        (tr("It would warm by"), f"{found.rise:.0f}{THIN}K{ends}"),
    )


def _classes(found: Bath) -> tuple[tuple[str, str], ...]:
    none = tr("no class; goggles and gloves all the same")
    return tuple(
        (name, "; ".join(f"{c.code} {tr(c.says)} ({tr(c.source)})" for c in classes) or none)
        for name, classes in ((tr("Stock"), found.stock_classes), (tr("Bath"), found.bath_classes))
    )


def _never(found: Bath) -> tuple[tuple[str, tuple[str, ...]], ...]:
    return (
        (tr("Never mix it with"), found.never["mix"]),
        (tr("Never seal it"), found.never["seal"]),
        (tr("Never leave in it"), found.never["leave"]),
    )


# ---------------------------------------------------------------- sun


@require_safe
def sun(request: HttpRequest) -> HttpResponse:
    """The light of a day at a place, and when a dose is reached."""
    typed = _typed(request, ("place", "date", "zone", "hours", "dose", "cover", "cloud", "trial"))
    error, day, reached, zone = "", None, None, timezone.get_current_timezone_name()
    trial = typed.get("trial") == "yes"
    which: Band = "blue" if trial else "uva"
    try:
        if typed.get("place"):
            exposure = Exposure(
                read_place(typed["place"]),
                _zone(typed.get("zone", zone)),
                read_hours(typed["hours"]) if typed.get("hours") else None,
                _number(typed, "cover", tr("cover"), 1.0),
                _number(typed, "cloud", tr("cloud"), 0.0),
            )
            day = sun_day(exposure, _date(typed.get("date", "")))
            reached = reach(exposure, day.day, _dose(typed["dose"]), which) if typed.get("dose") else None
    except WhiteningError as trouble:
        error = str(trouble)
    context = {
        "area": "tools",
        "typed": typed,
        "zone": typed.get("zone", zone),
        "today": timezone.localdate().isoformat(),
        "day": day,
        "rows": _day_rows(day) if day else (),
        "headline": _reach_words(reached, tr(BANDS[which])) if reached else "",
        "trial": tuple(tr(each) for each in TRIAL) if trial else (),
        "eye": f"{eye_seconds(day.peak * UVA_SHARE_MOST):.0f}{THIN}s" if day and day.peak > 0 else "",
        "no_cover": day is not None and "cover" not in typed,
        "error": error,
        "cautions": tool_cautions(SUN_CAUTIONS),
    }
    return render(request, "refettle/sun.html", context, status=422 if error else 200)


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):
        raise WhiteningError(
            tr("time zone: {name!r} found; allowed: one by name, as Europe/Paris or UTC", name=name)
        ) from None


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text) if text else timezone.localdate()
    except ValueError:
        raise WhiteningError(
            tr("date: {text!r} found; allowed: a date from 1950 to 2099, as 2031-06-21", text=text)
        ) from None


def _span(three: tuple[float, float, float], unit: str) -> str:
    return tr(
        "{middle:.3g}\u202f{unit} ({low:.3g} to {high:.3g})", middle=three[1], unit=unit, low=three[0], high=three[2]
    )


def _day_rows(day: SunDay) -> tuple[tuple[str, str], ...]:
    rises, sets = (f"{each:%H:%M}" if each else tr("does not") for each in (day.rises, day.sets))
    whole = day.ends - day.begins >= timedelta(hours=23)
    return (
        (tr("Sun up, about"), tr("{begins} to {ends}", begins=rises, ends=sets)),
        (tr("Highest"), tr("{height:.0f}° about {noon:%H:%M}", height=day.height, noon=day.noon)),
        (
            tr("Counted"),
            tr("the whole day") if whole else tr("{begins:%H:%M} to {ends:%H:%M}", begins=day.begins, ends=day.ends),
        ),
        (tr("Most at once"), f"{day.peak:.0f}{THIN}W/m²"),
        (tr("All light"), decimal(day.energy, ".3g") + f"{THIN}MJ/m²"),
        (tr("UVA, 315 to 400 nm"), _span(day.uva, "J/cm²")),
        (tr("400 to 525 nm, which bleaches"), _span(day.blue, "J/cm²")),
    )


def _reach_words(found: Reach, what: str) -> str:
    dose = tr("{dose:g}\u202fJ/cm² of {light}", dose=found.dose, light=what)
    if found.window is not None:
        w = found.window
        most = (
            tr("that day is too short if there is less")
            if w.hours_most is None
            else tr("{hours_most:.2g} h if less", hours_most=w.hours_most)
        )
        return tr(
            "{dose}: at the earliest from {begins:%H:%M} to {ends:%H:%M}, {hours:.2g} h "
            "({hours_least:.2g} h if there is more of it, {most}).",
            dose=dose,
            begins=w.begins,
            ends=w.ends,
            hours=w.hours,
            hours_least=w.hours_least,
            most=most,
        )
    said = tr("{dose}: not reached that day.", dose=dose)
    if found.days_in_a_row is not None:
        said += " " + tr("It takes {days} such days in a row.", days=found.days_in_a_row)
    if found.first_day is not None and found.first_window is not None:
        return said + " " + tr("The first single day that reaches it: {day}.", day=found.first_day)
    return said + " " + tr("No single day within a year reaches it.")


# ---------------------------------------------------------------- lamp


@require_safe
def lamp(request: HttpRequest) -> HttpResponse:
    """A lamp's band, dose and eye limit."""
    typed = _typed(request, ("nm", "hours", "readings", "dose", "boxed"))
    error, judged, dose = "", None, None
    wanted = None
    try:
        if typed.get("nm"):
            nanometre = _number(typed, "nm", tr("wavelength"), 0.0)
            judged = band(nanometre, "boxed" if typed.get("boxed") == "yes" else "open")
            wanted = _dose(typed["dose"]) if typed.get("dose") else None
            hours = _number(typed, "hours", tr("hours"), 0.0)
            dose = lamp_dose(hours, _readings(typed.get("readings", "")), nanometre=nanometre, wanted=wanted)
    except WhiteningError as trouble:
        error, judged = str(trouble), None
    refused = judged is not None and judged.says == "refused"
    context = {
        "area": "tools",
        "typed": typed,
        "band": judged,
        "dose": dose if not error else None,
        "refused": refused,
        "rows": _dose_rows(dose, wanted) if dose and not error and not refused else (),
        "error": error,
        "cautions": tool_cautions(LAMP_CAUTIONS),
    }
    return render(request, "refettle/lamp.html", context, status=422 if error else 200)


def _readings(text: str) -> list[float]:
    """Numbers parted by blanks, semicolons or commas; a comma within a number is a decimal one where blanks part them.

    What could be either, `4,1` alone, is asked about.
    """
    pieces = text.replace(";", " ").replace(", ", " ").split()
    between = "." in text or any(each.count(",") > 1 for each in pieces)
    if len(pieces) == 1 and text.count(",") == 1 and not between:
        raise WhiteningError(
            tr(
                "readings: {text!r}: the comma may be a point or stand between two; write {one} or {two}",
                text=text[:60],
                one=pieces[0].replace(",", "."),
                two=pieces[0].replace(",", " "),
            )
        )
    try:
        return [float(each) for each in " ".join(pieces).replace(",", " " if between else ".").split()]
    except ValueError:
        raise WhiteningError(
            tr("readings: {text!r} found; allowed: numbers in mW/cm², as 4.1 3.8 3.2", text=text[:60])
        ) from None


def _dose_rows(dose: LampDose, wanted: float | None) -> tuple[tuple[str, str], ...]:
    eye = "" if dose.eye_seconds is None else f"{show(dose.eye_seconds, 's')}; "
    rows = [(tr("A bare eye in the light at the part, at most"), f"{eye}{dose.eye_says}")]
    if dose.dose is None or dose.evenness is None:
        return (
            (tr("Lamp-hours"), tr("{lamp_hours:g}\u202fh, no dose without a meter", lamp_hours=dose.lamp_hours)),
            *rows,
        )
    least, mean, most = dose.dose
    rows.insert(
        0,
        (
            tr("Dose"),
            tr(
                "{least:.3g} to {most:.3g}\u202fJ/cm², mean {mean:.3g}, in {lamp_hours:g}\u202fh",
                least=least,
                most=most,
                mean=mean,
                lamp_hours=dose.lamp_hours,
            ),
        ),
    )
    rows.insert(
        1,
        (
            tr("At the part"),
            tr(
                "{least:.3g} to {most:.3g}\u202fmW/cm², least over most {evenness:.0f}\u202f%",
                least=dose.least,
                most=dose.most,
                evenness=100 * dose.evenness,
            ),
        ),
    )
    if wanted is not None:
        after = (
            tr("never: a place gets nothing")
            if dose.hours_to is None
            else tr("after {hours_to:.3g}\u202fh", hours_to=dose.hours_to)
        )
        rows.insert(1, (tr("{wanted:g}\u202fJ/cm² at the least-lit place", wanted=wanted), after))
    return tuple(rows)
