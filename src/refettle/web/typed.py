"""What was typed into a form, as values; what cannot be is refused in the words of the subject's own error."""

from __future__ import annotations

from collections.abc import Mapping

from refettle import quantities


def quantity(text: str | None, unit: str, name: str, error: type[ValueError]) -> float | None:
    """A quantity in SI; None where nothing was typed. Raises `error` naming the field."""
    if text is None:
        return None
    try:
        return quantities.parse(text, unit)
    except quantities.QuantityError as trouble:
        raise error(f"{name}: {trouble}") from None


def quantity_of(typed: Mapping[str, str], field: str, unit: str, name: str, error: type[ValueError]) -> float | None:
    """The same of one field of a form."""
    return quantity(typed.get(field), unit, name, error)
