"""One reading of a marking: what it says, by which system, and the reasons for and against it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any, Literal, get_args

from refettle.language import tr
from refettle.quantities import THIN, number, show

Kind = Literal["resistor", "capacitor", "electrolytic", "inductor", "date", "type number"]
KINDS: tuple[Kind, ...] = get_args(Kind)
UNITS: dict[Kind, str] = {"resistor": "Ω", "capacitor": "F", "electrolytic": "F", "inductor": "H"}
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


class MarkingError(ValueError):
    """A marking, kind or span of years that cannot be taken; the message says what was found and what is allowed."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a reading is likely (points above 0) or not (below 0). All points are estimates; they only rank."""

    points: int
    text: str


@dataclass(frozen=True, slots=True)
class Tolerance:
    """Limits as fractions of the value, or in its unit where `absolute` [F, ohm or H]."""

    low: float
    high: float
    absolute: bool = False

    def said(self, unit: str) -> str:
        """`±5 %`, `−20/+80 %`, `±0.25 pF`."""
        if self.absolute:
            return f"±{show(self.high, unit)}"
        low, high = (f"{number(round(100 * limit, 9), 4)}" for limit in (self.low, self.high))
        if self.low == -self.high:
            return f"±{high}{THIN}%"
        return f"{low if self.low else '−0'}/+{high}{THIN}%"


@dataclass(frozen=True, slots=True)
class Reading:
    """What a marking may say.

    `piece` is the part of the text that is read; `rank` counts from 1 within the piece, and readings that stand equal
    share it. `value` [ohm, F or H] and `tolerance` are None where the piece does not give them. `sections` holds the
    values of a can with several capacitors; `series` the maker's series letters as printed, `words` what was printed
    and not read. `voltage` [V], `power` [W], `temperature` lowest and highest [°C], `tempco` [1/K].
    """

    kind: Kind
    system: str
    reasons: tuple[Reason, ...] = ()
    piece: str = ""
    rank: int = 0
    value: float | None = None
    sections: tuple[float, ...] = ()
    tolerance: Tolerance | None = None
    e_series: str = ""
    voltage: float | None = None
    alternating: bool = False
    power: float | None = None
    temperature: tuple[float | None, float] | None = None
    tempco: float | None = None
    characteristic: str = ""
    safety: str = ""
    polarity: Literal["", "polar", "bipolar"] = ""
    series: str = ""
    year: int | None = None
    month: int | None = None
    week: int | None = None
    number: str = ""
    words: tuple[str, ...] = field(default=())

    @property
    def points(self) -> int:
        """The sum that ranks; an estimate."""
        return sum(reason.points for reason in self.reasons)

    @property
    def unit(self) -> str:
        """Unit of `value`."""
        return UNITS.get(self.kind, "")

    @property
    def says(self) -> str:
        """The reading in a few words."""
        if self.kind == "date":
            return self._date()
        if self.kind == "type number":
            return f"{self.number}, {self.characteristic}"
        said = [" + ".join(show(value, self.unit) for value in self.sections)] if self.sections else []
        if self.value is not None and not self.sections:
            said.append(show(self.value, self.unit, 4))
        if self.tolerance is not None:
            said.append(self.tolerance.said(self.unit))
        if self.voltage is not None:
            said.append(show(self.voltage, "V") + (" alternating" if self.alternating else ""))
        if self.power is not None:
            said.append(show(self.power, "W"))
        said += [
            text for text in (self.characteristic, self.safety and tr("class {safety}", safety=self.safety)) if text
        ]
        if self.temperature is not None:
            low, high = self.temperature
            start = "" if low is None else f"{number(low)} to "
            said.append(f"{start}{show(high, '°C')}")
        if self.tempco is not None:
            said.append(tr("±{tempco}{thin}ppm/K", tempco=number(self.tempco * 1e6), thin=THIN))
        if self.polarity == "bipolar":
            said.append("bipolar")
        if self.series:
            said.append(tr("series {series}", series=self.series))
        return ", ".join(said)

    def _date(self) -> str:
        if self.week is not None:
            return tr("week {week} of {year}", week=self.week, year=self.year)
        if self.month is not None:
            return f"{MONTHS[self.month - 1]} {self.year}"
        return f"{self.year}"

    def because(self, *reasons: Reason | None, **changes: Any) -> Reading:
        """This reading with further reasons (None is passed over) and changed fields."""
        further = tuple(reason for reason in reasons if reason is not None)
        return replace(self, reasons=self.reasons + further, **changes)


def ranked(readings: Iterable[Reading]) -> list[Reading]:
    """Most points first, equal points sharing a rank; of readings that say the same the best is kept."""
    best: dict[tuple[str, str, str], Reading] = {}
    for reading in readings:
        meaning = (reading.kind, reading.says, reading.piece)
        if meaning not in best or reading.points > best[meaning].points:
            best[meaning] = reading
    kept = sorted(best.values(), key=lambda each: -each.points)
    found: list[Reading] = []
    for place, reading in enumerate(kept, 1):
        tied = bool(found) and reading.points == found[-1].points
        found.append(replace(reading, rank=found[-1].rank if tied else place))
    return found
