"""Reading meters and oscilloscopes over SCPI with PyVISA, an optional extra. What is read becomes a capture."""

from refettle.instruments.description import Description, read_description
from refettle.instruments.errors import InstrumentError, InstrumentStopped
from refettle.instruments.meter import QUANTITIES, Reading, read_log, read_meter
from refettle.instruments.scope import read_trace
from refettle.instruments.session import Found, Session, list_instruments, open_instrument

__all__ = [
    "QUANTITIES",
    "Description",
    "Found",
    "InstrumentError",
    "InstrumentStopped",
    "Reading",
    "Session",
    "list_instruments",
    "open_instrument",
    "read_description",
    "read_log",
    "read_meter",
    "read_trace",
]
