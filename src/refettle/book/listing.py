"""A text to sell a unit of the bench's own stock with, made of recorded facts alone. Pure: no database.

What works is said in the words of the proving statement, and of nothing else: what was not tried stands under 'Not
tested', word for word, and what fails under 'What fails'. Notes are taken in, but one that claims what the statement
does not show (`CLAIMS`) is left out, and told. No serial, no name, no label of the bench stands in it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

from refettle.book.handover import handover
from refettle.book.handover_model import Handover, Photo
from refettle.book.handover_public import publishable
from refettle.book.personal import PersonalWords
from refettle.book.state import JobState
from refettle.knowledge.schema import UnitType
from refettle.language import spoken, tr

if TYPE_CHECKING:
    from refettle.book.models import Job

_CLAIM = (
    r"(?:work(?:s|ed|ing)|(?:does|do|will|should|can|to) work|tested|proven|proved|function(?:s|al|ing)|"
    r"runs|ran|guaranteed?|fault-?less(?:ly)?|flawless(?:ly)?|"
    r"perfect(?:ly)?|reliabl[ey]|good as new|like new|mint|fine|fully|100\s?%)(?![\w-])"
)
_CLAIM_DE = (
    r"(?:funktionier(?:t|en|te|ten)|funktions(?:fähig|tüchtig)\w*|(?:ge|über|durchge)prüft\w*|getestet\w*|erprobt\w*|"
    r"bewiesen\w*|erwiesen\w*|geht|gehen|läuft|laufen|lief|liefen|garantiert\w*|einwandfrei\w*|tadellos\w*|"
    r"makellos\w*|fehlerfrei\w*|fehlerlos\w*|perfekt\w*|zuverlässig\w*|neuwertig\w*|wie neu|bestens|in ordnung|"
    r"voll(?:ständig)?)(?![\w-])"
)
CLAIMS = re.compile(rf"\b(?:{_CLAIM}|{_CLAIM_DE})", re.IGNORECASE)
"""English and German words that claim something of a unit."""
DENIED = re.compile(
    rf"\b(?:not|never|cannot|no longer|(?:is|does|did)n.?t)\s+(?:yet\s+|been\s+|fully\s+|reliably\s+)?{_CLAIM}|"
    rf"\b(?:nicht|nie)\s+(?:mehr\s+|ganz\s+|voll\s+|zuverlässig\s+|einwandfrei\s+)?{_CLAIM_DE}|"
    r"\b(?:funktioniert?e?|geht|läuft|lief)\s+(?:noch\s+|gar\s+|auch\s+)?nicht\b(?!\s+nur)",
    re.IGNORECASE,
)
"""Where a word next to it denies it, no claim is made: 'not tested', 'does not work', 'geht nicht'."""
PHOTO_KINDS = ("photo", "yellow")


class ListingError(ValueError):
    """No listing can be made of this job; says why, and what is allowed."""


@dataclass(frozen=True)
class Section:
    """A heading and its lines."""

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Listing:
    """The text in its parts.

    `photos` to show with it, those of how it is now first; `warnings` to look at before it goes out; `left_out`: what
    was recorded and not taken in, and why.
    """

    job: int
    title: str
    under: str
    about: str
    sections: tuple[Section, ...]
    photos: tuple[Photo, ...]
    warnings: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def text(self) -> str:
        """Plain text to copy: lines of any length, no mark-up."""
        blocks = ["\n".join(line for line in (self.title, self.under, self.about) if line)]
        blocks += ["\n".join([each.heading, *(f"- {line}" for line in each.lines)]) for each in self.sections]
        return "\n\n".join(blocks) + "\n"


def listing(
    job: Job,
    state: JobState,
    entries: Sequence[Mapping[str, Any]],
    made: date,
    words: PersonalWords,
    *,
    without: frozenset[int] = frozenset(),
) -> Listing:
    """The listing of a unit of own stock.

    Parameters
    ----------
    job : Job
        With its unit, type and owner.
    entries : sequence of mappings
        The whole log.
    made : date
        Of the listing.
    words : PersonalWords
        What is not to be published of the job.
    without : frozenset of int
        Numbers of entries whose photos are left out.

    Raises
    ------
    ListingError
        A customer's unit, or one that was parted out.
    """
    if job.unit.owner.kind == "customer":
        raise ListingError(
            tr(
                "job {number}: a customer's unit found; allowed: own stock. It is not the bench's to "
                "sell: give the owner the handover report, or take the unit in as own stock once it was "
                "bought",
                number=job.number,
            )
        )
    if state.stage == "parted out":
        raise ListingError(
            tr("job {number}: a unit that was parted out found; allowed: one that is still whole", number=job.number)
        )
    report = publishable(handover(job, state, entries, made, without=without), words)
    unit_type, kept = state.compiled.loaded.unit_type, _Kept()
    sections = (
        Section(tr("How it stands"), _stands(report, state)),
        Section(tr("What works, and how it was shown"), tidied(report.proven.passed)),
        Section(tr("What fails"), tidied([*_failing(report), *report.proven.failed])),
        Section(tr("Not tested"), _not_tested(state, words, kept)),
        Section(tr("Not there"), tidied(report.proven.absent)),
        Section(tr("Electrical safety"), _safety(report)),
        Section(tr("What was done"), _done(report, kept)),
        Section(tr("Known wear, and what is missing"), _wear(report, kept)),
        Section(tr("With it"), _with_it(report, kept)),
        Section(tr("The adapter it needs"), _adapter(report)),
        Section(
            tr("Take care"),
            tuple(f"{spoken(c.name)}: {tidy(spoken(c.hazard))} {tidy(spoken(c.defer))}" for c in report.cautions),
        ),
        Section(tr("Warranty"), _warranty(report, kept)),
    )
    photos = [photo for photo in report.photos if photo.kind in PHOTO_KINDS]
    order = {"after": 0, "during": 1, "before": 2}
    return Listing(
        job=job.number,
        title=unit_type.unit_type,
        under=_under(unit_type),
        about=tr("Of the type: {text}", text=tidy(spoken(unit_type.about))),
        sections=tuple(each for each in sections if each.lines),
        photos=tuple(sorted(photos, key=lambda photo: order[photo.when])),
        warnings=_warnings(report, state),
        left_out=tuple(kept.left_out),
    )


def facts(made: Listing) -> dict[str, Any]:
    """The listing as plain values, for JSON."""
    return {
        "job": made.job,
        "title": made.title,
        "under": made.under,
        "about": made.about,
        "sections": {each.heading: list(each.lines) for each in made.sections},
        "photos": [{"entry": p.n, "photo": p.sha256, "caption": tidy(p.caption), "when": p.when} for p in made.photos],
        "text": made.text,
        "warnings": list(made.warnings),
        "left_out": list(made.left_out),
    }


# ---------------------------------------------------------------- words


def tidy(text: str) -> str:
    """On one line, without characters that are not seen."""
    seen = "".join(c for c in text if c in "\n\t" or unicodedata.category(c) not in ("Cc", "Cf", "Co", "Cs"))
    return " ".join(seen.split())


def tidied(lines: Iterable[str]) -> tuple[str, ...]:
    """Each tidy, and once."""
    return tuple(dict.fromkeys(line for line in map(tidy, lines) if line))


def claims(text: str) -> str:
    """The first word by which a text claims that something works or was tried; empty where it claims nothing."""
    found = CLAIMS.search(DENIED.sub(" ", text))
    return found.group() if found else ""


class _Kept:
    """Free text of the log, as far as it may be taken in; what was left out is told."""

    def __init__(self) -> None:
        self.left_out: list[str] = []

    def text(self, text: str, where: str) -> str:
        """The text, or nothing where it claims."""
        text = tidy(text)
        word = claims(text)
        if not word:
            return text
        self.left_out.append(
            tr(
                "{where}: it says “{word}”, which only the proving page can show. It was left out: {text}",
                where=where,
                word=word,
                text=text[:200],
            )
        )
        return ""


# ---------------------------------------------------------------- sections


def _under(unit_type: UnitType) -> str:
    years = unit_type.years
    made = (
        ""
        if years is None
        else tr("made {year}", year=years[0])
        if years[0] == years[1]
        else tr("made {first} to {last}", first=years[0], last=years[1])
    )
    return ", ".join(piece for piece in (unit_type.maker or "", made) if piece)


def _failing(report: Handover) -> list[str]:
    return [line for line in report.verified if line.endswith("fails") or "still fails" in line]


def _stands(report: Handover, state: JobState) -> tuple[str, ...]:
    """What may be said of the whole, never more than was shown."""
    proven = report.proven
    lines = []
    if _failing(report) or proven.failed:
        lines.append(tr("It has a fault. For repair, or for parts."))
    if not proven.begun:
        lines.append(tr("It was not proven in any way. It is offered as not tested."))
        seen = [line for line in report.verified if "good in the function test" in line]
        lines += [tr("Looked at, and no proof: {what}", what=re.sub(r" [(]entry [0-9]+[)]", "", line)) for line in seen]
    else:
        lines.append(tr("Acceptance list, {proven}.", proven=proven.text))
    if left := state.ledger.left_over():
        lines.append(tr("It is not wholly put together: {rest}", rest=left))
    return tidied(lines)


def _not_tested(state: JobState, words: PersonalWords, kept: _Kept) -> tuple[str, ...]:
    """What was said not to be tested, with its reason word for word; what is still open; and what nothing is known of,
    each line of the acceptance list once."""
    lines: list[str] = []
    nothing: dict[str, list[str]] = {}
    for found in state.proving.statement.findings:
        place = f"{found.row}, {found.condition}"
        if found.status not in ("not tested", "open"):
            continue
        reason = found.text.removeprefix(f"{place}: not tested: ")
        if found.status == "open" and reason == "nothing recorded":
            nothing.setdefault(found.row, []).append(found.condition)
        elif reason == found.text:  # begun, and not enough of it
            lines.append(words.scrub(found.text))
        else:
            why = kept.text(words.scrub(reason), tr("reason for {place}", place=place))
            lines.append(tr("{place}: not tested", place=words.scrub(place)) + (f": {why}" if why else ""))
    lines += [
        tr("{row} ({at}): not tested, nothing recorded", row=words.scrub(row), at="; ".join(at))
        for row, at in nothing.items()
    ]
    return tidied(lines)


def _safety(report: Handover) -> tuple[str, ...]:
    safety = report.safety
    if safety is None or not (safety.mains or safety.recorded):
        return ()
    lines = [safety.says]
    if safety.mains and not safety.holds:
        lines.append(tr("Do not connect it to the mains before somebody qualified has looked at it."))
    return tidied(lines)


def _done(report: Handover, kept: _Kept) -> tuple[str, ...]:
    lines = []
    for each in report.done:
        if each.whitening:  # told by what it did
            continue
        what = kept.text(each.what, tr("entry {n}", n=each.n)) if each.one_way else each.what
        note = kept.text(each.note, tr("note of entry {n}", n=each.n))
        lines.append(f"{what}{f'. {note}' if what and note else note} ({each.day:%Y-%m-%d})" if what or note else "")
    for part in report.parts:
        if not part.new.startswith("parts of entry"):
            place = "" if part.place in ("Not modelled", tr("Not modelled")) else f"{part.place}: "
            said = (
                tr("{new} fitted in place of {old}", new=part.new, old=part.old)
                if part.old
                else tr("used {new}", new=part.new)
            )
            lines.append(kept.text(place + said, tr("part {place}", place=part.place)))
    for white in report.whitened:
        left = f": {white.left}" if white.left else ""
        if white.how != tr("not whitened"):
            lines.append(
                tr(
                    "{part}: whitened, {how}, {hours:g} h{left}",
                    part=white.part,
                    how=white.how,
                    hours=white.hours,
                    left=left,
                )
            )
    return tidied(lines) or (tr("No repair is recorded."),)


def _wear(report: Handover, kept: _Kept) -> tuple[str, ...]:
    lines = [kept.text(line, "condition") for line in report.wear]
    lines += [
        kept.text(tr("{item}: left off, {why}", item=item, why=why), tr("left off: {item}", item=item))
        for item, why in report.left_off
    ]
    lines += [f"{each.part}: {each.later}" for each in report.whitened if each.later]
    return tidied(lines) or (tr("Nothing was written down of its condition."),)


def _with_it(report: Handover, kept: _Kept) -> tuple[str, ...]:
    counted = report.came.accessories
    lines = [kept.text(name, "accessory") for name, how in counted if how == "here"]
    lines += [tr("not looked for: {name}", name=name) for name, how in counted if how == "not looked at"]
    return tidied(lines) or (tr("The unit alone; nothing was counted with it."),)


def _adapter(report: Handover) -> tuple[str, ...]:
    adapter = report.adapter
    if adapter is None:
        return ()
    facts = [f"{name}: {value}" for name, value in adapter.facts]
    last = (
        tr("All five were confirmed on this unit.")
        if adapter.confirmed
        else tr("By its type; not confirmed on this unit.")
    )
    return tidied([*facts, tr("{last} A wrong adapter can destroy it: all five must match.", last=last)])


def _warranty(report: Handover, kept: _Kept) -> tuple[str, ...]:
    given = report.warranty
    more = tr("The law may give more.")
    if given is None:
        return (tr("None is promised. {more}", more=more),)
    covers = kept.text(given.covers, "warranty") or tr("as agreed in writing")
    note = kept.text(given.note, tr("note of the warranty"))
    return tidied(
        [
            tr("{days} days, {covers}.", days=given.days, covers=covers),
            tr("Not: {note}.", note=note) if note else "",
            more,
        ]
    )


def _warnings(report: Handover, state: JobState) -> tuple[str, ...]:
    said = []
    if state.stage != "handed over":
        said.append(
            tr("The job stands at “{stage}”: write the listing again when it is finished.", stage=tr(state.stage))
        )
    said += [line[:1].upper() + line[1:] + "." for line in report.standing.against]
    if not report.came.accessories:
        said.append(tr("Nothing was counted of what comes with it."))
    if any("nothing said since" in line for line in report.wear):
        said.append(tr("Its condition is that of take-in: look again, and write it down."))
    if not any(photo.when == "after" for photo in report.photos):
        said.append(tr("No photo was taken after the work."))
    return tidied(said)
