"""The rules for replacing a capacitor, one function each: original, candidate and place in, findings out.

'Common practice, no source' is said where it is; mains rules follow IEC 60384-14 as quoted in forum and mailing-list
sources on X2 parts. A rule that does not apply returns nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from refettle.language import mark, tr
from refettle.parts.capacitor import ELECTROLYTIC, AtFrequency, CapacitorKind, Rated
from refettle.parts.limits import leakage_limit
from refettle.parts.substitute_place import EXACT, Finding, Place, Says
from refettle.quantities import show

PRACTICE = mark("common practice, no source")
SAFETY_SOURCE = mark("IEC 60384-14 classes; mailing list and forum on X2 parts")
VALUE_SPAN = 0.2
PITCH_SLACK = 0.5e-3
LEAD_FORMING = 2.5e-3
BODY_SLACK = 0.5e-3
STORED_YEARS = 2.0
_LITTLE_ESR: frozenset[CapacitorKind] = frozenset({"ceramic", "polymer", "film", "mica"})
_MAY_REPLACE: dict[CapacitorKind, frozenset[CapacitorKind]] = {
    "aluminium": frozenset({"aluminium", "low-impedance", "polymer", "tantalum", "film", "ceramic", "bipolar"}),
    "low-impedance": frozenset({"low-impedance", "aluminium", "polymer", "tantalum", "film", "ceramic"}),
    "bipolar": frozenset({"bipolar", "film"}),
    "tantalum": frozenset({"tantalum", "aluminium", "low-impedance", "polymer", "film", "ceramic"}),
    "polymer": frozenset({"polymer", "low-impedance"}),
    "film": frozenset({"film"}),
    "ceramic": frozenset({"ceramic", "film"}),
    "mica": frozenset({"mica"}),
    "paper": frozenset({"film"}),
}


def _on_mains(original: Rated, place: Place) -> bool:
    return bool(original.safety) or place.safety is not None or place.role == "mains"


def safety(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """X and Y parts only by the same class; never an ordinary part on the mains."""
    if not _on_mains(original, place):
        return []

    def say(says: Says, reason: str) -> list[Finding]:
        return [Finding(tr("safety class"), says, reason, SAFETY_SOURCE)]

    wanted = original.safety
    if place.safety is not None:
        wanted = frozenset(c for c in wanted if c[0] == place.safety) or frozenset({f"{place.safety}2"})
    if not wanted:
        return say("refused", tr("on the mains, and its class is not known: find out whether it sits as X or as Y"))
    named = " or ".join(sorted(wanted))
    if candidate.kind in ELECTROLYTIC:
        return say("refused", tr("an electrolytic never goes on the mains; class {named} only", named=named))
    if not candidate.safety:
        return say(
            "refused", tr("no safety class: an ordinary part never goes on the mains; class {named} only", named=named)
        )
    if not wanted & candidate.safety:
        has = ", ".join(sorted(candidate.safety))
        return say("refused", tr("class {has} is not the same class; class {named} only", has=has, named=named))
    found = say("acceptable", tr("same class {safety}", safety=", ".join(sorted(wanted & candidate.safety))))
    if any(c[0] == "Y" for c in wanted) and candidate.farad > original.farad * 1.001:
        found += say(
            "refused", tr("more capacitance from line to chassis lets more current through whoever touches it")
        )
    if not original.safety:
        found += say(
            "check first", tr("the old part carries no class; {named} is taken from where it sits", named=named)
        )
    return found


def kind(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """Timing, tuning and audio coupling keep their kind; elsewhere only kinds that can do the work."""
    if _on_mains(original, place) and candidate.safety:
        return []
    if place.role in EXACT and candidate.kind != original.kind:
        reason = tr(
            "{role}: stays of the same kind, {old_kind}, not {new_kind}",
            role=place.role,
            old_kind=original.kind,
            new_kind=candidate.kind,
        )
        return [Finding(tr("same kind"), "refused", reason, PRACTICE)]
    if candidate.kind not in _MAY_REPLACE[original.kind]:
        return [
            Finding(
                "kind",
                "refused",
                tr("{new_kind} does not replace {old_kind}", new_kind=candidate.kind, old_kind=original.kind),
                PRACTICE,
            )
        ]
    if candidate.kind == original.kind:
        return [Finding("kind", "acceptable", tr("same kind, {kind}", kind=candidate.kind), PRACTICE)]
    if candidate.kind == "ceramic" and original.kind in ELECTROLYTIC:
        reason = tr("a ceramic loses much of its value under voltage: look up what is left at the volts in use")
        return [Finding("kind", "check first", reason, PRACTICE)]
    return [
        Finding(
            "kind",
            "acceptable",
            tr("{new_kind} for {old_kind}", new_kind=candidate.kind, old_kind=original.kind),
            PRACTICE,
        )
    ]


def value(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """The same capacitance within 20 %; exact where it times, tunes or couples."""
    ratio = candidate.farad / original.farad
    new, old = show(candidate.farad, "F"), show(original.farad, "F")
    if place.role in EXACT:
        if abs(ratio - 1.0) > 0.001:
            return [
                Finding(
                    tr("exact value"),
                    "refused",
                    tr("{role}: {new} is not exactly {old}", role=place.role, new=new, old=old),
                    PRACTICE,
                )
            ]
        if original.tolerance is not None:
            if candidate.tolerance is None:
                reason = tr("its tolerance is not known, and must be no wider than the old one's")
                return [Finding(tr("exact value"), "check first", reason, PRACTICE)]
            if candidate.tolerance[0] < original.tolerance[0] or candidate.tolerance[1] > original.tolerance[1]:
                reason = tr("{role}: its tolerance is wider than the old one's", role=place.role)
                return [Finding(tr("exact value"), "refused", reason, PRACTICE)]
        return [Finding(tr("exact value"), "acceptable", tr("the same {old}", old=old), PRACTICE)]
    if not 1.0 - VALUE_SPAN - 1e-9 <= ratio <= 1.0 + VALUE_SPAN + 1e-9:
        reason = tr(
            "{new} for {old} is {ratio:+.0f} %; within 20 % is allowed", new=new, old=old, ratio=100 * (ratio - 1)
        )
        return [Finding("value", "refused", reason, PRACTICE)]
    said = tr("same value") if abs(ratio - 1) < 0.001 else tr("{ratio:+.0f} %, within 20 %", ratio=100 * (ratio - 1))
    found = [Finding("value", "acceptable", tr("{new} for {old}: {said}", new=new, old=old, said=said), PRACTICE)]
    if place.role == "unknown" and (abs(ratio - 1) >= 0.001 or candidate.kind != original.kind):
        reason = tr("find out where it sits: if it times, tunes or couples sound, value and kind stay the same")
        found.append(Finding(tr("exact value"), "check first", reason, PRACTICE))
    return found


def voltage(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """The same rated voltage or more, more than the volts in use, and twice those for tantalum on a rail."""
    if candidate.volt is None:
        return [Finding("voltage", "refused", tr("its rated voltage is not known"), PRACTICE)]
    has = show(candidate.volt, "V")
    if original.volt is None and place.volt is None:
        return [
            Finding(
                "voltage",
                "check first",
                tr("{has}: neither the old rating nor the volts in use are known", has=has),
                PRACTICE,
            )
        ]
    if original.volt is not None and candidate.volt < original.volt:
        return [
            Finding(
                "voltage",
                "refused",
                tr("{has} is below the old {volt}", has=has, volt=show(original.volt, "V")),
                PRACTICE,
            )
        ]
    if place.volt is not None and candidate.volt < place.volt:
        reason = tr(
            "{has} is below the {volt} in use: the old one was overrun too, find out why",
            has=has,
            volt=show(place.volt, "V"),
        )
        return [Finding("voltage", "refused", reason, PRACTICE)]
    found = []
    if candidate.kind == "tantalum":
        used = place.volt if place.volt is not None else None
        source = tr("tantalum makers ask for about half the rating on low-resistance rails; common practice")
        if used is None and original.kind != "tantalum":
            found.append(
                Finding(
                    tr("tantalum at half"),
                    "check first",
                    tr("measure the volts in use; twice that is wanted"),
                    source,
                )
            )
        elif used is not None and candidate.volt < 2.0 * used and place.role not in EXACT:
            reason = tr(
                "tantalum at {used} wants {wanted} or more, it has {has}",
                used=show(used, "V"),
                wanted=show(2 * used, "V"),
                has=has,
            )
            found.append(Finding(tr("tantalum at half"), "refused", reason, source))
    if place.volt and original.volt and place.volt > 0.8 * original.volt and candidate.volt >= place.volt / 0.8:
        reason = tr(
            "{has} leaves more room than the old {old_volt} at {used} in use",
            has=has,
            old_volt=show(original.volt, "V"),
            used=show(place.volt, "V"),
        )
        return [*found, Finding("voltage", "better", reason, PRACTICE)]
    if place.volt and candidate.volt < place.volt / 0.95:
        reason = tr(
            "{has} is no room above {volt} in use: high mains takes it over", has=has, volt=show(place.volt, "V")
        )
        return [*found, Finding("voltage", "check first", reason, PRACTICE)]
    return [*found, Finding("voltage", "acceptable", tr("{has}, the same or more", has=has), PRACTICE)]


def temperature(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """Electrolytics of 105 °C; never below the old one."""
    if candidate.kind not in ELECTROLYTIC:
        return []
    if candidate.celsius is None:
        return [
            Finding("temperature", "check first", tr("its upper temperature is not known; 105 °C is wanted"), PRACTICE)
        ]
    has = show(candidate.celsius, "°C")
    if original.celsius is not None and candidate.celsius < original.celsius:
        return [
            Finding(
                "temperature",
                "refused",
                tr("{has} is below the old {celsius}", has=has, celsius=show(original.celsius, "°C")),
                PRACTICE,
            )
        ]
    if candidate.celsius < 85.0:
        return [Finding("temperature", "refused", tr("{has} is below 85 °C", has=has), PRACTICE)]
    if candidate.celsius < 105.0:
        return [
            Finding(
                "temperature", "acceptable", tr("{has} as before; 105 °C lasts four times as long", has=has), PRACTICE
            )
        ]
    if original.celsius is not None and original.celsius < candidate.celsius:
        reason = tr(
            "{has} against {celsius}: life doubles for every 10 K cooler", has=has, celsius=show(original.celsius, "°C")
        )
        return [Finding("temperature", "better", reason, tr("Rubycon note 5-1"))]
    return [Finding("temperature", "acceptable", has, PRACTICE)]


def _alike(new: AtFrequency, old: AtFrequency) -> bool:
    """Only figures at the same frequency and temperature can be compared; 100 and 120 Hz count as one."""
    line = {new.hertz, old.hertz} <= {100.0, 120.0}
    return (new.hertz == old.hertz or line) and abs(new.celsius - old.celsius) <= 5.0


def ripple(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """No less ripple current than the old part's rating, nor than it must carry."""
    if candidate.kind not in ELECTROLYTIC or place.role in EXACT or place.role == "bias":
        return []
    new, old = candidate.ripple, original.ripple
    name = tr("ripple current")
    if place.ripple is not None and new is not None and new.value < place.ripple:
        reason = tr(
            "{value} is below the {ripple} it must carry", value=show(new.value, "A"), ripple=show(place.ripple, "A")
        )
        return [Finding(name, "refused", reason, PRACTICE)]
    if new is None:
        if old is not None or place.ripple is not None or place.switching:
            return [Finding(name, "check first", tr("its ripple current is not known"), PRACTICE)]
        return []
    if old is None:
        return [
            Finding(name, "acceptable", tr("{value}; the old one's is not known", value=show(new.value, "A")), PRACTICE)
        ]
    at = f"at {show(new.hertz, 'Hz')}"
    if not _alike(new, old):
        reason = tr(
            "stated {at} and {hertz}, or at other temperatures: look up both at the same",
            at=at,
            hertz=show(old.hertz, "Hz"),
        )
        return [Finding(name, "check first", reason, PRACTICE)]
    if new.value < old.value:
        reason = tr(
            "{new} {conditions} is below the old {old}",
            new=show(new.value, "A"),
            conditions=at,
            old=show(old.value, "A"),
        )
        return [Finding(name, "refused", reason, PRACTICE)]
    says: Says = "better" if new.value >= 1.2 * old.value else "acceptable"
    return [
        Finding(
            name,
            says,
            tr("{new} {conditions} against {old}", new=show(new.value, "A"), conditions=at, old=show(old.value, "A")),
            PRACTICE,
        )
    ]


