"""NumPy files and WAV; files that are cut, damaged, disguised or far too large; choices that do not fit."""

from __future__ import annotations

import io
import pickle
import struct
import zipfile
from typing import Any

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from refettle.captures import CaptureError, CaptureStopped, Choices, read_capture

T = 1e-4 * np.arange(400)
V = np.round(8 + np.sin(630 * T), 2)


def npy(array: NDArray[Any]) -> bytes:
    out = io.BytesIO()
    np.save(out, array, allow_pickle=False)
    return out.getvalue()


def npz(**arrays: Any) -> bytes:
    out = io.BytesIO()
    np.savez_compressed(out, **arrays)
    return out.getvalue()


@pytest.mark.parametrize(
    ("data", "choices"),
    [
        (npy(V), Choices(interval=1e-4)),
        (npy(np.column_stack([T, V])), Choices()),
        (npy(np.vstack([T, V])), Choices()),
        (npy(np.array(list(zip(T, V, strict=True)), dtype=[("t", "f8"), ("CH1", "f4")])), Choices()),
        (npz(t=T, CH1=V), Choices()),
        (npz(CH1=V, dt=1e-4), Choices()),
        (npz(CH1=V, fs=np.array([10_000])), Choices()),
        (npz(**{"time_ms": T * 1e3, "CH1 (mV)": V * 1e3}), Choices()),
    ],
    ids=["column", "side by side", "above each other", "named fields", "npz", "npz, dt", "npz, fs", "npz, units"],
)
def test_numpy_files(data: bytes, choices: Choices) -> None:
    found = read_capture(data, "", choices)
    assert (found.kind, found.step, found.channel().name) == ("npy", pytest.approx(1e-4), "CH1")
    np.testing.assert_allclose(found.channel().values, V, rtol=1e-6)
    assert len(found.channels) == 1


def test_what_numpy_keeps_is_kept() -> None:
    for dtype in ("i1", "u1", ">i2", "u4", "f2", "f8", "?"):
        kept = np.arange(100).astype(dtype)
        found = read_capture(npy(kept), "", Choices(interval=1e-3))
        np.testing.assert_array_equal(found.channel().values, kept.astype("f8"))
    assert not found.channel().values.flags.writeable


def wav(samples: NDArray[Any], subtype: str = "PCM_16", rate: int = 48_000, form: str = "WAV") -> bytes:
    out = io.BytesIO()
    soundfile.write(out, samples, rate, subtype=subtype, format=form)
    return out.getvalue()


@pytest.mark.parametrize(
    ("subtype", "form", "lsb"),
    [("PCM_U8", "WAV", 2**-7), ("PCM_16", "WAV", 2**-15), ("PCM_24", "WAVEX", 2**-23), ("PCM_32", "WAV", 2**-31),
     ("FLOAT", "WAV", None), ("DOUBLE", "WAV", None), ("PCM_24", "RF64", 2**-23)],
)  # fmt: skip
def test_wav(subtype: str, form: str, lsb: float | None) -> None:
    wave = 0.5 * np.sin(2 * np.pi * 50 * np.arange(4800) / 48_000)
    found = read_capture(wav(np.column_stack([wave, -wave]), subtype, form=form), "", Choices(full_scale=2.0))
    assert (found.kind, found.rate, len(found.channels), len(found)) == ("wav", pytest.approx(48_000), 2, 4800)
    np.testing.assert_allclose(found.channel(2).values, -2 * wave, atol=2.0 * (lsb or 1e-7))
    assert (found.channel().unit, found.channel().lsb) == ("V", None if lsb is None else pytest.approx(2 * lsb))
    assert any("a sound card blocks the steady part" in doubt for doubt in found.doubts)


def test_wav_without_volts_clipped_and_cut() -> None:
    hot = np.clip(1.4 * np.sin(2 * np.pi * 50 * np.arange(4800) / 48_000), -1, 1)
    data = wav(hot)
    found = read_capture(data)
    assert found.channel().unit == ""
    assert found.channel().clipped == pytest.approx(np.sum(np.abs(hot) >= 1), abs=30)
    assert any("volts of full scale" in doubt for doubt in found.doubts)
    cut = read_capture(data[:4000])
    assert any("cut short: 5644 bytes of sound are missing" in doubt for doubt in cut.doubts)
    assert len(cut) < 4800
    with pytest.raises(CaptureError, match=r"a WAV file that cannot be read|samples found; allowed: two or more"):
        read_capture(data[:30])


