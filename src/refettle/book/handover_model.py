"""What a handover report holds, as plain values that pages, PDF and JSON share. No database and no framework."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date, datetime
from typing import Any, Literal

from refettle.language import SOURCE, current, spoken, tr

How = Literal["proven by swap", "pointed to by a swap", "measured", "seen", "said by the owner", "inferred"]
When = Literal["before", "during", "after"]


def chance_words(chance: float) -> str:
    """A chance in percent, never 0 or 100."""
    if chance > 0.99:
        return tr("above 99\u202f%")
    return f"{100 * chance:.0f}\u202f%" if chance >= 0.01 else tr("below 1\u202f%")


def headed(name: str) -> str:
    """A name of the unit type in the current language, as the head of a line."""
    if current() == SOURCE:
        return name.capitalize()
    said = spoken(name)
    return said[:1].upper() + said[1:]


@dataclass(frozen=True)
class Unit:
    """Whose unit it is and what it is. Serial, owner and contact are empty in a report to be published."""

    type: str
    label: str
    serial: str
    owner: str
    contact: str
    customer: bool
    maker: str = ""


@dataclass(frozen=True)
class Standing:
    """Whether the job is at its end, and what stands against it. `head` goes across the top of every page."""

    stage: str
    ended: bool
    ready: bool
    head: str
    against: tuple[str, ...] = ()
    reason: str = ""
    """Why it was handed over all the same, in the words of the log."""


@dataclass(frozen=True)
class CameIn:
    """How the unit came, word for word."""

    said: str = ""
    condition: tuple[tuple[str, str], ...] = ()
    accessories: tuple[tuple[str, str], ...] = ()
    rattle: str = ""
    smell: str = ""
    note: str = ""
    complaints: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True)
class Photo:
    """A photo of the log. `when`: before the work, while it went on, or after its last step."""

    n: int
    at: datetime
    sha256: str
    caption: str
    when: When
    kind: str = "photo"


@dataclass(frozen=True)
class PhotoPair:
    """Two photos said to show the same thing, the first before the work and the last after it."""

    words: str
    before: Photo
    after: Photo


@dataclass(frozen=True)
class Found:
    """A block found at fault or suspected. `modes`: failure modes with the chance that each was there, by the whole
    log; `how` sure, and `by` what; `repaired`: what was done for it and what became of it."""

    block: str
    chance: float
    modes: tuple[tuple[str, float], ...]
    how: How
    by: str
    bench: bool = False
    repaired: str = ""

    @property
    def likely(self) -> str:
        """The chance in words."""
        return chance_words(self.chance)

    @property
    def modes_said(self) -> tuple[str, ...]:
        """Each failure mode with its chance."""
        return tuple(f"{spoken(name)} {chance_words(chance)}" for name, chance in self.modes)


@dataclass(frozen=True)
class Done:
    """Something done: a repair, a step that cannot be undone, a treatment."""

    n: int
    day: date
    what: str
    note: str = ""
    one_way: bool = False
    allowed: str = ""
    """Of a step that cannot be undone: on what go-ahead, or why without one."""
    whitening: bool = False


@dataclass(frozen=True)
class Part:
    """A part fitted: where, in place of what."""

    place: str
    new: str
    old: str = ""
    price: float | None = None
    why: str = ""
    note: str = ""


@dataclass(frozen=True)
class Measured:
    """A figure before and after the repairs; empty where it was not taken."""

    where: str
    before: str
    after: str
    n_before: int | None = None
    n_after: int | None = None


@dataclass(frozen=True)
class Whitened:
    """What whitening did to one part, and what may come back."""

    part: str
    how: str
    hours: float
    before: str
    after: str
    left: str
    later: str


@dataclass(frozen=True)
class ProvenRow:
    """One line of the acceptance list in short: what passed in which condition, and how often."""

    name: str
    cells: tuple[str, ...]


@dataclass(frozen=True)
class Proven:
    """What the proving grid may say at this moment."""

    begun: bool
    text: str
    rows: tuple[ProvenRow, ...] = ()
    """Of what passed, in short; each claim in full stands in `passed`."""
    passed: tuple[str, ...] = ()
    failed: tuple[str, ...] = ()
    not_tested: tuple[str, ...] = ()
    still_open: tuple[str, ...] = ()
    open_rows: tuple[ProvenRow, ...] = ()
    """Of what is still open, in short: which condition of which line."""
    absent: tuple[str, ...] = ()


@dataclass(frozen=True)
class Safety:
    """The electrical safety record. `says` in full; `holds` for the unit as it is now."""

    mains: bool
    recorded: bool
    holds: bool
    says: str


@dataclass(frozen=True)
class Adapter:
    """The five facts of the adapter that the owner must use."""

    output: str
    volts: float
    amps: float
    polarity: str
    plug: str
    confirmed: bool

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """Each with its name."""
        return (
            (tr("Output"), spoken(self.output)),
            (tr("Volts"), tr("{volts:g}\u202fV", volts=self.volts)),
            (tr("Amps"), tr("at least {amps:g}\u202fA", amps=self.amps)),
            (tr("Polarity"), spoken(self.polarity)),
            (tr("Plug"), spoken(self.plug)),
        )


@dataclass(frozen=True)
class Caution:
    """A caution for whoever uses the unit."""

    id: str
    name: str
    hazard: str
    do: tuple[str, ...]
    defer: str


@dataclass(frozen=True)
class Warranty:
    """What is promised, from when to when."""

    days: int
    covers: str
    starts: date
    ends: date
    note: str = ""


@dataclass(frozen=True)
class Price:
    """Money, shown only where it is asked for."""

    currency: str
    quoted: str = ""
    agreed: str = ""
    parts: float = 0.0
    minutes: float = 0.0


@dataclass(frozen=True)
class Recorded:
    """One entry as the full record shows it."""

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


@dataclass(frozen=True)
class Handover:
    """A job's report. `trouble`: why nothing can be worked out of its log; then it is the plain record and no more."""

    job: int
    unit: Unit
    opened: date
    closed: date | None
    made: date
    standing: Standing
    came: CameIn
    went: tuple[tuple[str, str], ...] = ()
    pairs: tuple[PhotoPair, ...] = ()
    photos: tuple[Photo, ...] = ()
    found: tuple[Found, ...] = ()
    found_note: str = ""
    verified: tuple[str, ...] = ()
    done: tuple[Done, ...] = ()
    parts: tuple[Part, ...] = ()
    measured: tuple[Measured, ...] = ()
    whitened: tuple[Whitened, ...] = ()
    proven: Proven = field(default_factory=lambda: Proven(False, tr("nothing was tried")))
    left_off: tuple[tuple[str, str], ...] = ()
    wear: tuple[str, ...] = ()
    safety: Safety | None = None
    adapter: Adapter | None = None
    cautions: tuple[Caution, ...] = ()
    warranty: Warranty | None = None
    price: Price | None = None
    record: tuple[Recorded, ...] = ()
    trouble: str = ""
    public: bool = False

    @property
    def single_photos(self) -> tuple[Photo, ...]:
        """Photos that stand in no pair."""
        paired = {photo.n for pair in self.pairs for photo in (pair.before, pair.after)}
        return tuple(photo for photo in self.photos if photo.n not in paired)


def plain(value: Any) -> Any:
    """The report as mappings, lists and plain values, for JSON."""
    if hasattr(value, "__dataclass_fields__"):
        return {f.name: plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(each) for each in value]
    if isinstance(value, date | datetime):
        return value.isoformat()
    return value
