"""An adapter and the unit it is to feed, as typed in a form."""

from __future__ import annotations

from collections.abc import Mapping

from refettle import quantities
from refettle.language import mark, tr
from refettle.supply.adapter import OUTPUTS, POLARITIES, Needed, Offered, Output, Polarity
from refettle.supply.values import SupplyError
from refettle.web.typed import quantity_of

UNIT_FIELDS = ("output", "volt", "ampere", "polarity", "plug", "most_open", "wall")
ADAPTER_FIELDS = ("a_output", "a_volt", "a_ampere", "a_polarity", "a_plug", "a_loaded", "a_unloaded", "a_regulated",
                  "a_ripple", "a_mains")  # fmt: skip
WHAT = {
    "output": mark("the unit wants AC or DC"),
    "volt": mark("volts the unit wants"),
    "ampere": mark("amps the unit wants"),
    "polarity": mark("polarity the unit wants"),
    "plug": mark("plug of the unit"),
}


def typed_adapter(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed; nothing for what was left empty."""
    return {n: form[n].strip()[:80] for n in (*UNIT_FIELDS, *ADAPTER_FIELDS) if form.get(n, "").strip()}


def needed_of(typed: Mapping[str, str]) -> Needed | None:
    """What the unit wants; None while nothing of it is said. Raises SupplyError naming the field."""
    if not any(name in typed for name in UNIT_FIELDS[:5]):
        return None
    output, polarity = _output(typed.get("output"), tr("the unit")), _polarity(typed.get("polarity"), tr("the unit"))
    if output == "AC" and polarity is None:
        polarity = "not polarised"
    missing = [WHAT[n] for n in WHAT if n not in typed and not (n == "polarity" and polarity is not None)]
    if missing or output is None or polarity is None:
        raise SupplyError(
            tr("{missing}: nothing found; allowed: what the unit’s own plate or file says", missing=tr(missing[0]))
        )
    volt, ampere = (
        quantity_of(typed, "volt", "V", tr(WHAT["volt"]), SupplyError),
        quantity_of(typed, "ampere", "A", tr(WHAT["ampere"]), SupplyError),
    )
    wall = quantity_of(typed, "wall", "V", tr("volts of the wall"), SupplyError)
    assert volt is not None
    assert ampere is not None
    most = quantity_of(typed, "most_open", "V", tr("volts the unit stands"), SupplyError)
    return Needed(output, volt, ampere, polarity, typed["plug"], most, 230.0 if wall is None else wall)


def offered_of(typed: Mapping[str, str]) -> Offered:
    """The adapter. Raises SupplyError naming the field."""
    regulated = {"yes": True, "no": False}.get(typed.get("a_regulated", ""))
    return Offered(
        output=_output(typed.get("a_output"), tr("the adapter")),
        volt=quantity_of(typed, "a_volt", "V", tr("volts on the adapter’s label"), SupplyError),
        ampere=quantity_of(typed, "a_ampere", "A", tr("amps on the adapter’s label"), SupplyError),
        polarity=_polarity(typed.get("a_polarity"), tr("the adapter")),
        plug=typed.get("a_plug"),
        loaded=quantity_of(typed, "a_loaded", "V", tr("volts under load"), SupplyError),
        unloaded=quantity_of(typed, "a_unloaded", "V", tr("volts without load"), SupplyError),
        regulated=regulated,
        ripple=quantity_of(typed, "a_ripple", "V", tr("ripple"), SupplyError),
        mains=_range(typed.get("a_mains")),
    )


def _output(text: str | None, who: str) -> Output | None:
    found = next((o for o in OUTPUTS if o == text), None)
    if text is not None and found is None:
        raise SupplyError(tr("AC or DC of {who}: {text!r} found; allowed: AC, DC", who=who, text=text))
    return found


def _polarity(text: str | None, who: str) -> Polarity | None:
    found = next((p for p in POLARITIES if p == text), None)
    if text is not None and found is None:
        raise SupplyError(
            tr(
                "polarity of {who}: {text!r} found; allowed: {polarities}",
                who=who,
                text=text,
                polarities=", ".join(POLARITIES),
            )
        )
    return found


def _range(text: str | None) -> tuple[float, float] | None:
    """`230`, `100-240`, `220 to 240 V`."""
    if text is None:
        return None
    ends = [each for each in text.replace("–", "-").replace("to", "-").split("-") if each.strip()]
    try:
        found = [quantities.parse(each, "V") for each in ends]
    except quantities.QuantityError as error:
        raise SupplyError(tr("mains on the adapter’s label: {error}", error=error)) from None
    if len(found) not in (1, 2):
        raise SupplyError(tr("mains on the adapter’s label: {text!r} found; allowed: as in 230, or 100-240", text=text))
    return found[0], found[-1]
