"""Drawings: pure functions from plain values to SVG text."""

from refettle.drawing.diagram import block_diagram

__all__ = ["block_diagram"]
