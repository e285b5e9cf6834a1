"""The shape of knowledge files: block kinds, unit types, cautions, point kinds.

One YAML file holds one block kind or one unit type. Names follow the design's vocabulary. What a
failure mode does to what its block delivers is said with a few *signs*; signs travel along `needs`
and decide what a check sees, so that nobody fills in conditional tables.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from refettle.knowledge.fields import Id, Minutes, Name, NonNegative, Number, Positive, Probability, Prose, Strict
from refettle.knowledge.supplies import SupplySection
from refettle.language import mark, tr

SIGNS: dict[str, str] = {
    "dead": mark("nothing is delivered"),
    "high": mark("too much is delivered (overvoltage, too loud, too fast)"),
    "restart": mark("it restarts over and over"),
    "garbled": mark("it is delivered wrong (false characters, wrong colours, distortion)"),
    "part": mark("part of it is missing (a row of keys, one channel, the colour)"),
    "low": mark("too little is delivered (low rail, faint, quiet)"),
    "hum": mark("mains or ripple comes with it (hum, hum bars)"),
    "noise": mark("noise comes with it (snow, crackle)"),
    "slow": mark("it runs at the wrong or an unsteady speed"),
}
"""The signs, worst first: what a block at fault may do to what it delivers."""

Sign = Literal["dead", "high", "restart", "garbled", "part", "low", "hum", "noise", "slow"]
Condition = Literal["cold", "warm", "moved"]
Access = Literal["closed", "open", "board"]
ACCESS_LEVELS: tuple[Access, ...] = ("closed", "open", "board")
Reads = Literal["ripple", "rectified halves", "sound", "tape speed"]
"""What a file can tell that decides a check: from a capture of a supply's ripple its reservoir, or whether both halves
of the mains feed it; from a recording how it sounds, or how a speed test tape runs."""
Gear = Literal["eye", "ear", "meter", "esr-meter", "scope", "logic-probe", "thermometer", "test-media", "known-good"]

OutcomeId = Annotated[str, Field(pattern=r"^[a-zA-Z0-9][^\n<>]{0,59}$")]


ErrorRate = Annotated[Number, Field(ge=0.001, le=0.5)]
DEFAULT_MISS = 0.05


def miss_rates(miss: float | dict[str, float], outcomes: list[str]) -> list[float]:
    """The chance of reading good for each bad outcome, in the order of `outcomes`."""
    if not isinstance(miss, dict):
        return [miss] * len(outcomes)
    return [miss.get(o, miss.get("*", DEFAULT_MISS)) for o in outcomes]


def _misses_known(miss: float | dict[str, float], outcomes: list[str]) -> None:
    if isinstance(miss, dict):
        unknown = set(miss) - set(outcomes) - {"*"}
        if unknown:
            raise ValueError(
                tr(
                    "miss names '{outcome}', which is no outcome; outcomes: {outcomes}, or *",
                    outcome=min(unknown),
                    outcomes=", ".join(outcomes),
                )
            )


class FailureMode(Strict):
    """One way a block fails (IEC 60812's term)."""

    name: Name
    share: Annotated[Number, Field(ge=1e-3, le=1000)]
    """Relative rate among the modes of this block."""
    effect: Annotated[list[Sign], Field(min_length=1)]
    active: Probability | dict[Condition, Probability] = 1.0
    """Chance that the fault shows on one look; below 1 the fault is intermittent. Per condition if a
    mapping (conditions not named use 'cold', or 1)."""

    @model_validator(mode="after")
    def _shows_somewhere(self) -> FailureMode:
        rates = self.active.values() if isinstance(self.active, dict) else [self.active]
        if not any(rate > 0 for rate in rates):
            raise ValueError(tr("active must be above 0 in at least one condition, or the fault never shows"))
        return self


class Check(Strict):
    """An observation under stated conditions. Exactly one of `sees`, `looks_at`, `swap`."""

    name: Name
    sees: str | Annotated[list[str], Field(min_length=1)] | None = None
    """'output' (of this block, with all it needs), a block's id, or a list of ids."""
    without: list[Id] = []
    """Blocks bypassed or out of the way while this check is made."""
    looks_at: list[Id] = []
    """Failure modes of this block seen directly, whatever else is wrong."""
    swap: bool = False
    """True: the unit's outputs are looked at with this block replaced by one known to be good."""
    outcomes: dict[OutcomeId, list[str]] = {}
    """Bad outcomes, worst first: the signs (with `sees`) or failure modes (with `looks_at`) that give it."""
    good: Name = "good"
    """What good looks like; the outcome itself is always called 'good'."""
    minutes: Minutes
    false_alarm: ErrorRate = 0.02
    miss: ErrorRate | dict[OutcomeId | Literal["*"], ErrorRate] = 0.05
    """Chance that a bad thing reads good; as a mapping, for each bad outcome ('*' for the others)."""
    mix: ErrorRate = 0.05
    """Chance that one bad outcome is taken for another bad one."""
    gear: Gear = "eye"
    condition: Condition = "cold"
    powered: bool = True
    needs_running: bool = False
    """True: it tells nothing while the unit shows no life (a key test without a picture)."""
    access: Access = "closed"
    harm: NonNegative = 0
    """Expected harm in minutes of bench time each time it is made."""
    cautions: list[Id] = []
    reads: Reads | None = None
    """The kind of file that can decide it as a graded reading."""
    how: Prose
    source: Name | None = None

    @model_validator(mode="after")
    def _one_way_of_looking(self) -> Check:
        ways = [self.sees is not None, bool(self.looks_at), self.swap]
        if sum(ways) != 1:
            raise ValueError(tr("exactly one of sees, looks_at, swap: true"))
        if not self.swap and not self.outcomes:
            raise ValueError(tr("outcomes must name at least one bad outcome"))
        if self.swap and self.outcomes:
            raise ValueError(tr("no outcomes with swap: they are always 'good' and 'no change'"))
        if "good" in self.outcomes:
            raise ValueError(tr("'good' is the outcome when nothing is wrong; do not list it among the bad ones"))
        _misses_known(self.miss, list(self.outcomes) or ["no change"])
        if self.false_alarm + max(miss_rates(self.miss, list(self.outcomes) or ["no change"])) > 0.9:
            raise ValueError(tr("false_alarm + miss must stay below 0.9, or the check says nothing"))
        return self


class Part(Strict):
    """A part that a repair uses up. Price in the bench's currency."""

    part: Name
    count: Annotated[int, Field(ge=1, le=500)] = 1
    price: NonNegative = 0


class Harm(Strict):
    """What can go wrong in a repair."""

    chance: Probability
    what: Name
    minutes: NonNegative = 0
    causes: str | None = None
    """Failure mode brought in: 'mode' of this block, or 'block-kind/mode'."""


class Repair(Strict):
    """An action that removes failure modes."""

    name: Name
    fixes: Annotated[dict[str, Annotated[Number, Field(gt=0, le=1)]], Field(min_length=1)]
    """Failure mode -> chance that it is gone afterwards."""
    minutes: Minutes
    parts: list[Part] = []
    access: Access = "closed"
    undo: bool = True
    """False: the step cannot be undone and is gated."""
    proof: Prose | None = None
    """For a step that cannot be undone: what must be shown before it is offered."""
    harm: Harm | None = None
    cautions: list[Id] = []
    how: Prose
    source: Name | None = None
    """'common practice, no source', 'disputed: ...' or a published source."""


class BlockKind(Strict):
    """A generic block: the knowledge library's unit."""

    block_kind: Id
    name: Name
    about: Prose
    weight: Annotated[Number, Field(ge=1e-3, le=100)]
    """Of 100 faulty units, about this many have this block at fault."""
    weight_basis: Name = mark("estimate")
    bench_gear: bool = False
    """True for the bench's own lead, adapter, display: they fail too, and are not the unit."""
    passes: dict[Sign | Literal["*"], Sign | None] = {}
    """How a sign that comes in from what this block needs goes out; not named: unchanged; null: stopped."""
    modes: Annotated[dict[Id, FailureMode], Field(min_length=1)]
    checks: dict[Id, Check] = {}
    repairs: Annotated[dict[Id, Repair], Field(min_length=1)]
    cautions: list[Id] = []


class Caution(Strict):
    """The usual precaution for a hazard; defers to local codes and licensed practice."""

    name: Name
    hazard: Prose
    do: Annotated[list[Prose], Field(min_length=1)]
    defer: Prose
    gate: bool = False
    """True: must be acknowledged in the job before a step that carries it is opened."""


class PointKind(Strict):
    """What can be seen at a kind of output: the bad outcomes, worst first, and the signs behind each."""

    name: Name
    outcomes: Annotated[dict[OutcomeId, list[Sign]], Field(min_length=1)]
    good: Name
    gear: Gear = "eye"
    minutes: Minutes = 2
    false_alarm: ErrorRate = 0.01
    miss: ErrorRate | dict[OutcomeId | Literal["*"], ErrorRate] = 0.03
    mix: ErrorRate = 0.05
    shows_life: bool = False
    """True: what is seen here tells whether the unit runs at all (a picture, a panel, a tape that turns)."""
    needs_running: bool = False
    """True: it cannot be judged while the unit shows no life."""
    reads: Reads | None = None
    """The kind of file that can decide it as a graded reading."""
    how: Prose

    @model_validator(mode="after")
    def _known_misses(self) -> PointKind:
        _misses_known(self.miss, list(self.outcomes))
        return self


class Block(Strict):
    """A block of a unit type: its kind, what it needs, and what differs from the kind."""

    kind: Id
    name: Name | None = None
    part: Name | None = None
    needs: list[Id] | dict[Id, dict[Sign | Literal["*"], Sign | None] | None] = []
    """Blocks this one needs; as a mapping, with how signs pass along that one need."""
    weight: Annotated[Number, Field(ge=1e-3, le=100)] | None = None
    modes: dict[Id, dict[str, Any] | None] = {}
    checks: dict[Id, dict[str, Any] | None] = {}
    repairs: dict[Id, dict[str, Any] | None] = {}
    note: Prose | None = None


class Point(Strict):
    """Somewhere to look."""

    shows: Id
    """The point kind: picture, sound, lamp, keys, ..."""
    name: Name
    sees: Id | Annotated[list[Id], Field(min_length=1)]
    """The block, or blocks (a lead and a display carry no needs of their own), whose state shows here."""
    minutes: Minutes | None = None
    condition: Condition = "cold"
    how: Prose | None = None
    cautions: list[Id] = []


class Adapter(Strict):
    """The five adapter facts that must match before first power-on."""

    output: Literal["AC", "DC"]
    volts: Positive
    amps: Positive
    polarity: Literal["centre positive", "centre negative", "not polarised"]
    plug: Name


class Rail(Strict):
    """A supply rail and its reference readings from good units."""

    name: Name
    volts: Annotated[Number, Field(ge=-1e6, le=1e6)]
    tolerance: Probability = 0.05
    to_ground_ohm: Positive | None = None
    """Typical resistance to ground, unpowered, from a good unit."""


class PowerOn(Strict):
    """What to confirm before and during first power-on."""

    feed: Literal["mains", "adapter", "batteries"]
    rails: dict[Id, Rail] = {}
    current_amps: Positive | None = None
    """Expected supply current of a good unit at its low-voltage feed."""
    proves: list[str] = []
    """Checks ('block.check') that count as made, with outcome good, when the gate is passed."""
    note: Prose | None = None


class Value(Strict):
    """What a unit is worth, in the bench's currency."""

    working: NonNegative
    as_is: NonNegative = 0
    parts: NonNegative = 0


class TypeCheck(Check):
    """A check of the unit as a whole; `looks_at` takes 'block.mode'."""

    looks_at: list[str] = []


class Acceptance(Strict):
    """What must be shown before handover. A line of text stands for a name alone: shown once."""

    name: Name
    conditions: list[Name] = []
    """Each is proven by itself; none named: once, at the bench."""
    trials: Annotated[int, Field(ge=1, le=1000)] = 1
    """Good ones in a row in each condition."""
    minutes: Minutes | None = None
    """A soak: it runs so long within hearing."""
    refit_disturbs: bool = True
    """Closing the unit can undo it, so that it is shown again after refit."""
    safety: bool = False
    """The electrical safety record, or a referral."""
    counts_of: list[str] = []
    """Points or checks whose counts before the repair are counts of this, in its first condition."""

    @model_validator(mode="before")
    @classmethod
    def _text(cls, given: Any) -> Any:
        if isinstance(given, str):
            return {"name": given}
        if not isinstance(given, dict | cls):
            raise ValueError(tr("a line of text, or a mapping with a name"))
        return given

    @model_validator(mode="after")
    def _fits(self) -> Acceptance:
        twice = next((c for c in self.conditions if self.conditions.count(c) > 1), None)
        if twice is not None:
            raise ValueError(tr("conditions names '{twice}' twice; each once", twice=twice))
        if self.safety and (self.trials > 1 or self.minutes is not None or self.conditions):
            raise ValueError(tr("safety stands alone: no trials, minutes or conditions with it"))
        return self


CATEGORY_OF_FAMILY: dict[str, str] = {
    "home computer": "Desktop computer",
    "cartridge console": "Games console",
    "handheld": "Handheld entertainment device",
    "cassette player": "Handheld entertainment device",
    "radio": "Portable radio",
}
"""Under which product category of the Open Repair Data Standard 0.3 a family is looked up; 'other' under none."""


class UnitType(Strict):
    """A kind of unit, described in one file."""

    unit_type: Name
    maker: Name | None = None
    family: Literal["home computer", "cartridge console", "handheld", "cassette player", "radio", "other"]
    category: Name | None = None
    """What such things are called in published repair records; by default by family."""
    years: tuple[int, int] | None = None
    about: Prose
    value: Value
    power_on: PowerOn
    adapter: Adapter | None = None
    access: dict[Literal["open", "board"], Minutes] = {"open": 10, "board": 15}
    """Minutes to open the case, and from there to have the board out: paid once, until it is closed again."""
    retest: Minutes = 5
    """Minutes of the function test after each repair."""
    must_save: list[Name] = []
    """Data that must be saved before any battery comes out."""
    accessories: list[Name] = []
    blocks: Annotated[dict[Id, Block], Field(min_length=1, max_length=120)]
    points: Annotated[dict[Id, Point], Field(min_length=1, max_length=40)]
    checks: dict[Id, TypeCheck] = {}
    repairs: dict[Id, Repair] = {}
    acceptance: Annotated[list[Acceptance], Field(min_length=1)]
    cautions: list[Id] = []
    supply: SupplySection | None = None
    """Its linear supply, as far as it is known."""
    note: Prose | None = None

    @property
    def records_category(self) -> str | None:
        """Under which category it is looked up in published repair records; None for a family that has none."""
        return self.category or CATEGORY_OF_FAMILY.get(self.family)

    @model_validator(mode="after")
    def _an_adapter_if_fed_by_one(self) -> UnitType:
        if self.power_on.feed == "adapter" and self.adapter is None:
            raise ValueError(tr("power_on.feed is 'adapter', so the adapter's five facts must be given"))
        if self.years is not None and not 1930 <= self.years[0] <= self.years[1] <= 2100:
            raise ValueError(tr("years must be two years in order, 1930 to 2100"))
        return self
