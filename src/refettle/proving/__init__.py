"""Proving: trial statistics, plans, pooling of experience. Plain values and arrays in, plain values out."""
