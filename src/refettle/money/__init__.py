"""Money: quotes as ranges, what to do with a unit, what an hour brings. Plain values in, plain values out."""
