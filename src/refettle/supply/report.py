"""A supply in figures and in plain words: each case, and what stands whatever the case."""

from refettle.supply.report_bench import Ageing, Bench, ageing, bench
from refettle.supply.report_case import CAUTIONS, MAINS, Case, Finding, Level, Rail, assess, mains_factor

__all__ = [
    "CAUTIONS",
    "MAINS",
    "Ageing",
    "Bench",
    "Case",
    "Finding",
    "Level",
    "Rail",
    "ageing",
    "assess",
    "bench",
    "mains_factor",
]
