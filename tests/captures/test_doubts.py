"""What a person should look at before relying on a capture is said, and nothing is said without cause."""

from __future__ import annotations

import io

import numpy as np
import pytest
from numpy.typing import NDArray

from refettle.captures import Capture, CaptureError, Choices, read_capture
from refettle.captures.quality import stuck_samples, value_step

STEP = 8e-5
T = STEP * np.arange(1250)


def rail(mean: float = 8.0, pp: float = 1.4, noise: float = 0.5, lsb: float = 0.04) -> NDArray[np.float64]:
    """A ripple of five mains periods as eight bits show it: slow fall, quick rise, noise in steps."""
    phase = (T * 100.0) % 1.0
    shape = np.where(phase < 0.8, 0.5 - phase / 0.8, (phase - 0.8) / 0.2 - 0.5)
    seeded = np.random.default_rng(7)
    return np.asarray(lsb * np.round((mean + pp * shape) / lsb + noise * seeded.standard_normal(T.size)))


def as_csv(*traces: NDArray[np.float64], times: NDArray[np.float64] = T, heads: str = "CH1 (V),CH2 (V)") -> bytes:
    out = io.StringIO()
    out.write(",".join(["t (s)", *heads.split(",")[: len(traces)]]) + "\n")
    np.savetxt(out, np.column_stack([times, *traces]), delimiter=",", fmt="%.6g")
    return out.getvalue().encode()


def read(*traces: NDArray[np.float64], choices: Choices | None = None, **more: NDArray[np.float64]) -> Capture:
    return read_capture(as_csv(*traces, **more), "", choices or Choices())


def test_a_sound_capture_raises_no_doubt() -> None:
    found = read(rail(), choices=Choices(expect_volts=9.0))
    assert found.doubts == ()
    assert (found.step, len(found), found.duration) == (pytest.approx(STEP), 1250, pytest.approx(0.1))
    assert found.channel().lsb == pytest.approx(0.04, rel=1e-6)
    assert found.channel().clipped == 0
    np.testing.assert_allclose(found.times, T, atol=1e-9)


@pytest.mark.parametrize(
    ("trace", "choices", "doubt"),
    [
        (rail() / 10, Choices(expect_volts=9.0), "about ten times too small for 9 V: look at the probe's factor 10"),
        (rail() * 10, Choices(expect_volts=9.0), "about ten times too large"),
        (rail() / 1000, Choices(expect_volts=9.0), "about a thousand times too small for 9 V: look at mV and V"),
        (rail(), Choices(expect_volts=25.0), "8 V is far from the 25 V expected"),
        (np.minimum(rail(), 8.4), Choices(), "samples stuck at the top or bottom: clipped"),
        (np.maximum(rail(), 7.6), Choices(), "samples stuck at the top or bottom: clipped"),
        (rail(lsb=0.2, noise=0.3), Choices(), "of 200 mV between lowest and highest: take fewer volts a division"),
        (rail(mean=0.0), Choices(), "AC coupled, or an AC voltage"),
        (np.full(1250, 8.0), Choices(), "no change at all, 8 V throughout"),
        (np.where(np.arange(1250) % 50, rail(), np.nan), Choices(), "25 of 1250 samples missing (2 %)"),
    ],
)
def test_doubt(trace: NDArray[np.float64], choices: Choices, doubt: str) -> None:
    doubts = [text.replace("\u2009", " ") for text in read(trace, choices=choices).doubts]
    assert any(doubt in text for text in doubts), doubts


def test_told_that_it_is_ac_coupled() -> None:
    found = read(rail(mean=0.0), choices=Choices(ac_coupled=True))
    assert not any("AC coupled" in doubt for doubt in found.doubts)
    assert "AC coupled, as chosen" in found.understood
    assert any("AC coupled, says the heading" in d for d in read_capture(b"Coupling: AC\n" + as_csv(rail())).doubts)