def bomb() -> bytes:
    """A packed file of 1 MB that claims, and holds, 1 GB."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed,
        packed.open("CH1.npy", "w", force_zip64=True) as member,
    ):
        block = bytes(1 << 20)
        for _ in range(600):
            member.write(block)
    return out.getvalue()


def claiming(shape: tuple[int, ...]) -> bytes:
    """The head of an array that is not there."""
    head = f"{{'descr': '<f8', 'fortran_order': False, 'shape': {shape!r}, }}".ljust(117) + "\n"
    return b"\x93NUMPY\x01\x00" + struct.pack("<H", len(head)) + head.encode()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", "the file is empty; allowed: CSV"),
        (b"\n\n  \n", "the file is empty; allowed: rows of numbers"),
        (b"only words\nand more words\n", "no row of numbers found in the first 2 lines; allowed: rows of numbers"),
        (b"1,2\n" * 3 + b"\x00\x01\x02\x03", "no text; allowed: CSV"),
        (bytes(range(256)) * 20, "no text; allowed: CSV"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "a picture found; allowed: CSV"),
        (b"%PDF-1.7\n1 0 obj\n", "a PDF found; allowed"),
        (b"1" * 10_000_000, "line 1: a line of more than 65536 characters found; allowed: one row"),
        (b"t,v\n0,1\n1,2\n" + b"2," + b"3" * 100_000 + b"\n", "line 4: a line of"),
        (b"words\n" * 5000 + b"0,1\n1,2\n", "no row of numbers found in the first 2000 lines"),
        (b"t (s),CH1\n0,1.5\n1,2\n2,x\n3,4\n", "line 4: column 2: 'x' found; allowed: a number"),
        (b"t (s),CH1\n0,1.5\n1,2\n2,3,4\n3,4\n4,5\n5,6\n", "line 4: 3 columns found; allowed: 2, as above"),
        (b"t (s),CH1\n0,1.5\n1,2\n2,3,4\n3,4\n", "line 4: 3 columns found; allowed: 2, as above"),
        (b"t (s),CH1\n0,1.5\n1,2.5\n2\n3,4\n", "line 4: 1 column found; allowed: 2, as above"),
        (b"t (s),CH1\n0,1\n0,2\n0,3\n", "line 2: time: the same in every row; allowed: rising times, or an interval"),
        (b"1.5\n2.5\n3\n", "interval: no column with the time found"),
        (b"No,CH1 (V)\n1,5\n2,6\n3,7\n", "interval: numbered rows but no time found"),
        (b"t (s),CH1\n0,1\n", "line 2: 1 row found; allowed: two or more"),
        (b"0,0,1\n1,0,1\n\xff\xfe", "column|found"),
        (pickle.dumps([1, 2]), "no text|no row of numbers"),
        (npy(np.zeros((3, 4, 5))), "an array of shape (3, 4, 5) found; allowed: one trace"),
        (npy(V)[:900], "cut short: 772 of 3200 bytes found; allowed: a whole file"),
        (npy(V)[:40], "the head of the NumPy file is damaged; allowed: a whole file"),
        (npy(V.astype(complex)), "complex128 found; allowed: whole or floating numbers"),
        (npy(np.array(["a", "b"])), "<U1 found; allowed: whole or floating numbers"),
        (claiming((10**15,)), "cut short: 0 of 8000000000000000 bytes found"),
        (claiming((10**15, 10**15)), "cut short: 0 of"),
        (claiming((-3, 2)), "the head of the NumPy file names a length below 0"),
        (claiming((0, 10**30)), "a NumPy file that cannot be read"),
        (npy(V), "interval: no time and no sample interval found"),
        (npz(a=V, b=V[:-1], dt=1e-4), "traces of 399, 400 samples found; allowed: all of one length"),
        (npz(dt=1e-4), "no trace of two samples or more found"),
        (bomb(), "more than 512 MB once unpacked; allowed: up to that"),
        (npz(t=T, v=V)[:-200], "a packed file that cannot be opened"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt ", "a WAV file that cannot be read"),
        (b"RIFF\xff\xff\xff\xffAVI LIST" + bytes(50), "a WAV file that cannot be read"),
        (wav(np.zeros(1)), "1 samples found; allowed: two or more"),
    ],
)
def test_refused(data: bytes, message: str) -> None:
    with pytest.raises(CaptureError) as raised:
        read_capture(data, "file")
    said = str(raised.value)
    assert said.startswith("file: ")
    assert any(part in said for part in message.split("|")), said
    assert len(said) < 400


def test_objects_are_never_loaded() -> None:
    out = io.BytesIO()
    np.save(out, np.array([{}, {}], dtype=object), allow_pickle=True)
    with pytest.raises(CaptureError, match="stored objects found; allowed: numbers only"):
        read_capture(out.getvalue())


@pytest.mark.parametrize(
    ("choices", "message"),
    [
        ({"channels": ("CH9",)}, "channel: channel 'CH9' found; allowed: CH1, or 1 to 1"),
        ({"units": {"CH1": "furlong"}}, "unit of CH1: 'furlong' found; allowed: V, mV"),
        ({"units": {"B": "V"}}, "units: channel 'B' found; allowed: CH1"),
        ({"time_column": 7}, "time column: '7' found; allowed: none, or one of t, CH1"),
        ({"rows": (9, 12)}, "rows: from 9 found, the file has 3; allowed: up to that"),
        ({"skip": 40}, "skip: 40 lines found, the file has 4; allowed: fewer"),
        ({"separator": ";", "decimal": ","}, "no row of numbers found"),
    ],
)
def test_choices_that_do_not_fit_the_file(choices: dict[str, Any], message: str) -> None:
    with pytest.raises(CaptureError) as raised:
        read_capture(b"t (s),CH1 (V)\n0,8.1\n0.0001,8.3\n0.0002,8.2\n", "", Choices(**choices))
    assert message in str(raised.value)


@pytest.mark.parametrize(
    ("choices", "message"),
    [
        ({"decimal": "x"}, "decimal mark: 'x' found; allowed: ., ,"),
        ({"decimal": ",", "separator": ","}, "separator: ',' found with decimal mark ','"),
        ({"time_unit": "y"}, "time unit: 'y' found; allowed: s, ms"),
        ({"interval": 0.0}, "interval: 0 found; allowed: 1e-15 to 1e+07 s"),
        ({"interval": float("nan")}, "interval: nan found"),
        ({"skip": -1}, "skip: -1 found; allowed: 0 to 1000000 lines"),
        ({"rows": (5, 2)}, "rows: 5 to 2 found; allowed: first and last, from 1"),
        ({"probe": {"*": -10.0}}, "probe of *: -10 found"),
        ({"scale": {1: 0.0}}, "scale of 1: 0.0 found; allowed: a number other than 0"),
        ({"full_scale": 0.0}, "full scale: 0 found"),
    ],
)
def test_choices_that_cannot_be(choices: dict[str, Any], message: str) -> None:
    with pytest.raises(CaptureError) as raised:
        Choices(**choices)
    assert message in str(raised.value)


def test_long_files_tell_how_far_they_are_and_can_be_stopped() -> None:
    data = b"t (s),CH1 (V)\n" + b"".join(b"%d.5,%d\n" % (n, n % 200) for n in range(300_000))
    shares: list[float] = []
    found = read_capture(data, "", progress=shares.append)
    assert len(found) == 300_000
    assert shares == sorted(shares)
    assert len(shares) > 3
    assert shares[-1] == 1.0
    with pytest.raises(CaptureStopped, match="stopped"):
        read_capture(data, "", stop=lambda: True)


def test_many_lines_to_leave() -> None:
    data = b"words, and more\n" * 5000 + b"t (s),CH1 (V)\n0,1.5\n1,2.5\n2,2\n"
    found = read_capture(data, "", Choices(skip=5001))
    assert found.channel().values.tolist() == [1.5, 2.5, 2.0]


def test_a_gap_far_down_and_a_bad_cell_far_down() -> None:
    rows = [b"%d,%d" % (n, n % 200) for n in range(300_000)]
    rows[250_000] = b"250000,"
    found = read_capture(b"t (s),CH1 (V)\n" + b"\n".join(rows))
    assert np.flatnonzero(np.isnan(found.channel().values)).tolist() == [250_000]
    rows[250_000] = b"250000,abc"
    with pytest.raises(CaptureError, match=r"line 250002: column 2: 'abc' found; allowed: a number"):
        read_capture(b"t (s),CH1 (V)\n" + b"\n".join(rows))


@settings(max_examples=150, deadline=None)
@given(
    at=st.integers(0, 3000), size=st.integers(0, 60), noise=st.binary(min_size=1, max_size=40), which=st.integers(0, 3)
)
def test_damaged_files_are_read_or_refused(at: int, size: int, noise: bytes, which: int) -> None:
    whole = (npy(np.column_stack([T, V])), npz(t=T, v=V), wav(V / 10), b"t,v\n0,1\n1,2\n" * 1)[which]
    at %= len(whole)
    try:
        found = read_capture(whole[:at] + noise + whole[at + size :], "", Choices(interval=1e-3))
    except CaptureError:
        return
    assert len(found) > 0
