"""Whitening: photo colour, regions, kinetics, bath, dose. Plain values and arrays in, plain values out."""
