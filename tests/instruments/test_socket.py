"""The same over a real line, a socket of this machine: binary samples, a line that breaks, nobody there."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator

import numpy as np
import pytest

from refettle.instruments import InstrumentError, open_instrument, read_description, read_meter, read_trace
from tests.instruments.bench import CODES

SAMPLES = bytes([10 if n % 50 == 0 else (90 + n * 7 % 100) for n in range(2999)]) + b"\n"  # line ends among the codes
ANSWERS = {
    b"*IDN?": b"Fennick,Two-trace 20,0042,2.3\n",
    b"MEAS:VOLT:DC?": b"+8.15E+00\r\n",
    b"TRAC:HEAD? 1": b"8E-05,-0.001,0.04,128,5.0\n",
    b"TRAC:HEAD? 2": b"8E-05,-0.001,0.04,128,5.0\n",
    b"TRAC:CODES? 1": b"#43000" + SAMPLES + b"\n",
    b"TRAC:CODES? 2": b"#43000" + SAMPLES[:1000],
}


def answer(listening: socket.socket) -> None:
    while True:
        try:
            line, _ = listening.accept()
        except OSError:
            return
        with line, line.makefile("rwb") as file:
            for question in file:
                if question.strip() == b"MEAS:RES?":
                    break  # the line drops
                file.write(ANSWERS.get(question.strip(), b""))
                file.flush()


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    listening = socket.create_server(("127.0.0.1", 0))
    thread = threading.Thread(target=answer, args=(listening,), daemon=True)
    thread.start()
    yield f"TCPIP::127.0.0.1::{listening.getsockname()[1]}::SOCKET"
    listening.shutdown(socket.SHUT_RDWR)
    listening.close()
    thread.join(5)


def test_meter(address: str) -> None:
    with open_instrument(address, timeout=2.0) as session:
        assert read_meter(session).value == 8.15


def test_codes_that_look_like_line_ends(address: str) -> None:
    with open_instrument(address, timeout=2.0) as session:
        for _ in range(2):
            found = read_trace(session, read_description(CODES))
            codes = np.frombuffer(SAMPLES, "u1")
            np.testing.assert_allclose(found.channel().values, (codes - 128.0) * 0.04 + 5.0)
            assert read_meter(session).value == 8.15


def test_a_block_that_breaks_off(address: str) -> None:
    with (
        open_instrument(address, timeout=0.3) as session,
        pytest.raises(InstrumentError, match=r"3000 bytes announced, \d+ came"),
    ):
        read_trace(session, read_description(CODES), "2")


def test_a_line_that_drops(address: str) -> None:
    with open_instrument(address, timeout=0.3) as session, pytest.raises(InstrumentError, match=r"MEAS:RES\?"):
        read_meter(session, "ohms")


def test_nobody_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with pytest.raises(InstrumentError, match=r"refused|cannot be opened|no answer"):  # noqa: SIM117
        with open_instrument(f"TCPIP::127.0.0.1::{port}::SOCKET", timeout=0.3) as session:
            read_meter(session)
