"""The line to one instrument: open, ask, tell, close. The only place that knows PyVISA, which is loaded on use."""

from __future__ import annotations

import contextlib
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from refettle.instruments.errors import InstrumentError
from refettle.language import tr

PURE_PYTHON = "@py"
"""The library that needs nothing installed beside Python."""
TIMEOUT = 5.0
"""[s]"""
MAX_ANSWER = 64_000_000
"""Bytes in one answer."""
_ENDS = {"lf": "\n", "cr": "\r", "crlf": "\r\n", "none": ""}
ENDS = tuple(_ENDS)
"""How a message may end."""


@dataclass(frozen=True, slots=True)
class Found:
    """An instrument that the library sees, with its answer to *IDN?, or why there is none."""

    address: str
    says: str
    answers: bool


def _pyvisa() -> Any:
    try:
        import pyvisa
    except ImportError:
        raise InstrumentError(
            tr(
                "PyVISA is not installed; allowed: pip install 'refettle[instruments]', or a file saved by the "
                "instrument"
            )
        ) from None
    return pyvisa


def _manager(library: str) -> Any:
    pyvisa = _pyvisa()
    try:
        return pyvisa.ResourceManager(library)
    except (ValueError, OSError, ImportError, pyvisa.errors.Error) as error:
        reason = _one_line(error)
        raise InstrumentError(
            tr(
                "VISA library {library!r} cannot be used ({reason}); allowed: {pure_python}, or the path of a library",
                library=library,
                reason=reason,
                pure_python=PURE_PYTHON,
            )
        ) from None
    except Exception as error:  # simulated instruments raise bare Exception for a mistake in their file
        raise InstrumentError(
            tr("VISA library {library!r} cannot be used ({error})", library=library, error=_one_line(error))
        ) from None


def _one_line(error: BaseException) -> str:
    text = " ".join(str(error).split())
    return (text or type(error).__name__)[:160]


class Session:
    """A line to one instrument. Messages are ASCII; every question has a time limit."""

    def __init__(self, resource: Any, address: str, timeout: float) -> None:
        self._resource = resource
        self._visa_errors = _pyvisa().errors
        self.address = address
        self.timeout = timeout

    def tell(self, command: str) -> None:
        """Send a command that has no answer."""
        try:
            self._resource.write(_ascii(command))
        except (self._visa_errors.Error, OSError) as error:
            raise self._failed(command, error) from None

    def ask(self, command: str) -> str:
        """Send a question; its answer without the end. InstrumentError where none comes or it is no text."""
        raw = self.ask_raw(command)
        try:
            return raw.decode("ascii").strip()
        except UnicodeDecodeError:
            raise InstrumentError(
                tr("{command}: {raw!r} answered; allowed: plain text", command=command, raw=raw[:20])
            ) from None

    def ask_raw(self, command: str) -> bytes:
        """Send a question; its answer as bytes."""
        self.tell(command)
        raw = bytearray()
        try:
            raw += self._resource.read_raw()
            if not raw.strip():  # the end that a block before it left behind
                raw = bytearray(self._resource.read_raw())
            wanted = _block_size(raw)
            while wanted is not None and len(raw) < wanted <= MAX_ANSWER:
                more = self._resource.read_raw()
                if not more:
                    break
                raw += more
        except (self._visa_errors.Error, OSError) as error:
            if not raw.strip():
                raise self._failed(command, error) from None
        return bytes(raw)  # of a block cut short what came, for whoever reads it to say so

    def complaint(self) -> str:
        """What the instrument's own error list says, or nothing."""
        with contextlib.suppress(InstrumentError, self._visa_errors.Error, OSError):
            self._resource.write("SYST:ERR?")
            said = bytes(self._resource.read_raw()).decode("ascii", "replace").strip()
            if re.match(r"[+-]?\d+\s*,", said) and not re.match(r"[+-]?0+\s*,", said):
                return said[:80]
        return ""

    def _failed(self, command: str, error: Exception) -> InstrumentError:
        if "VI_ERROR_TMO" in str(error):
            complaint = self.complaint()
            more = tr("; the instrument says {complaint}", complaint=complaint) if complaint else ""
            return InstrumentError(
                tr(
                    "{address}: no answer to {command} within {timeout:g} s{more}. Look at the address, the "
                    "line ends and the speed, and whether the instrument knows the command",
                    address=self.address,
                    command=command,
                    timeout=self.timeout,
                    more=more,
                )
            )
        return InstrumentError(f"{self.address}: {command}: {_one_line(error)}")


