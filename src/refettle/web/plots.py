"""Drawings as the pages show them: with their title, their finding in words, and what belongs together."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.safestring import SafeString, mark_safe

from refettle.quantities import THIN


@dataclass(frozen=True)
class PlotView:
    """A plot on a page. Plots of one `group` are looked at closer together; `key` explains its shades; `fine`: an
    address that draws a stretch with every sample, given `from` and `to` in its query."""

    title: str
    svg: SafeString
    says: str
    group: str = ""
    key: str = ""
    fine: str = ""


def plot_view(title: str, svg: str, says: str, group: str = "", key: str = "", fine: str = "") -> PlotView:
    """A plot drawn by refettle.drawing."""
    says = says.replace(THIN, "\u202f")  # no line ends between a figure and its unit
    return PlotView(title, mark_safe(svg), says, group, key, fine)  # noqa: S308 - our own drawing, which escapes all text
