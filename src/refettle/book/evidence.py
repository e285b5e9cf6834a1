"""Files read as evidence: where a reading may count in a unit type, and the log entry it makes. No database."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from refettle import __version__
from refettle.book.log import LogError
from refettle.faults import GOOD
from refettle.knowledge.compile import CompiledType, StepInfo
from refettle.language import tr
from refettle.parts.capacitor import Rated
from refettle.sound.evidence import likelihood, speed_likelihood
from refettle.sound.reading import SoundReading
from refettle.supply.ripple_result import RippleReading
from refettle.supply.ripple_verdict import diode_likelihood, ripple_likelihood
from refettle.supply.ripple_wave import RippleError

Method = Literal["ripple", "sound"]
READS: Mapping[Method, tuple[str, ...]] = {"ripple": ("ripple", "rectified halves"), "sound": ("sound", "tape speed")}
VERSION = f"refettle {__version__}"


@dataclass(frozen=True)
class Place:
    """Somewhere in a unit type that a file can be taken at: a block or a point, and the checks it can decide."""

    id: str
    name: str
    checks: tuple[str, ...]


@dataclass(frozen=True)
class Worth:
    """What a reading counts for: per check the likelihood of each outcome, and why other checks stay undecided."""

    decides: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    undecided: tuple[str, ...] = ()


def places(compiled: CompiledType, method: Method) -> list[Place]:
    """Where in this unit type a file of this kind counts, in the order of its blocks.

    A capture across a reservoir also tells of the rectifier that feeds it.
    """
    if method == "sound":
        steps = [s for s in compiled.steps.values() if s.reads in READS["sound"]]
        return [Place(s.id, _name(compiled, s), (s.id,)) for s in steps]
    found = []
    for step in compiled.steps.values():
        if step.reads == "ripple":
            block = compiled.loaded.blocks[step.block]
            feeding = [
                s.id for s in compiled.steps.values() if s.reads == "rectified halves" and s.block in block.needs
            ]
            part = f", {block.part}" if block.part else ""
            found.append(Place(step.block, f"{block.name}{part}", (step.id, *feeding)))
    return found


def _name(compiled: CompiledType, step: StepInfo) -> str:
    name = step.name.removeprefix("Look: ")
    return name if step.is_point else f"{compiled.block_name(step.block)}: {name}"


def place_of(compiled: CompiledType, method: Method, place: str) -> Place:
    """The place of this id. Raises LogError naming those there are."""
    known = places(compiled, method)
    found = next((p for p in known if p.id == place), None)
    if found is None:
        allowed = ", ".join(p.id for p in known) or tr(
            "none: nothing in this unit type is read from a {method} file", method=method
        )
        raise LogError(
            tr("place: '{place}' found; allowed: {allowed}", place=place[:60], allowed=allowed), field="place"
        )
    return found


def ripple_worth(compiled: CompiledType, place: Place, reading: RippleReading, nominal: Rated | None) -> Worth:
    """What a capture says of the capacitor (if what is printed on it is known) and of the rectifier's diodes."""
    decides: dict[str, Mapping[str, float]] = {}
    undecided = []
    for check in place.checks:
        step = compiled.steps[check]
        outcomes = (GOOD, *step.outcomes)
        if step.reads == "rectified halves":
            grades = diode_likelihood(reading, outcomes)
        elif nominal is None:
            undecided.append(tr("{step}: what is printed on the capacitor is not known", step=step.name))
            continue
        else:
            try:
                grades = ripple_likelihood(reading, nominal, outcomes)
            except RippleError as error:
                undecided.append(f"{step.name}: {error}")
                continue
        _settle(decides, undecided, step, grades)
    return Worth(decides, tuple(undecided))


def sound_worth(compiled: CompiledType, place: Place, reading: SoundReading, played: bool = True) -> Worth:
    """What a recording says at a sound point, or of a tape's speed. `played`: something was meant to sound."""
    decides: dict[str, Mapping[str, float]] = {}
    undecided: list[str] = []
    for check in place.checks:
        step = compiled.steps[check]
        if step.reads == "tape speed":
            if reading.flutter is None:
                undecided.append(f"{step.name}: {reading.flutter_why}")
                continue
            grades: Mapping[str, float] = speed_likelihood(reading, step.outcomes)
        else:
            shows = compiled.loaded.unit_type.points[step.id].shows
            signs = compiled.loaded.library.points[shows].outcomes
            grades = likelihood(reading, {o: signs[o] for o in step.outcomes}, played=played)
        _settle(decides, undecided, step, grades)
    return Worth(decides, tuple(undecided))


def _settle(
    decides: dict[str, Mapping[str, float]], undecided: list[str], step: StepInfo, grades: Mapping[str, float]
) -> None:
    """Count likelihoods that differ; those that are all alike say nothing."""
    if max(grades.values()) > 1.05 * min(grades.values()):
        decides[step.id] = {outcome: float(f"{value:.4g}") for outcome, value in grades.items()}
    else:
        undecided.append(tr("{step}: this file does not tell", step=step.name))


def entry(
    method: Method,
    place: str,
    sha256: str,
    name: str,
    options: Mapping[str, str],
    figures: Mapping[str, str],
    worth: Worth,
    *,
    new_run: bool = False,
    note: str = "",
) -> dict[str, Any]:
    """The log entry of a file read."""
    made: dict[str, Any] = {
        "kind": "reading",
        "method": method,
        "place": place,
        "file": sha256,
        "name": name[:200] or "file",
        "options": dict(options),
        "figures": {k[:200]: v for k, v in figures.items()},
        "version": VERSION,
        "decides": {check: dict(grades) for check, grades in worth.decides.items()},
        "note": note,
    }
    return made | ({"run": "new"} if new_run else {})


def ripple_figures(reading: RippleReading) -> dict[str, str]:
    """The figures of a capture in words, those that are withheld left out."""
    from refettle.quantities import show

    found = {"capacitance": str(reading.farad), "ESR": str(reading.esr), "ripple": f"{show(reading.ripple, 'V')} pp"}
    if reading.valley is not None:
        found["valley"] = show(reading.valley, "V")
    found["wave"] = f"{reading.wave}, diodes {reading.diode}"
    return {name: text for name, text in found.items() if text != "not told"}


TOLD = ("level", "clicks", "dropouts", "hum, A", "noise, A", "THD+N", "tape speed", "wow and flutter, weighted")


def sound_figures(reading: SoundReading) -> dict[str, str]:
    """Of a recording's figures in words those that a log line can hold."""
    from refettle.sound.words import figures

    return {name: text for name, text in figures(reading).items() if name.startswith(TOLD)}
