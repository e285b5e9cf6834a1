"""Money: quotes as ranges, what to do with a unit, what an hour brings. Plain values in, plain values out."""

from refettle.money.amounts import MoneyError
from refettle.money.decide import Choice, Decision, Sale, Sureness, decide
from refettle.money.hours import Hours, per_hour
from refettle.money.outlook import Ends, Outlook, ends_of, outlook
from refettle.money.quote import AFTER_REPAIR, Fix, Quote, Work, quote

__all__ = [
    "AFTER_REPAIR",
    "Choice",
    "Decision",
    "Ends",
    "Fix",
    "Hours",
    "MoneyError",
    "Outlook",
    "Quote",
    "Sale",
    "Sureness",
    "Work",
    "decide",
    "ends_of",
    "outlook",
    "per_hour",
    "quote",
]