def _ascii(command: str) -> str:
    if not command.isascii() or any(ord(c) < 32 for c in command):
        raise InstrumentError(
            tr("command {command!r} found; allowed: plain letters, figures and signs, on one line", command=command)
        )
    return command


def _block_size(raw: bytes | bytearray) -> int | None:
    """Bytes of a definite-length block (IEEE 488.2, 8.7.9) that begins here, its head included."""
    if not re.match(rb"#[1-9]", raw):
        return None
    width = int(raw[1:2])
    digits = raw[2 : 2 + width]
    return 2 + width + int(digits) if len(digits) == width and digits.isdigit() else None


@contextmanager
def open_instrument(
    address: str,
    *,
    library: str = PURE_PYTHON,
    timeout: float = TIMEOUT,
    ends: str = "lf",
    baud: int | None = None,
) -> Iterator[Session]:
    """Open the line to an instrument, and close it in the end.

    Parameters
    ----------
    address : str
        A VISA address, such as TCPIP::192.0.2.7::5025::SOCKET, USB0::...::INSTR or ASRL/dev/ttyUSB0::INSTR.
    library : str
        The VISA library: "@py", or the path of one.
    timeout : float
        [s] For each answer.
    ends : str
        How messages end, one of `ENDS`.
    baud : int, optional
        Speed of a serial line.

    Raises
    ------
    InstrumentError
        PyVISA is not installed, or nothing can be reached at the address.
    """
    if ends not in _ENDS:
        raise InstrumentError(tr("line ends: {ends!r} found; allowed: {known}", ends=ends, known=", ".join(ENDS)))
    if not 0.01 <= timeout <= 600.0:
        raise InstrumentError(tr("timeout: {timeout:g} s found; allowed: 0.01 to 600 s", timeout=timeout))
    if baud is not None and not 75 <= baud <= 4_000_000:
        raise InstrumentError(tr("speed: {baud} found; allowed: 75 to 4000000 bits a second", baud=baud))
    pyvisa = _pyvisa()
    manager = _manager(library)
    try:
        try:
            resource = manager.open_resource(address, open_timeout=int(1000 * timeout))
            if not resource.session:
                raise ValueError(tr("nothing there"))
            resource.timeout = 1000.0 * timeout
            resource.read_termination = None
            resource.write_termination = _ENDS[ends]
            if baud is not None and hasattr(resource, "baud_rate"):
                resource.baud_rate = baud
            if _ENDS[ends] and ("SOCKET" in address.upper() or address.upper().startswith("ASRL")):
                resource.read_termination = _ENDS[ends]
        except Exception as error:  # the libraries below raise all kinds
            if isinstance(error, (pyvisa.errors.Error, ValueError, OSError, AttributeError, KeyError, ImportError)):
                raise InstrumentError(
                    tr(
                        "{address}: cannot be opened ({error}); allowed: an address that 'refettle instrument "
                        "list' shows",
                        address=address,
                        error=_one_line(error),
                    )
                ) from None
            raise
        try:
            yield Session(resource, address, timeout)
        finally:
            with contextlib.suppress(Exception):
                resource.close()
    finally:
        with contextlib.suppress(Exception):
            manager.close()


def list_instruments(library: str = PURE_PYTHON, timeout: float = 1.0, ends: str = "lf") -> list[Found]:
    """Every instrument that the library sees, asked for its name. InstrumentError where the library cannot be used."""
    manager = _manager(library)
    try:
        with warnings.catch_warnings():  # the library tells of each bus that it has no package for
            warnings.simplefilter("ignore")
            addresses = [str(address) for address in manager.list_resources("?*")]
    finally:
        with contextlib.suppress(Exception):
            manager.close()
    found = []
    for address in addresses:
        try:
            with open_instrument(address, library=library, timeout=timeout, ends=ends) as session:
                found.append(Found(address, session.ask("*IDN?"), True))
        except InstrumentError as error:
            found.append(Found(address, str(error), False))
    return found
