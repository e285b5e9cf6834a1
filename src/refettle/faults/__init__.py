"""Fault finding: from what was seen to what to do next.

Start with `Model` (what can fail, what can be looked at, what can be done), feed `Suspicions` the
entries of a log, and ask `rank` for the next step.
"""
