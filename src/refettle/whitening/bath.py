"""A peroxide bath by mass: what to weigh, in which order, and what it can give off.

    m_bath = V rho(w_bath),  m_stock = m_bath w_bath / w_stock,  m_water = m_bath - m_stock

By mass because volumes shrink on mixing, and because C1 V1 = C2 V2 with the percentages of labels gives 13 % where 12 %
was meant. If all of it comes apart, 2 H2O2 -> 2 H2O + O2 gives off 98.2 kJ per mol of H2O2 (encyclopedia article):

    O2 [L at 25 °C] = n 24.47 / 2,   dT [K] = n 98.2 kJ / (m c),   c = 2.62 w + 4.18 (1 - w) kJ/(kg K) (from memory)

Nothing here says how fast whitening goes: that is learnt at the bench (`refettle.whitening.progress`).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import exp

from refettle.language import decimal, shown, tr
from refettle.quantities import QuantityError, number, parse
from refettle.whitening.law import Gate, HazardClass, PeroxideLaw, classes_of, refuse_above
from refettle.whitening.strength import MOLAR, Strength, density, grams_per_litre, volume_strength
from refettle.whitening.values import WhiteningError, within

LOSS_PER_YEAR = (0.01, 0.10)
"""Share of its strength that a closed, cool bottle loses in a year, least and most: estimate, no source."""
MOST_YEARS = 20.0
REACTION = 98.2
"""[kJ/mol] of H2O2."""
GAS = 24.465
"""[L/mol] at 25 °C and 1 atm."""
ABS_DENSITY = 1.05
"""[kg/L] of ABS without fillers: from memory."""
FREE = 0.10
"""Share of the tub to keep free above the liquid: common practice, no source."""
MOST_CELSIUS = 40.0
"""[°C] The warmest bath that is proposed."""
ACTIVATION = (45.0, 70.0)
"""[kJ/mol] Bleaching of wood pulp (Moldenius and Sjögren 1982; Ni 1997): another chemistry, so an assumption here."""
MOST_LITRES = 500.0
STRONG = 12.0
"""[% w/w] above which more than goggles and gloves is worn: common practice, no source."""
CAUTIONS = ("peroxide", "uv", "heat", "bromine-dust")


@dataclass(frozen=True, slots=True)
class Bath:
    """A recipe and what it can do.

    `target` [% w/w]; `stock_percent` and `bath_percent` [% w/w], least and most; `litres` [L] of liquid; `stock_kg`,
    `water_kg` [kg]; `stock_litres` [L]; `volumes` [vol] of the target; `oxygen_litres` [L at 25 °C] and `rise` [K] if
    all of it comes apart; `boils`: it then reaches 100 °C; `order`, `notes` as sentences; `gates` to hold first;
    `never` what must never be done, by mixing, sealing, leaving.
    """

    stock: Strength
    stock_percent: tuple[float, float]
    target: float
    bath_percent: tuple[float, float]
    litres: float
    stock_kg: float
    water_kg: float
    stock_litres: float
    volumes: float
    oxygen_litres: float
    rise: float
    celsius: float
    boils: bool
    order: tuple[str, ...]
    notes: tuple[str, ...]
    stock_classes: tuple[HazardClass, ...]
    bath_classes: tuple[HazardClass, ...]
    gates: tuple[Gate, ...]
    never: dict[str, tuple[str, ...]]
    law: str
    as_of: str
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def kg(self) -> float:
        """[kg] of the whole bath."""
        return self.stock_kg + self.water_kg


def read_litres(text: str, name: str, *, solid: float | None = None) -> float:
    """[L] from `10L`, `500 ml`, `2 litres`; with `solid` [kg/L] also from a mass, `2.1 kg`. Or WhiteningError."""
    cleaned = re.sub(r"(?i)\s*lit(?:re|er)s?$", " L", text.strip())
    try:
        if solid is not None and re.search(r"(?i)\dk?\s*g$|\d\s*k?g$", cleaned):
            litres = parse(cleaned, "g") / 1000.0 / solid
        else:
            litres = parse(cleaned, "L")
    except QuantityError:
        more = tr(", or a mass such as 2.1 kg") if solid is not None else ""
        raise WhiteningError(
            tr(
                "{name}: {text!r} found; allowed: litres, such as 10 L or 500 ml{more}",
                name=name,
                text=text[:60],
                more=more,
            )
        ) from None
    return within(name, litres, 0.0, MOST_LITRES, "L", above=solid is None)


def oxygen_litres(percent: float, litres: float) -> float:
    """[L at 25 °C] of oxygen that `litres` [L] of `percent` [% w/w] hold."""
    return grams_per_litre(percent) * litres / MOLAR / 2.0 * GAS


def rise(percent: float) -> float:
    """[K] by which a bath of `percent` [% w/w] warms if all of it comes apart, no heat lost and nothing boiling."""
    w = within("strength", percent, 0.0, 100.0, "% w/w") / 100.0
    return w * 1000.0 / MOLAR * REACTION / (2.62 * w + 4.18 * (1.0 - w))


def faster(start: float, end: float) -> tuple[float, float]:
    """How many times faster at `end` than at `start` [°C], least and most. Borrowed from wood pulp: an assumption."""
    for each in (start, end):
        within("temperature", each, 0.0, 60.0, "°C")
    step = (1.0 / (start + 273.15) - 1.0 / (end + 273.15)) * 1000.0 / 8.314
    low, high = sorted(exp(energy * step) for energy in ACTIVATION)
    return low, high


def aged(percent: float, years: float) -> tuple[float, float]:
    """[% w/w] least and most after `years` [a] in a closed, cool bottle: an assumption, not a measurement."""
    within("age", years, 0.0, MOST_YEARS, "years")
    least, most = LOSS_PER_YEAR
    return percent * (1.0 - most) ** years, percent * (1.0 - least) ** years


def recipe(
    stock: Strength,
    target: float,
    volume: float,
    law: PeroxideLaw,
    *,
    parts: float = 0.0,
    tub: float | None = None,
    years: float = 0.0,
    celsius: float = 20.0,
    professional: bool = False,
) -> Bath:
    """What to weigh for one bath.

    The strongest that the stock can be is what it is mixed by, so that the bath is never stronger than meant.

    Parameters
    ----------
    stock : Strength
        As the label says, or as measured.
    target : float
        [% w/w] of the bath.
    volume : float
        [L] up to the mark, with the parts in it.
    law : PeroxideLaw
        From the dated file.
    parts : float
        [L] that the parts displace.
    tub : float or None
        [L] that the tub holds to its brim; None if not given.
    years : float
        [a] since the label's strength was true; 0 where it was measured.
    celsius : float
        [°C] of the bath, 5 to 40.
    professional : bool
        The user chose to work as a professional or under a licence: more than the public may have.

    Raises
    ------
    WhiteningError
        A stock weaker than the bath, strengths above what the law allows, volumes and temperatures that cannot be.
    """
    within("target", target, 0.0, 100.0, "% w/w", above=True)
    refuse_above(law, "target", target, professional)
    refuse_above(law, "stock", stock.percent, professional)
    within("volume", volume, 0.0, MOST_LITRES, "L", above=True)
    within("parts", parts, 0.0, MOST_LITRES, "L")
    within("temperature", celsius, 5.0, MOST_CELSIUS, "°C")
    if parts >= volume:
        raise WhiteningError(
            tr(
                "parts: {parts:g} L found; allowed: less than the volume of {volume:g} L they lie in",
                parts=parts,
                volume=volume,
            )
        )
    if tub is not None and volume > (1.0 - FREE) * tub + 1e-9:
        raise WhiteningError(
            tr(
                "volume: {volume:g} L in a tub of {tub:g} L found; allowed: up to {most:g} L, with free room above",
                volume=volume,
                tub=tub,
                most=(1.0 - FREE) * tub,
            )
        )
    low, high = aged(stock.percent, years)
    if high < target * (1.0 - 1e-9):
        by_age = tr(" at best, after {years:g} years", years=years) if years else ""
        raise WhiteningError(
            tr(
                "stock: {high:.4g} % w/w{by_age} found; allowed: at least the {target:g} % w/w that the "
                "bath is to have",
                high=high,
                by_age=by_age,
                target=target,
            )
        )
    litres = volume - parts
    total = litres * density(target)
    stock_kg = total * min(1.0, target / high)
    water_kg = total - stock_kg
    if water_kg < 1e-9 * total:
        stock_kg, water_kg = total, 0.0
    heat = rise(target)
    weakest = target * low / high
    return Bath(
        stock=stock,
        stock_percent=(low, high),
        target=target,
        bath_percent=(weakest, target),
        litres=litres,
        stock_kg=stock_kg,
        water_kg=water_kg,
        stock_litres=stock_kg / density(high),
        volumes=volume_strength(target),
        oxygen_litres=oxygen_litres(target, litres),
        rise=heat,
        celsius=celsius,
        boils=celsius + heat >= 100.0,
        order=_order(stock_kg, water_kg, target, classes_of(law, target)),
        notes=_notes(stock, (low, high), target, weakest, years, celsius, parts, tub),
        stock_classes=classes_of(law, high),
        bath_classes=classes_of(law, target),
        gates=tuple(law.gates.values()),
        never={"mix": law.never_mix, "seal": law.never_seal, "leave": law.never_leave},
        law=law.public_says,
        as_of=law.as_of.isoformat(),
    )


def grams(kg: float, litres: float) -> str:
    """A mass as the scale shows it: to 1 g, below one litre of bath to 0.1 g."""
    return shown(f"{decimal(1000.0 * kg, '.1f')} g" if litres < 1.0 else f"{decimal(kg, '.3f')} kg")


def _order(stock_kg: float, water_kg: float, target: float, classes: tuple[HazardClass, ...]) -> tuple[str, ...]:
    litres = (stock_kg + water_kg) / density(target)
    lines = [
        tr("Gloves and goggles on. Plastic tub, scale and a plastic stirrer; set the scale to zero with the tub on it.")
    ]
    if water_kg > 0:
        lines.append(tr("Water first: {litres}, distilled or de-ionised.", litres=grams(water_kg, litres)))
        lines.append(
            tr(
                "Then the stock, slowly, stirring: {litres} more. Never water into the peroxide.",
                litres=grams(stock_kg, litres),
            )
        )
    else:
        lines.append(tr("The stock as it is, {litres}; no water.", litres=grams(stock_kg, litres)))
    codes = "".join(f", {code}" for code in dict.fromkeys(each.code for each in classes))
    lines.append(
        tr(
            "Label the tub: hydrogen peroxide {target} % w/w{codes}, date, who. Loose lid or none.",
            target=number(target),
            codes=codes,
        )
    )
    lines.append(
        tr("Parts in, weighed down with plastic, all under the surface, no air trapped. Look within the first hour.")
    )
    lines.append(
        tr("Turn the parts and stir every 1 to 2 hours; after it, rinse well with water and dry before judging.")
    )
    return tuple(lines)


def _notes(
    stock: Strength,
    between: tuple[float, float],
    target: float,
    weakest: float,
    years: float,
    celsius: float,
    parts: float,
    tub: float | None,
) -> tuple[str, ...]:
    notes = [stock.read_as]
    if years:
        low, high = between
        notes.append(
            tr(
                "after {years:g} years the stock is taken to be {low:.3g} to {high:.3g} % w/w (1 to 10 % "
                "lost a year: estimate); mixed by the most, so the bath is {weakest:.3g} to {target:.3g} "
                "%",
                years=years,
                low=low,
                high=high,
                weakest=weakest,
                target=target,
            )
        )
        if weakest < 0.8 * target:
            notes.append(tr("that is wide: have the stock measured, or take a fresh bottle"))
    if celsius > 25.0:
        low, high = faster(25.0, celsius)
        notes.append(
            tr(
                "at {celsius} °C everything goes {low:.2g} to {high:.2g} times as fast as at 25 °C, gas "
                "and heat too (borrowed from wood pulp: an assumption); thermostat with a cut-out, never "
                "unattended",
                celsius=number(celsius),
                low=low,
                high=high,
            )
        )
    if not parts:
        notes.append(
            tr("no parts given: with parts in it the tub is fuller; weigh them, about 1 L for each 1.05 kg of ABS")
        )
    if target > STRONG or between[1] > STRONG:
        notes.append(
            tr(
                "above {strong:g} % w/w: face shield and apron as well, little at a time, by the "
                "supplier's sheet (common practice, no source)",
                strong=STRONG,
            )
        )
    if tub is None:
        notes.append(tr("keep a tenth of the tub free above the mark"))
    notes.append(tr("whitening does not mend the plastic: brittle stays brittle; it may yellow again in the dark"))
    return tuple(notes)
