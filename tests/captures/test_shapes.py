"""Every shape of text file in the table, and arrays written in any of them."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.captures import CaptureError, Choices, read_capture
from tests.captures.random_files import random_file
from tests.captures.shapes import SHAPES, Shape


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_shape(shape: Shape) -> None:
    found = read_capture(shape.data, "", shape.choices)
    assert (found.kind, found.step, found.start) == ("csv", pytest.approx(shape.step), pytest.approx(shape.start))
    assert [channel.name for channel in found.channels] == list(shape.channels)
    for channel in found.channels:
        unit, values = shape.channels[channel.name]
        assert channel.unit == unit
        np.testing.assert_allclose(channel.values, values, rtol=1e-12)
        assert channel.missing == np.isnan(values).sum()
    assert any(shape.doubt in doubt for doubt in found.doubts) or not shape.doubt, found.doubts
    assert any(shape.understood in line for line in found.understood) or not shape.understood, found.understood


def written(value: float, form: str, decimal: str) -> str:
    return format(value, form).replace(".", decimal)


@settings(max_examples=150, deadline=None)
@given(
    values=st.lists(st.tuples(*[st.floats(-500, 500)] * 2), min_size=3, max_size=60),
    marks=st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ","), ("|", ","), (" ", ".")]),
    form=st.sampled_from([".3f", ".6f", ".4e", "+.5E", ".9g"]),
    step=st.sampled_from([2e-9, 1e-6, 8e-5, 2.5e-4, 1 / 3, 60.0]),
    start=st.sampled_from([0.0, -0.5, 3.0]),
    heading=st.sampled_from(
        ["", "t (s){0}CH1 (V){0}CH2 (V)\n", "Unit: V\n\nt{0}CH1{0}CH2\ns{0}V{0}V\n", "# one\n# two\n"]
    ),
    ends=st.sampled_from(["\n", "\r\n", "\r"]),
    tail=st.booleans(),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"]),
)
def test_what_is_written_is_read_back(
    values: list[tuple[float, float]],
    marks: tuple[str, str],
    form: str,
    step: float,
    start: float,
    heading: str,
    ends: str,
    tail: bool,
    encoding: str,
) -> None:
    separator, decimal = marks
    tail = tail and separator != " "
    rows = [
        [written(start + n * step, ".9g" if start else ".9e", decimal), *(written(v, form, decimal) for v in pair)]
        for n, pair in enumerate(values)
    ]
    if start and step < 1e-6:
        return  # nine figures do not hold both
    text = heading.format(separator) + "".join(separator.join(row) + (separator if tail else "") + "\n" for row in rows)
    found = read_capture(text.replace("\n", ends).encode(encoding))
    assert found.step == pytest.approx(step, rel=1e-6)
    assert found.start == pytest.approx(start)
    assert len(found.channels) == 2
    for n, channel in enumerate(found.channels):
        printed = [float(row[n + 1].replace(decimal, ".")) for row in rows]
        np.testing.assert_array_equal(channel.values, printed)


@settings(max_examples=60, deadline=None)
@given(
    values=st.lists(st.floats(-40, 40), min_size=2, max_size=200),
    form=st.sampled_from([".2f", ".3e"]),
    unit=st.sampled_from([("V", 1.0), ("mV", 1e3), ("µV", 1e6)]),
    said=st.sampled_from(["Sample interval: 80 µs", "Sampling rate,12.5 kSa/s", "dt=8e-05", "X increment;0,00008"]),
)
def test_one_column_with_its_interval_above(values: list[float], form: str, unit: tuple[str, float], said: str) -> None:
    cells = [format(value * unit[1], form) for value in values]
    found = read_capture(f"{said}\nCH1 ({unit[0]})\n{chr(10).join(cells)}\n".encode())
    assert found.step == pytest.approx(8e-5)
    np.testing.assert_allclose(found.channel().values, [float(cell) / unit[1] for cell in cells], rtol=1e-15)


ODD = st.text(alphabet='0123456789.,;:-+eE \t\n"#OLnVA', max_size=300).map(str.encode)


@settings(max_examples=400, deadline=None)
@given(st.binary(max_size=300) | ODD)
def test_whatever_comes_is_read_or_refused(data: bytes) -> None:
    try:
        found = read_capture(data, "odd", Choices(interval=1e-3))
    except CaptureError:
        return
    assert all(channel.values.dtype == np.float64 and channel.values.size == len(found) for channel in found.channels)


@pytest.mark.parametrize("cell", ["9" * 20_000 + "x", "9" * 20_000 + ".", "1 " * 10_000, "1e" * 10_000, "." * 20_000])
@pytest.mark.parametrize("above", ["", "x: " + "1:" + "9" * 400, "(" * 20_000, " " * 20_000 + "=", "a " * 10_000])
def test_a_long_cell_takes_no_long_time(above: str, cell: str) -> None:
    """Gone through once: the bound is hundreds of times what it takes."""
    begun = time.process_time()
    with pytest.raises(CaptureError):
        read_capture(f"{above}\nCH1[V] CH2[A]\n{cell}\n8,3 2\n".encode())
    assert time.process_time() - begun < 2


def test_random_files() -> None:
    wrong = {seed: said for seed in range(600) if (said := random_file(seed).misread())}
    assert not wrong
