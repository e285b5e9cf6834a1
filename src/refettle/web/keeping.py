"""A file read on a tool page, kept in a job as evidence: what it would count for, and the entry it makes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from django.conf import settings
from django.http import Http404

from refettle.book import files, store
from refettle.book.evidence import (
    Method,
    Place,
    Worth,
    entry,
    place_of,
    places,
    ripple_figures,
    ripple_worth,
    sound_figures,
    sound_worth,
)
from refettle.book.log import LogError
from refettle.book.state import JobState
from refettle.faults import GOOD
from refettle.language import SOURCE, speaking, spoken, tr
from refettle.quantities import plain, written
from refettle.sound import SoundReading
from refettle.web import shelf
from refettle.web.ripples import Asked, Read
from refettle.web.views.common import JobView, get_job

TYPE_LOAD = 15.0
"""[%] How far a unit's load may be from what its type's file says (estimate)."""
ELSEWHERE = "elsewhere"
"""The place of a file that decides no check: kept for the record."""


@dataclass(frozen=True)
class PlaceView:
    """Where a file may count in a job, and what it would say there, in words."""

    id: str
    name: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class KeepView:
    """The form that keeps a file in a job; without a job, the jobs to choose from."""

    method: Method
    view: JobView | None
    places: tuple[PlaceView, ...] = ()
    jobs: tuple[tuple[int, str], ...] = ()
    chosen: str = ""


def known(typed: Mapping[str, str]) -> dict[str, str]:
    """What the job's unit type and log know of the supply a capture is taken from, as the ripple form takes it."""
    view = _job(typed.get("job", ""))
    if view is None or view.state is None:
        return {}
    loaded, found = view.state.compiled.loaded, {}
    supply = loaded.unit_type.supply
    if supply is not None:
        part = supply.reservoir
        found["nominal"] = plain(written(part.farad, "F") + (f" {written(part.volts, 'V')}" if part.volts else ""))
        if supply.rectifier is not None:
            found["rectifier"] = supply.rectifier.wiring
        amps = [r.load_amps + r.own_amps for r in supply.regulators.values()]
        amps += [each.amps for each in supply.loads.values() if each.amps is not None]
        if len(amps) == len(supply.regulators) + len(supply.loads):
            found |= {"load": plain(written(sum(amps), "A")), "load_tol": f"{TYPE_LOAD:g}"}
        if supply.regulators:
            need = max(r.volts + r.dropout for r in supply.regulators.values())
            found["needs"] = plain(written(need, "V"))
    block = loaded.blocks.get(typed.get("place", ""))
    noted = view.state.noted.get(block.part or "") if block is not None else None
    return found | ({"nominal": str(noted["value"])} if noted else {})


def keep_view(method: Method, typed: Mapping[str, str], result: Any, asked: Asked | None = None) -> KeepView:
    """What the result's page offers."""
    view = _job(typed.get("job", ""))
    if view is None or view.state is None:
        jobs = tuple((j.number, f"{j.unit.type_version.name} {j.unit.label}".strip()) for j in store.bench())
        return KeepView(method, None, jobs=jobs)
    shown = []
    for place in places(view.state.compiled, method):
        worth = _worth(view.state, method, place, result, asked, typed)
        shown.append(PlaceView(place.id, place.name, tuple(_lines(view.state, worth))))
    return KeepView(method, view, tuple(shown), chosen=typed.get("place", ""))


def _job(text: str) -> JobView | None:
    if not text.isdecimal() or len(text) > 9 or int(text) < 1:
        return None
    try:
        return get_job(int(text))
    except Http404:
        return None


def _worth(
    state: JobState, method: Method, place: Place, result: Any, asked: Asked | None, typed: Mapping[str, str]
) -> Worth:
    if method == "ripple":
        assert isinstance(result, Read)
        return ripple_worth(state.compiled, place, result.reading, asked.nominal if asked else None)
    assert isinstance(result, SoundReading)
    return sound_worth(state.compiled, place, result, played=typed.get("silence") != "yes")


def _lines(state: JobState, worth: Worth) -> Iterator[str]:
    for check, grades in worth.decides.items():
        name = state.compiled.steps[check].name.removeprefix("Look: ")
        best = max(grades, key=lambda o: grades[o])
        if best == GOOD:
            against = max(v for o, v in grades.items() if o != GOOD)
            yield tr("{name}: good, {odds} against the next", name=name, odds=_odds(grades[best], against))
        else:
            yield tr(
                "{name}: {outcome}, {odds} against good",
                name=name,
                outcome=spoken(best),
                odds=_odds(grades[best], grades[GOOD]),
            )
    yield from worth.undecided


def _odds(one: float, other: float) -> str:
    return tr("beyond doubt") if other <= 0 else tr("{odds:.3g} to 1", odds=one / other)


def reading_entry(
    state: JobState,
    method: Method,
    place: str,
    sha256: str,
    name: str,
    typed: Mapping[str, str],
    result: Any,
    asked: Asked | None,
    form: Mapping[str, str],
) -> dict[str, Any]:
    """The log entry of a file read. Raises LogError naming the field."""
    where = " ".join(form.get("where", "").split())[:200]
    if place == ELSEWHERE:
        if not where:
            raise LogError(tr("where: nothing found; allowed: where it was taken, in words"), field="where")
        worth = Worth()
    else:
        worth = _worth(state, method, place_of(state.compiled, method, place), result, asked, typed)
        where = place
    with speaking(SOURCE):  # what is kept says the same whatever language it is shown in
        figures = ripple_figures(result.reading) if method == "ripple" else sound_figures(result)
    options = {k: v for k, v in typed.items() if k not in ("job", "place")}
    return entry(
        method,
        where,
        sha256,
        name,
        options,
        figures,
        worth,
        new_run=form.get("run") == "new",
        note=form.get("note", "").strip(),
    )


def keep_file(kept: shelf.Kept) -> str:
    """Put a file of the shelf among the book's files; gives its sha256. Raises FileError or OSError."""
    most: int = settings.REFETTLE_MAX_RECORDING_BYTES
    folder: Path = settings.REFETTLE_FILES
    with kept.reading() as file:
        return files.keep_stream(file, folder, most)


@dataclass(frozen=True)
class Filed:
    """A file of the book, as the tool pages read one of the shelf."""

    token: str
    name: str

    @contextmanager
    def reading(self) -> Iterator[IO[bytes]]:
        """The open file. Raises ShelfError where it is not there."""
        try:
            file = files.open_kept(self.token, settings.REFETTLE_FILES)
        except files.FileError as error:
            raise shelf.ShelfError(str(error)) from None
        with file:
            yield file

    def data(self) -> bytes:
        """All of it. Raises ShelfError."""
        with self.reading() as file:
            return file.read()
