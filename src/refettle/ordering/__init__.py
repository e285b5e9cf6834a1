"""Ordering: price lists read, and the cheapest order worked out. Plain values in and out."""
