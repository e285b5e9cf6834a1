"""What is written as CSV is read back with every figure."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.captures import Capture, Channel, read_capture
from refettle.captures.writing import write_csv

NAMES = st.lists(
    st.from_regex(r"[A-Za-z][A-Za-z0-9 ,;\"_-]{0,10}[A-Za-z0-9]", fullmatch=True),
    min_size=2,
    max_size=2,
    unique_by=str.casefold,
)


@settings(max_examples=200, deadline=None)
@given(
    values=st.lists(
        st.lists(st.floats(-1e30, 1e30) | st.just(np.nan), min_size=2, max_size=2), min_size=2, max_size=40
    ),
    step=st.floats(1e-12, 1e6),
    start=st.floats(-1e6, 1e6),
    units=st.tuples(*[st.sampled_from(["V", "A", "", "Ω", "°C"])] * 2),
    names=NAMES,
)
def test_round_trip(
    values: list[list[float]], step: float, start: float, units: tuple[str, str], names: list[str]
) -> None:
    table = np.array(values)
    table[0] = [1.5, -2.0]  # a channel without any reading is left out
    channels = tuple(Channel(names[n], units[n], table[:, n]) for n in range(2))
    back = read_capture(write_csv(Capture(step, start, channels, "csv")).encode())
    assert (back.step, back.start) == (step, start)
    assert [channel.unit for channel in back.channels] == list(units)
    for n, channel in enumerate(back.channels):
        np.testing.assert_array_equal(channel.values, table[:, n])


@pytest.mark.parametrize("name", ["CH1", "Time", "n", "t", "Sample", "Source", "Start", "A", "B", "Points", "V"])
def test_names_that_mean_something_else(name: str) -> None:
    one = Channel(name, "V", np.array([0.0, 1.0, 2.0, 3.0]))
    back = read_capture(write_csv(Capture(1e-3, 0.0, (one,), "csv")).encode())
    assert (back.step, back.channel().unit, len(back.channels)) == (1e-3, "V", 1)
    np.testing.assert_array_equal(back.channel().values, one.values)
    assert back.channel().name == name
