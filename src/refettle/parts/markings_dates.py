"""Date codes: year and week, IEC 60062 letters, and what the unit's years say about them.

IEC 60062 letters run in a 20-year cycle, A = 1970, 1990, 2010; G I O Q Y Z are not used; months 1 to 9, O, N, D. The
letters 1994 to 2000 and R = 2003 agree with published charts, the rest is from memory. Year and week in digits, and a
week above 53 being no date: common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date

from refettle.language import tr
from refettle.parts.markings_reading import MarkingError, Reading, Reason
from refettle.parts.markings_types import known_number

FIRST_YEAR = 1960
LATEST_YEAR = 2029
LETTERS = "ABCDEFHJKLMNPRSTUVWX"
"""The 20 letters in order; the first is 1970, 1990, 2010."""
_MONTHS = "123456789OND"
_EARLIER_STOCK = 3
"""Years that parts may lie before they are built in; estimate."""

Years = tuple[int, int]


def checked_years(years: Years | None) -> Years | None:
    """The span of years of a unit, first and last.

    Raises
    ------
    MarkingError
        The first after the last, or outside 1900 to 2100.
    """
    if years is None:
        return None
    first, last = years
    if not 1900 <= first <= last <= 2100:
        raise MarkingError(
            tr(
                "years {first}-{last} found; allowed: from 1900 to 2100, the earlier first, as 1983-1986",
                first=first,
                last=last,
            )
        )
    return first, last


def _weigh_year(year: int, years: Years | None) -> Reason:
    if years is None:
        return Reason(0, tr("the unit's years are not given; they would decide the decade"))
    first, last = years
    span = f"{first}" if first == last else f"{first} to {last}"
    if first - _EARLIER_STOCK <= year <= last:
        return Reason(2, tr("fits the unit's years, {span}", span=span))
    if year > last:
        # more than 40 years on, somebody would have had to repair it with parts that are still new now
        return Reason(
            -1 if year - last <= 40 else -2, tr("newer than the unit ({span}): only as an earlier repair", span=span)
        )
    return Reason(-3, tr("{year} years before the unit ({span})", year=first - year, span=span))


def _years_ending(digits: str, latest: int) -> Iterator[int]:
    """Years from FIRST_YEAR to `latest` that end in one or two digits."""
    step = 10 ** len(digits)
    for year in range(FIRST_YEAR, latest + 1):
        if year % step == int(digits):
            yield year


def _weeks(year: int) -> int:
    """ISO 8601 weeks in a year."""
    return date(year, 12, 28).isocalendar().week


def read_dates(token: str, years: Years | None = None, latest: int = LATEST_YEAR) -> Iterator[Reading]:
    """Readings of one token as a date code.

    Parameters
    ----------
    token : str
        Capitals and digits.
    years : (int, int) or None
        First and last year in which the unit was made.
    latest : int
        No date after this year is offered; the caller knows what year it is.
    """
    yield from _of_letters(token, years, latest)
    if found := re.fullmatch(r"([A-Z]{0,2})(\d{4})([A-Z]{0,2})", token):
        wrapped = Reason(-2, tr("letters round the digits: a lot or plant code")) if found[1] or found[3] else None
        for reading in _of_four(found[2], years, latest):
            yield reading.because(wrapped)
    elif re.fullmatch(r"\d{3}", token):
        yield from _of_three(token, years, latest)


def _of_letters(token: str, years: Years | None, latest: int) -> Iterator[Reading]:
    found = re.fullmatch(r"([A-HJ-NPR-X0-9])([1-9OND])", token)
    if not found or found[1] == "G":
        return
    month = _MONTHS.index(found[2]) + 1
    if found[1].isdigit():
        if found[2] in "OND":
            why = Reason(
                0,
                tr(
                    "year ending in {year_digit} and month {month_letter}: the 10-year code, seldom used",
                    year_digit=found[1],
                    month_letter=found[2],
                ),
            )
            for year in _years_ending(found[1], latest):
                reasons = (why, _weigh_year(year, years))
                yield Reading("date", tr("year digit and month, IEC 60062"), reasons, year=year, month=month)
        return
    place = LETTERS.index(found[1])
    why = Reason(
        3,
        tr(
            "letter {year_letter} and month {month_letter} of the 20-year code",
            year_letter=found[1],
            month_letter=found[2],
        ),
    )
    for start in (1970, 1990, 2010):
        year = start + place
        if year <= latest:
            reasons = (why, _weigh_year(year, years))
            yield Reading("date", tr("year letter and month, IEC 60062"), reasons, year=year, month=month)


def _of_four(digits: str, years: Years | None, latest: int) -> Iterator[Reading]:
    chip = known_number(digits)
    doubt = Reason(-2, tr("also the number of a {chip}: look for another four digits", chip=chip)) if chip else None
    front, back = digits[:2], digits[2:]
    for yy, ww, system, base in ((front, back, tr("year and week"), 3), (back, front, tr("week and year"), 1)):
        if not 1 <= int(ww) <= 53:
            continue
        for year in _years_ending(yy, latest):
            odd = None
            if int(ww) == 53 and _weeks(year) < 53:
                odd = Reason(-1, tr("{year} has no week 53 by ISO 8601, though some makers count one", year=year))
            order = tr("year, then week") if base == 3 else tr("week, then year, a seldom order")
            reasons = (Reason(base, order), _weigh_year(year, years))
            yield Reading("date", system, reasons, year=year, week=int(ww)).because(odd, doubt)
    if 1 <= int(back) <= 12:
        for year in _years_ending(front, latest):
            reasons = (Reason(-1, tr("year, then month, as some makers print")), _weigh_year(year, years))
            yield Reading("date", "year and month", reasons, year=year, month=int(back)).because(doubt)
    if FIRST_YEAR <= int(digits) <= latest:
        reasons = (Reason(2, tr("the year itself, as in a copyright line")), _weigh_year(int(digits), years))
        yield Reading("date", "year", reasons, year=int(digits)).because(doubt)


def _of_three(digits: str, years: Years | None, latest: int) -> Iterator[Reading]:
    week = int(digits[1:])
    if not 1 <= week <= 53:
        return
    chip = known_number(digits)
    doubt = Reason(-2, tr("also the number of a {chip}", chip=chip)) if chip else None
    for year in _years_ending(digits[0], latest):
        if week == 53 and _weeks(year) < 53:
            continue
        reasons = (Reason(1, tr("last digit of the year, then week")), _weigh_year(year, years))
        yield Reading("date", "year digit and week", reasons, year=year, week=week).because(doubt)


def print_week(year: int, week: int) -> str:
    """`8634` for week 34 of 1986.

    Raises
    ------
    ValueError
        A week outside 1 to 53, or a year outside 1960 to 2029.
    """
    if not 1 <= week <= 53 or not FIRST_YEAR <= year <= LATEST_YEAR:
        raise ValueError(
            tr(
                "week {week} of {year} found; allowed: weeks 1 to 53 of {first_year} to {latest_year}",
                week=week,
                year=year,
                first_year=FIRST_YEAR,
                latest_year=LATEST_YEAR,
            )
        )
    return f"{year % 100:02d}{week:02d}"


def print_month(year: int, month: int) -> str:
    """`W3` for March 1988, by the 20-year code of IEC 60062.

    Raises
    ------
    ValueError
        A month outside 1 to 12, or a year outside 1970 to 2029.
    """
    if not 1 <= month <= 12 or not 1970 <= year <= 2029:
        raise ValueError(
            tr("month {month} of {year} found; allowed: months 1 to 12 of 1970 to 2029", month=month, year=year)
        )
    return f"{LETTERS[(year - 1970) % 20]}{_MONTHS[month - 1]}"
