"""Meters and oscilloscopes over a simulated line: values, units, nonsense, silence, stops."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.captures import read_capture
from refettle.captures.writing import write_csv
from refettle.instruments import (
    Description,
    InstrumentError,
    InstrumentStopped,
    Session,
    list_instruments,
    open_instrument,
    read_description,
    read_log,
    read_meter,
    read_trace,
)
from refettle.instruments.meter import parse_answer
from refettle.instruments.scope import parse_block, parse_samples
from tests.instruments.bench import CODES, LIBRARY, METER, NUMBERS, QUIET, SCOPE, SERIAL


@pytest.fixture
def meter() -> Iterator[Session]:
    with open_instrument(METER, library=LIBRARY, timeout=0.3) as session:
        yield session


@pytest.fixture
def scope() -> Iterator[Session]:
    with open_instrument(SCOPE, library=LIBRARY, timeout=0.3) as session:
        yield session


def test_list() -> None:
    found = {each.address: each for each in list_instruments(LIBRARY, timeout=0.2)}
    assert found[METER].says == "Fennick,Bench meter 4,0017,1.0"
    assert (found[SCOPE].answers, found[QUIET].answers) == (True, False)
    assert "no answer to *IDN? within 0.2 s" in found[QUIET].says


def test_one_reading(meter: Session) -> None:
    reading = read_meter(meter)
    assert (reading.value, reading.unit, reading.over) == (8.153, "V", False)
    assert read_meter(meter, "volts-ac").value == pytest.approx(0.0042)
    over = read_meter(meter, "ohms")
    assert (np.isnan(over.value), over.over) == (True, True)
    nothing = read_meter(meter, "celsius")
    assert (np.isnan(nothing.value), nothing.over) == (True, False)


def test_over_a_serial_line() -> None:
    with open_instrument(SERIAL, library=LIBRARY, timeout=0.3, ends="crlf", baud=9600) as session:
        assert read_meter(session).value == 8.153


@pytest.mark.parametrize(
    ("quantity", "command", "message"),
    [
        ("amps-dc", None, "'1.23 V' answered; allowed: a number in A. Is the switch on another quantity?"),
        ("hertz", None, "'about fifty' answered; allowed: one number, in Hz"),
        ("volts-dc", "VAL?", "'8.1,8.2' answered; allowed: one number, in V"),
        ("ohms-4-wire", None, 'no answer to MEAS:FRES? within 0.3 s; the instrument says -113,"Undefined header"'),
        ("furlongs", None, "quantity: 'furlongs' found; allowed: volts-dc"),
        ("volts-dc", "MEÄS?", "command 'MEÄS?' found; allowed: plain letters"),
        ("volts-dc", "VAL?\n*RST", "allowed: plain letters, figures and signs, on one line"),
    ],
)
def test_wrong_unit_nonsense_and_silence(meter: Session, quantity: str, command: str | None, message: str) -> None:
    with pytest.raises(InstrumentError) as raised:
        read_meter(meter, quantity, command)
    assert message in str(raised.value)


class Clock:
    """Seconds that pass only while waiting and reading."""

    def __init__(self, each: float = 0.0) -> None:
        self.now, self.each = 100.0, each

    def __call__(self) -> float:
        return self.now

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def heard(self, at: float, reading: Any) -> None:
        self.now += self.each


def test_log(meter: Session) -> None:
    clock = Clock()
    found = read_log(meter, count=6, every=2.0, clock=clock, sleep=clock.sleep)
    assert (found.step, len(found), found.doubts) == (2.0, 6, ())
    assert np.all((found.channel().values >= 8) & (found.channel().values <= 9))
    back = read_capture(write_csv(found).encode())
    np.testing.assert_array_equal(back.channel().values, found.channel().values)
    assert (back.step, back.channel().name, back.channel().unit) == (2.0, "Meter", "V")


def test_a_slow_meter_keeps_its_own_times(meter: Session) -> None:
    clock = Clock(each=3.0)
    found = read_log(meter, count=5, every=1.0, heard=clock.heard, clock=clock, sleep=clock.sleep)
    assert found.step == pytest.approx(3.0)
    assert any("slower than asked" in doubt for doubt in found.doubts)


def test_stopping_a_log(meter: Session) -> None:
    clock = Clock()
    found = read_log(meter, count=100, every=1.0, stop=lambda: clock.now > 103.5, clock=clock, sleep=clock.sleep)
    assert (len(found), found.doubts) == (4, ("stopped after 4 readings",))
    with pytest.raises(InstrumentStopped, match="stopped before the second reading"):
        read_log(meter, count=100, stop=lambda: True, clock=clock, sleep=clock.sleep)


def test_a_log_that_breaks_off_says_what_is_good(meter: Session) -> None:
    clock = Clock()
    calls = iter([False] * 6)

    def stop() -> bool:
        if next(calls, True):
            raise InstrumentError("line lost")
        return False

    with pytest.raises(InstrumentError, match="line lost"):
        read_log(meter, count=9, stop=stop, clock=clock, sleep=clock.sleep)
    with pytest.raises(InstrumentError, match="readings: 1 found; allowed: 2 to 1000000"):
        read_log(meter, count=1)


def test_trace_as_codes(scope: Session) -> None:
    found = read_trace(scope, read_description(CODES))
    assert (found.step, found.start, len(found)) == (8e-5, -0.001, 64)
    channel = found.channel()
    np.testing.assert_allclose(channel.values[:4], [5.0, 5.04, 5.08, 5.12])
    assert (channel.name, channel.unit, channel.lsb) == ("CH1", "V", 0.04)
    back = read_capture(write_csv(found).encode())
    np.testing.assert_array_equal(back.channel().values, channel.values)
    assert (back.step, back.start) == (found.step, found.start)


def test_trace_as_numbers(scope: Session) -> None:
    found = read_trace(scope, read_description(NUMBERS))
    np.testing.assert_array_equal(found.channel().values, [8.10, 8.14, 8.18, np.nan, 8.10])
    assert found.channel().missing == 1


@pytest.mark.parametrize(
    ("text", "channel", "message"),
    [
        (CODES, "2", "scale: 0 answered; allowed: a number other than 0"),
        (CODES, "7", "channel: '7' found; allowed: 1, 2"),
        (CODES, "1;*RST", "channel: '1;*RST' found; allowed: letters and figures"),
        (CODES.replace('"two-trace"', '"other"'), "1", "Fennick,Two-trace 20,0042,2.3' answers; the description is of"),
        (CODES.replace("preamble 5", "preamble 9"), "1", "offset: preamble 9 found, the preamble has 5 places"),
        (CODES.replace('"preamble 3"', "0.1"), "2", "a block of 64 bytes announced, 5 came; allowed: the whole block"),
        (NUMBERS, "2", "sample 2: 'oops' answered; allowed: a number"),
        (NUMBERS, "3", "1 sample answered; allowed: two or more: is the channel on?"),
        (NUMBERS + 'form = "u8"\n', "1", "answered; allowed: a block, which begins with #"),
        (NUMBERS.replace("TRAC:STEP?", "NONE?"), "1", "step: 'ERROR' answered; allowed: a number"),
        (NUMBERS.replace('"TRAC:STEP?"', "0.0"), "1", "step: 0 s answered; allowed: above 0"),
    ],
)
def test_traces_that_cannot_be(scope: Session, text: str, channel: str, message: str) -> None:
    with pytest.raises(InstrumentError) as raised:
        read_trace(scope, read_description(text), channel)
    assert message in str(raised.value)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("data = ", "scope.toml: Invalid value (at end of document); allowed: TOML"),
        ('data = "D?"\n', "scope.toml: step: not given; allowed: a figure"),
        ("step = 1e-3\n", "scope.toml: data: not given; allowed: a question"),
        ('data = "D?"\nstep = 1\nspeed = 2\n', "scope.toml: speed: unknown; allowed: data, step, form"),
        ('data = "D"\nstep = 1\n', "scope.toml: data: 'D' found; allowed: a question"),
        ('data = "D?"\nstep = "quick"\n', "scope.toml: step: 'quick' found; allowed: a number, a question"),
        ('data = "D?"\nstep = "preamble 2"\n', "step: 'preamble 2' found without a preamble"),
        ('data = "D?"\nstep = true\n', "scope.toml: step: True found; allowed: a number"),
        ('data = "D?"\nstep = 1\nform = "u64"\n', "scope.toml: form: 'u64' found; allowed: text, i8"),
        ('data = "D?"\nstep = 1\nunit = "mV"\n', "scope.toml: unit: 'mV' found; allowed: V, A"),
        ('data = "D?"\nstep = 1\nbefore = "X"\n', "scope.toml: before: 'X' found; allowed: a list of texts"),
        ('data = "D? {chan}"\nstep = 1\n', "allowed: one line of plain text, with {channel} or not"),
        ('data = "D?"\nstep = 1\nbig_endian = 1\n', "scope.toml: big_endian: 1 found; allowed: true or false"),
    ],
)
def test_descriptions_that_cannot_be(text: str, message: str) -> None:
    with pytest.raises(InstrumentError) as raised:
        read_description(text, "scope.toml")
    assert message in str(raised.value)


@pytest.mark.parametrize(
    ("address", "options", "message"),
    [
        ("TCPIP::192.0.2.99::5025::SOCKET", {}, "cannot be opened"),
        ("nonsense", {}, "nonsense: cannot be opened"),
        (METER, {"library": "nowhere.yaml@sim"}, "VISA library 'nowhere.yaml@sim' cannot be used"),
        (METER, {"library": "@none"}, "VISA library '@none' cannot be used"),
        (METER, {"timeout": 0.0}, "timeout: 0 s found; allowed: 0.01 to 600 s"),
        (METER, {"ends": "dot"}, "line ends: 'dot' found; allowed: lf, cr, crlf, none"),
        (METER, {"baud": 3}, "speed: 3 found; allowed: 75 to 4000000"),
    ],
)
def test_lines_that_cannot_be(address: str, options: dict[str, Any], message: str) -> None:
    with pytest.raises(InstrumentError) as raised, open_instrument(address, **{"library": LIBRARY, **options}):
        pass
    assert message in str(raised.value)


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyvisa", None)
    with pytest.raises(
        InstrumentError, match=r"PyVISA is not installed; allowed: pip install 'refettle\[instruments\]'"
    ):
        list_instruments()


@given(st.lists(st.integers(-30_000, 30_000), min_size=1, max_size=50), st.booleans())
def test_blocks(codes: list[int], big: bool) -> None:
    body = np.array(codes, ">i2" if big else "<i2").tobytes()
    raw = b"#" + str(len(str(len(body)))).encode() + str(len(body)).encode() + body + b"\n"
    description = Description(data="D?", step=1.0, form="i16", big_endian=big)
    assert parse_samples(raw, description).tolist() == codes
    with pytest.raises(InstrumentError, match="announced"):
        parse_block(raw[:-2])


@given(st.floats(-1e9, 1e9), st.sampled_from(["{:+.8E}", "{:.6f}", "{:.3f} V", "{:.6E}VDC"]))
def test_answers(value: float, form: str) -> None:
    text = form.format(value)
    assert parse_answer(text, "V").value == float(text.rstrip("VDC "))


@given(st.binary(max_size=60))
def test_whatever_is_answered_is_read_or_refused(raw: bytes) -> None:
    for form in ("text", "u8", "f32"):
        try:
            parse_samples(raw, Description(data="D?", step=1.0, form=form))
        except InstrumentError:
            continue


def test_the_description_in_the_documents(scope: Session) -> None:
    page = (Path(__file__).parents[2] / "docs" / "captures.md").read_text(encoding="utf-8")
    (shown,) = re.findall(r"```toml\n(.*?)```", page, re.S)
    assert read_description(shown) == read_description(CODES)