def esr(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """Low where something switches, and not too low where a regulator needs some to stay stable."""
    found: list[Finding] = []
    new, old = candidate.esr, original.esr
    source = tr(
        "regulator makers' sheets: older low-drop types need some ESR at their output, stable without in others"
    )
    if place.wants_esr:
        who = ", ".join(place.regulators) or tr("the regulator")
        least = place.esr_least
        little = candidate.kind in _LITTLE_ESR and candidate.kind != original.kind
        if least is None and little:
            reason = tr(
                "{kind} has next to no ESR, and {who} may need some: read its sheet first", kind=candidate.kind, who=who
            )
            found.append(Finding(tr("ESR for a regulator"), "refused", reason, source))
        elif least is not None and new is None:
            says: Says = "refused" if candidate.kind in _LITTLE_ESR else "check first"
            reason = tr("{who} needs at least {least}, and its ESR is not known", who=who, least=show(least, "Ω"))
            found.append(Finding(tr("ESR for a regulator"), says, reason, source))
        elif least is not None and new is not None and new.value < least:
            reason = tr(
                "{value} is below the {least} that {who} needs: it may oscillate",
                value=show(new.value, "Ω"),
                least=show(least, "Ω"),
                who=who,
            )
            found.append(Finding(tr("ESR for a regulator"), "refused", reason, source))
    if place.esr_most is not None:
        if new is None:
            found.append(
                Finding(
                    "ESR",
                    "check first",
                    tr("ESR not known; {esr_most} at most", esr_most=show(place.esr_most, "Ω")),
                    PRACTICE,
                )
            )
        elif new.value > place.esr_most:
            reason = tr(
                "{value} is above the {esr_most} allowed here",
                value=show(new.value, "Ω"),
                esr_most=show(place.esr_most, "Ω"),
            )
            found.append(Finding("ESR", "refused", reason, PRACTICE))
    if place.switching and candidate.kind in ("aluminium", "bipolar") and new is None:
        found.append(
            Finding("ESR", "refused", tr("something switches here: a low-ESR part is wanted, or its ESR"), PRACTICE)
        )
    elif new is not None and old is not None:
        found += _esr_against(new, old, place)
    elif place.switching and new is None and candidate.kind != "ceramic":
        found.append(Finding("ESR", "check first", tr("ESR not known, and something switches here"), PRACTICE))
    return found


def _esr_against(new: AtFrequency, old: AtFrequency, place: Place) -> list[Finding]:
    if not _alike(new, old):
        reason = tr("ESR stated at other frequencies or temperatures: look up both at the same")
        return [Finding("ESR", "check first", reason, PRACTICE)]
    said = tr(
        "{new} against {old} at {hertz}",
        new=show(new.value, "Ω"),
        old=show(old.value, "Ω"),
        hertz=show(new.hertz, "Hz"),
    )
    if new.value > old.value * 1.001:
        says: Says = "refused" if place.switching else "check first"
        return [Finding("ESR", says, tr("{said}: higher", said=said), PRACTICE)]
    if new.value < 0.8 * old.value and not place.wants_esr and place.role not in EXACT:
        return [Finding("ESR", "better", said, PRACTICE)]
    return [Finding("ESR", "acceptable", said, PRACTICE)]


def polarity(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """Bipolar stays bipolar; a polar part only where plus is known for sure."""
    if not candidate.polar:
        return []
    if not original.polar:
        return [Finding("bipolar", "refused", tr("the old part has no plus and minus; it stays bipolar"), PRACTICE)]
    if not place.polarity_settled:
        reason = tr("fitted, printed and measured polarity do not agree: settle it by meter, then ask again")
        return [Finding("polarity", "refused", reason, PRACTICE)]
    if candidate.kind == "tantalum" and original.kind != "tantalum":
        reason = tr("a wet part may have lived reversed for years, a tantalum burns: measure which pad is plus")
        source = tr("report of 2024 on a part fitted backwards by the factory")
        return [Finding("polarity", "check first", reason, source)]
    return []


def leakage(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """No more leakage than the place stands."""
    if place.leakage_most is None:
        return []
    limit = leakage_limit(candidate)
    if limit is None:
        if candidate.kind in ELECTROLYTIC:
            return [Finding("leakage", "check first", tr("its leakage is not known"), PRACTICE)]
        return [Finding("leakage", "better", tr("{kind} leaks next to nothing", kind=candidate.kind), PRACTICE)]
    most = show(place.leakage_most, "A")
    if limit.value > place.leakage_most:
        reason = tr("may leak {value} when new; {most} at most here", value=show(limit.value, "A"), most=most)
        return [Finding("leakage", "refused", reason, limit.source)]
    return [
        Finding(
            "leakage",
            "acceptable",
            tr("at most {value}; {most} allowed here", value=show(limit.value, "A"), most=most),
            limit.source,
        )
    ]


def fit(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """Lead pitch, diameter, height and mounting that fit."""
    found: list[Finding] = []
    if original.mount is not None and candidate.mount is not None and original.mount != candidate.mount:
        if "surface" in (original.mount, candidate.mount):
            return [
                Finding(
                    "fit",
                    "refused",
                    tr(
                        "{new_mount} does not fit pads for {old_mount}",
                        new_mount=candidate.mount,
                        old_mount=original.mount,
                    ),
                    PRACTICE,
                )
            ]
        reason = tr(
            "{new_mount} for {old_mount}: insulate long leads and glue the body",
            new_mount=candidate.mount,
            old_mount=original.mount,
        )
        found.append(Finding("fit", "check first", reason, PRACTICE))
    elif original.pitch is not None and candidate.mount != "surface":
        found += _pitch(original.pitch, candidate.pitch)
    for name, old, new, room in (
        ("diameter", original.diameter, candidate.diameter, place.room_diameter),
        ("height", original.height, candidate.height, place.room_height),
    ):
        most = room if room is not None else (old + BODY_SLACK if old is not None else None)
        if most is None:
            continue
        if new is None:
            found.append(
                Finding(
                    "fit",
                    "check first",
                    tr("its {name} is not known; up to {most} fits", name=name, most=show(most, "m")),
                    PRACTICE,
                )
            )
        elif new > most + 1e-9:
            tail = "" if room is not None else tr("; give the room if there is more")
            reason = tr(
                "{name} {new} is above the {most} that fits{tail}",
                name=name,
                new=show(new, "m"),
                most=show(most, "m"),
                tail=tail,
            )
            found.append(Finding("fit", "refused", reason, PRACTICE))
        else:
            found.append(Finding("fit", "acceptable", f"{name} {show(new, 'm')}", PRACTICE))
    return found


def _pitch(old: float, new: float | None) -> Iterable[Finding]:
    if new is None:
        return [
            Finding(
                "fit",
                "check first",
                tr("its lead pitch is not known; {old} is wanted", old=show(old, "m")),
                PRACTICE,
            )
        ]
    said = tr("pitch {new} for {old}", new=show(new, "m"), old=show(old, "m"))
    if abs(new - old) <= PITCH_SLACK + 1e-9:
        return [Finding("fit", "acceptable", said, PRACTICE)]
    if new < old and old - new <= LEAD_FORMING + 1e-9:
        return [
            Finding(
                "fit",
                "check first",
                tr("{said}: form the leads with pliers, do not strain the seal", said=said),
                PRACTICE,
            )
        ]
    return [Finding("fit", "refused", tr("{said}: does not fit", said=said), PRACTICE)]


def shelf(original: Rated, candidate: Rated, place: Place) -> list[Finding]:
    """Wet electrolytics from long storage are re-formed before they are fitted."""
    if not candidate.wet or candidate.stored is None or candidate.stored <= STORED_YEARS:
        return []
    reason = tr(
        "{stored:g} years without voltage: re-form it at rated volts through 1 kΩ for 30 to 60 min",
        stored=candidate.stored,
    )
    return [
        Finding(
            "shelf",
            "check first",
            reason,
            tr("a maker's questions and answers: no need within 2 years at 5 to 35 °C"),
        )
    ]


RULES: tuple[Callable[[Rated, Rated, Place], list[Finding]], ...] = (
    safety,
    kind,
    value,
    voltage,
    temperature,
    ripple,
    esr,
    polarity,
    leakage,
    fit,
    shelf,
)
