"""Django shall not put the decimal sign of a language into figures by itself: coordinates and form fields need a point.

Figures for people go through `refettle.language` and the filters of `templatetags/bench.py`.
"""
