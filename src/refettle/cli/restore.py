"""refettle restore: its arguments; what it does is in `backup`."""

from __future__ import annotations

from refettle.cli.backup import add_restore_arguments as add_arguments

__all__ = ["add_arguments"]
