"""Refettle: a bench book that computes, for restoring vintage consumer electronics."""

__version__ = "0.1.0"