def test_time_base() -> None:
    coarse = read(rail(), times=T * 50).doubts
    assert any("too few for mains ripple" in doubt for doubt in coarse)
    short = read(rail()[:100], times=T[:100]).doubts
    assert any("shorter than a mains period" in doubt for doubt in short)
    log = read(rail(), times=T / STEP).doubts
    assert any("shows drift" in doubt for doubt in log)


def test_dropped_samples_become_gaps_in_their_place() -> None:
    kept = np.ones(1250, bool)
    kept[[100, 101, 640]] = False
    found = read(rail()[kept], times=T[kept])
    assert len(found) == 1250
    assert np.flatnonzero(np.isnan(found.channel().values)).tolist() == [100, 101, 640]
    assert np.isfinite(found.channel().filled).all()
    text = " ".join(found.doubts).replace("\u2009", " ")
    assert "3 samples missing in 2 places, the longest gap 160 µs at 7.92 ms" in text


def test_uneven_readings_are_put_between_and_said() -> None:
    times = np.cumsum(1.0 + 0.45 * np.random.default_rng(3).uniform(-1, 1, 200))
    found = read_capture(as_csv(3.0 + 0.01 * times, times=np.round(times, 3)))
    assert any("times are uneven" in doubt for doubt in found.doubts)
    np.testing.assert_allclose(found.channel().values, 3.0 + 0.01 * found.times, atol=2e-5)


def test_a_long_gap_is_not_bridged() -> None:
    times = np.concatenate([T, T + 5.0])
    with pytest.raises(
        CaptureError, match=r"line 1252: a gap of 4.9\u2009s found between readings 80\u2009µs apart"
    ) as raised:
        read_capture(as_csv(np.concatenate([rail()] * 2), times=times).replace(b"t (s)", b"t (s)"))
    assert raised.value.asks == "rows"
    part = read_capture(as_csv(np.concatenate([rail()] * 2), times=times), "", Choices(rows=(1, 1250)))
    assert len(part) == 1250


def test_times_that_go_back_are_refused_with_their_line() -> None:
    with pytest.raises(CaptureError, match=r"line 4: time goes back from 0.0002 s to 0.0001 s; allowed: rising times"):
        read_capture(b"t (s),CH1 (V)\n0.0001,1\n0.0002,2\n0.0001,3\n0.0002,4\n")


def test_numbers_of_thousands_of_digits() -> None:
    """As a count that two columns of whole numbers may begin with, as a month, and as a channel that is asked for."""
    long = "9" * 5000
    with pytest.raises(CaptureError):
        read_capture(f"1,2\n{long},3\n3,4\n".encode())
    with pytest.raises(CaptureError):
        read_capture(f"2031.{long}.1,3\n2031.²².1,3\n".encode())
    found = read_capture(b"CH1 (V)\n1\n2\n3\n", "", Choices(interval=1e-3))
    with pytest.raises(CaptureError, match="allowed: CH1, or 1 to 1"):
        found.channel(long)


def test_a_sine_is_not_called_clipped() -> None:
    for periods in (1, 3, 5.3, 40):
        for amplitude in (3.0, 20.4, 100.0, 127.0):
            wave = np.round(amplitude * np.sin(2 * np.pi * periods * np.arange(2500) / 2500))
            assert stuck_samples(wave) == 0, (periods, amplitude)
    hard = np.clip(np.round(140 * np.sin(2 * np.pi * 5 * np.arange(2500) / 2500)), -100, 100)
    assert stuck_samples(hard) == np.sum(np.abs(hard) == 100)


@pytest.mark.parametrize("lsb", [0.04, 1 / 25, 0.0078125, 1.6, 3.3 / 4095])
def test_value_step(lsb: float) -> None:
    codes = np.random.default_rng(5).integers(-60, 60, 500)
    assert value_step(codes * lsb) == pytest.approx(lsb, rel=1e-9)
    assert value_step(np.array([float(f"{c * lsb:.5g}") for c in codes])) == pytest.approx(lsb, rel=2e-3)
    assert value_step(np.random.default_rng(5).standard_normal(500)) is None
    assert value_step(np.full(9, 3.0)) is None
