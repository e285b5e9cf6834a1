"""What working on a board's capacitors needs read first, and what one of them can hold."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from refettle.book.state import JobState
from refettle.language import tr
from refettle.parts.capacitor import Rated
from refettle.parts.discharge import HAZARDS, energy, hazard_of
from refettle.quantities import show
from refettle.web.boards import CapacitorView
from refettle.web.views.common import CautionView, caution_views


@dataclass(frozen=True)
class Cautions:
    """Gates still to be read, gates read in this job, and cautions that are no gates."""

    to_read: tuple[CautionView, ...]
    read: tuple[CautionView, ...]
    plain: tuple[CautionView, ...]


def cautions(state: JobState, capacitors: Iterable[CapacitorView], replacing: bool) -> Cautions:
    """The cautions of measuring, or of replacing, these capacitors in this unit."""
    unit = state.compiled.loaded.unit_type
    every = list(capacitors)
    ids = list(unit.cautions)
    if unit.power_on.feed == "mains" or any(c.mains for c in every):
        ids.append("mains")
    ids.append("charged-capacitor")
    if replacing:
        ids += ["solder-fume", "burst"]
    if any(c.rated is None or c.rated.wet for c in every):
        ids.append("leaked-electrolyte")
    views = caution_views(state.compiled.loaded, list(dict.fromkeys(ids)), state.cautions_read)
    return Cautions(
        tuple(v for v in views if v.caution.gate and not v.read),
        tuple(v for v in views if v.caution.gate and v.read),
        tuple(v for v in views if not v.caution.gate),
    )


def charge(rated: Rated | None) -> str:
    """What it holds at its rated voltage and how that hurts, in words; empty where its voltage is not known."""
    if rated is None or rated.volt is None:
        return ""
    held = show(energy(rated.farad, rated.volt), "J")
    return tr(
        "At its rated {volts} it holds {held}: {hazard}.",
        volts=show(rated.volt, "V"),
        held=held,
        hazard=tr(HAZARDS[hazard_of(rated.farad, rated.volt)]),
    )
