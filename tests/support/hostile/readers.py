"""Everything that reads what others wrote."""

from __future__ import annotations

from tests.support.hostile import readers_bench, readers_book, readers_small, readers_trade
from tests.support.hostile.reader import READERS

__all__ = ["READERS", "readers_bench", "readers_book", "readers_small", "readers_trade"]
