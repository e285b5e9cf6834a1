"""Proving: trial statistics, plans, pooling of experience. Plain values and arrays in, plain values out.

- `counts`: counts, exact limits, rates in words
- `trials`: trials needed, series, what may be claimed
- `sequential`: stop early both ways
- `compare`: two positions or conditions, or many
- `plan`: the proving grid and its statement
- `fits`, `pooling`: chances and factors of many groups, pooled in two levels
- `times`: how long repairs take
- `calibration`: predicted against found
"""
