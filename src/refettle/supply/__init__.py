"""Linear supplies: simulation, ripple reading, heat, adapters. Plain values and arrays in, plain values out."""
