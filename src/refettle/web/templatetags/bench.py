"""Figures and bars for templates: thin spaces before units, engineering prefixes, no inline style."""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Any

from django import template
from django.conf import settings
from django.utils.html import escape, format_html
from django.utils.safestring import SafeString, mark_safe

from refettle import quantities
from refettle.book.kept_texts import kept, planned, priced
from refettle.language import decimal, local, shown, tr

register = template.Library()
THIN = "\u202f"
_COMMAND = re.compile(
    r"\brefettle (?:doctor|tone|backup|restore|(?:job|experience|people|instrument) (?:unpack|pack|export|show|list))\b"
)
_POINT = re.compile(r"[-+−]?\d+\.\d+")
EDGES = (0.02, 0.08, 0.2, 0.4, 0.7)
"""Chances at which the suspicion ramp goes one shade on, as in the block diagram."""


@register.filter(name="tr")
def translated(value: Any) -> Any:
    """A text of the code, the library or the book in the page's language; others stay as they are."""
    return kept(value) if isinstance(value, str) else value


@register.filter(name="planned")
def of_a_plan(value: Any) -> Any:
    """What a plan of orders says, in the page's language."""
    return planned(value) if isinstance(value, str) else value


@register.filter(name="priced")
def of_a_price_list(value: Any) -> Any:
    """What a price list had against a row, in the page's language."""
    return priced(value) if isinstance(value, str) else value


@register.filter(is_safe=True)
def commands(value: Any) -> SafeString:
    """A text in which commands are said to be English, which the command line speaks on every page."""
    return mark_safe(_COMMAND.sub(r'<code lang="en">\g<0></code>', escape(value)))  # noqa: S308 - escaped here


@register.filter
def tr_each(values: Any) -> list[Any]:
    """Several of them."""
    return [translated(each) for each in values]


@register.filter
def first_sentence(value: Any) -> str:
    """The first sentence of a text."""
    head, stop, _ = " ".join(str(value).split()).partition(". ")
    return head + stop.strip()


@register.filter
def minutes(value: Any) -> str:
    """Minutes for people: `4 min`, `7.5 h`; less than one keeps a decimal."""
    number = float(value)
    if number < 0.95:
        return f"{decimal(number, '.1f')}{THIN}min"
    if number < 90:
        return f"{number:.0f}{THIN}min"
    return f"{decimal(number / 60, '.1f')}{THIN}h"


@register.filter
def percent(value: Any) -> str:
    """A chance in percent: whole above 10, one decimal below 1."""
    share = 100.0 * float(value)
    if 0 < share < 0.1:
        return tr("below 0.1\u202f%")
    return f"{decimal(share, '.1f')}{THIN}%" if share < 1 else f"{share:.0f}{THIN}%"


@register.filter
def money(value: Any) -> str:
    """An amount in the bench's currency."""
    return f"{decimal(float(value), '.2f')}{THIN}{settings.REFETTLE_CURRENCY}"


@register.filter
def add_money(value: Any, other: Any) -> str:
    """Two amounts together, in the bench's currency."""
    return money(float(value) + float(other))


@register.filter(name="local")
def with_signs(value: Any) -> Any:
    """A figure with a point, with the decimal sign of the page's language; anything else stays as it is."""
    return local(str(value)) if _POINT.fullmatch(str(value)) else value


@register.filter
def positive(value: Any) -> float:
    """A figure without its sign."""
    return abs(float(value))


def engineering(value: float, unit: str) -> str:
    """A value with an engineering prefix: 85 Ω, 1.5 kΩ, 0.9 A."""
    if not math.isfinite(value):
        return f"{value}{THIN}{unit}"
    return quantities.show(value, unit, digits=4).replace(quantities.THIN, THIN)


@register.filter
def quantity(value: Any, unit: str) -> str:
    """A value with its unit and engineering prefix; nothing for None."""
    return "" if value is None else engineering(float(value), unit)


@register.filter
def figure(value: Any, unit: str) -> str:
    """A value and its unit as they are, no prefix."""
    return "" if value is None else f"{decimal(float(value), 'g')}{THIN}{unit}"


@register.filter
def beside(value: Any) -> str:
    """A figure with its unit, and the customary one behind it where such are shown."""
    return shown(str(value))


@register.filter
def shade(value: Any) -> int:
    """The step of the ramp, 0 to 5, for a chance."""
    return sum(float(value) >= edge for edge in EDGES)


@register.simple_tag
def bar(chance: float, full: float = 1.0) -> SafeString:
    """A bar of the length of a chance, as a picture with no text of its own: the figure stands beside it."""
    length = max(0.0, min(1.0, chance / full if full else 0.0))
    return format_html(
        '<svg class="bar" aria-hidden="true" focusable="false"><rect class="bar-bed" width="100%" height="100%" />'
        '<rect class="ramp{}" width="{}%" height="100%" /></svg>',
        shade(chance),
        f"{100 * length:.1f}",
    )


@register.filter
def age_days(value: datetime | None, now: datetime) -> str:
    """Days since, in words."""
    if value is None:
        return ""
    days = max(0, (now - value).days)
    return tr("today") if days == 0 else tr("{days}\u202fd", days=days)


@register.filter
def capital(value: str) -> str:
    """The first letter in upper case, the rest as it is."""
    return value[:1].upper() + value[1:]


@register.filter
def item(mapping: Any, key: Any) -> Any:
    """What a mapping holds under a key, or nothing."""
    return mapping.get(key, "") if mapping else ""


@register.filter
def add_number(value: str, number: int) -> str:
    """A name with a number behind it."""
    return f"{value}{number}"
