"""An adapter and the unit it is to feed, as typed in a form."""

from __future__ import annotations

from collections.abc import Mapping

from refettle import quantities
from refettle.supply.adapter import OUTPUTS, POLARITIES, Needed, Offered, Output, Polarity
from refettle.supply.values import SupplyError
from refettle.web.typed import quantity_of

UNIT_FIELDS = ("output", "volt", "ampere", "polarity", "plug", "most_open", "wall")
ADAPTER_FIELDS = ("a_output", "a_volt", "a_ampere", "a_polarity", "a_plug", "a_loaded", "a_unloaded", "a_regulated",
                  "a_ripple", "a_mains")  # fmt: skip
WHAT = {
    "output": "the unit wants AC or DC", "volt": "volts the unit wants", "ampere": "amps the unit wants",
    "polarity": "polarity the unit wants", "plug": "plug of the unit",
}  # fmt: skip


def typed_adapter(form: Mapping[str, str]) -> dict[str, str]:
    """What was typed; nothing for what was left empty."""
    return {n: form[n].strip()[:80] for n in (*UNIT_FIELDS, *ADAPTER_FIELDS) if form.get(n, "").strip()}


def needed_of(typed: Mapping[str, str]) -> Needed | None:
    """What the unit wants; None while nothing of it is said. Raises SupplyError naming the field."""
    if not any(name in typed for name in UNIT_FIELDS[:5]):
        return None
    output, polarity = _output(typed.get("output"), "the unit"), _polarity(typed.get("polarity"), "the unit")
    if output == "AC" and polarity is None:
        polarity = "not polarised"
    missing = [WHAT[n] for n in WHAT if n not in typed and not (n == "polarity" and polarity is not None)]
    if missing or output is None or polarity is None:
        raise SupplyError(f"{missing[0]}: nothing found; allowed: what the unit’s own plate or file says")
    volt, ampere = (
        quantity_of(typed, "volt", "V", WHAT["volt"], SupplyError),
        quantity_of(typed, "ampere", "A", WHAT["ampere"], SupplyError),
    )
    wall = quantity_of(typed, "wall", "V", "volts of the wall", SupplyError)
    assert volt is not None
    assert ampere is not None
    most = quantity_of(typed, "most_open", "V", "volts the unit stands", SupplyError)
    return Needed(output, volt, ampere, polarity, typed["plug"], most, 230.0 if wall is None else wall)


def offered_of(typed: Mapping[str, str]) -> Offered:
    """The adapter. Raises SupplyError naming the field."""
    regulated = {"yes": True, "no": False}.get(typed.get("a_regulated", ""))
    return Offered(
        output=_output(typed.get("a_output"), "the adapter"),
        volt=quantity_of(typed, "a_volt", "V", "volts on the adapter’s label", SupplyError),
        ampere=quantity_of(typed, "a_ampere", "A", "amps on the adapter’s label", SupplyError),
        polarity=_polarity(typed.get("a_polarity"), "the adapter"),
        plug=typed.get("a_plug"),
        loaded=quantity_of(typed, "a_loaded", "V", "volts under load", SupplyError),
        unloaded=quantity_of(typed, "a_unloaded", "V", "volts without load", SupplyError),
        regulated=regulated,
        ripple=quantity_of(typed, "a_ripple", "V", "ripple", SupplyError),
        mains=_range(typed.get("a_mains")),
    )


def _output(text: str | None, who: str) -> Output | None:
    found = next((o for o in OUTPUTS if o == text), None)
    if text is not None and found is None:
        raise SupplyError(f"AC or DC of {who}: {text!r} found; allowed: AC, DC")
    return found


def _polarity(text: str | None, who: str) -> Polarity | None:
    found = next((p for p in POLARITIES if p == text), None)
    if text is not None and found is None:
        raise SupplyError(f"polarity of {who}: {text!r} found; allowed: {', '.join(POLARITIES)}")
    return found


def _range(text: str | None) -> tuple[float, float] | None:
    """`230`, `100-240`, `220 to 240 V`."""
    if text is None:
        return None
    ends = [each for each in text.replace("–", "-").replace("to", "-").split("-") if each.strip()]
    try:
        found = [quantities.parse(each, "V") for each in ends]
    except quantities.QuantityError as error:
        raise SupplyError(f"mains on the adapter’s label: {error}") from None
    if len(found) not in (1, 2):
        raise SupplyError(f"mains on the adapter’s label: {text!r} found; allowed: as in 230, or 100-240")
    return found[0], found[-1]
