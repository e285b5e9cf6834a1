"""The simulated bench."""

from __future__ import annotations

from pathlib import Path

LIBRARY = f"{Path(__file__).parent / 'bench.yaml'}@sim"
METER = "TCPIP0::192.0.2.7::5025::SOCKET"
SCOPE = "TCPIP0::192.0.2.8::5025::SOCKET"
QUIET = "TCPIP0::192.0.2.9::5025::SOCKET"
SERIAL = "ASRL1::INSTR"

CODES = """\
name = "Two-trace 20"
identity = "two-trace"
before = ["HOLD"]
after = ["RUN"]
preamble = "TRAC:HEAD? {channel}"
step = "preamble 1"
start = "preamble 2"
scale = "preamble 3"
zero = "preamble 4"
offset = "preamble 5"
data = "TRAC:CODES? {channel}"
form = "u8"
channels = ["1", "2"]
"""
NUMBERS = 'data = "TRAC:VOLTS? {channel}"\nstep = "TRAC:STEP?"\n'
