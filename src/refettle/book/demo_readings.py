"""The demo book's job with a capture and a recording: an invented console that hums. The files are worked out here."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from refettle.book import evidence, files
from refettle.book.demo_text import FIVE, MARA, Told, looked, sound_case
from refettle.captures import read_capture
from refettle.knowledge.compile import CompiledType
from refettle.parts.capacitor_text import read_capacitor
from refettle.sound import ArraySource, read_sound
from refettle.supply.rectifier import Load, Reservoir, Source, steady_state
from refettle.supply.ripple import read_ripple

PART = "2200u 25V"
RIPPLE = {"mains": "50", "load": "0.55", "nominal": PART, "rectifier": "bridge"}
SOUND = {"mains": "50", "usual": "-18"}
SOUND_RATE = 8_000


def _capture(farad: float, esr: float, seed: int) -> bytes:
    """Five periods of the rail of a bridge on a 9 V winding, as an 8-bit instrument saves them."""
    steady = steady_state(Source(13.2, 1.1), "bridge", Reservoir(farad, esr), Load("current", 0.55), 50.0, steps=500)
    volts = np.tile(np.asarray(steady.volt).ravel(), 5)
    step = (volts.max() - volts.min()) * 1.25 / 256
    seen = np.round((volts + np.random.default_rng(seed).normal(0, 0.7 * step, volts.size)) / step) * step
    return "\n".join(["Time (s),CH1 (V)", *(f"{n * 40e-6:.6f},{v:.4f}" for n, v in enumerate(seen))]).encode()


def _recording() -> tuple[bytes, Any]:
    """Six seconds with nothing but hum, then three of a start-up tune; as a WAV file and as samples."""
    import soundfile

    t = np.arange(9 * SOUND_RATE) / SOUND_RATE
    tune = 0.16 * np.sin(2 * np.pi * (330 + 110 * np.floor(2 * t) % 220) * t) * (t > 6)
    hum = sum(0.05 / k * np.sin(2 * np.pi * 100.02 * k * t) for k in (1, 2, 3))
    samples = tune + hum + 1e-4 * np.random.default_rng(3).standard_normal(t.size)
    file = io.BytesIO()
    soundfile.write(file, samples, SOUND_RATE, subtype="PCM_16", format="WAV")
    return file.getvalue(), samples


def _ripple_entry(compiled: CompiledType, folder: Path, name: str, data: bytes) -> dict[str, Any]:
    capture = read_capture(data, name)
    volts = capture.channels[0]
    nominal = read_capacitor(PART, "aluminium")
    reading = read_ripple(
        capture.step,
        volts.filled,
        mains_hz=50.0,
        load_amps=0.55,
        lsb=volts.lsb,
        rectifier="bridge",
        nominal_farad=nominal.farad,
    )
    place = evidence.place_of(compiled, "ripple", "reservoir")
    worth = evidence.ripple_worth(compiled, place, reading, nominal)
    sha256 = files.keep(data, folder)
    return evidence.entry("ripple", place.id, sha256, name, RIPPLE, evidence.ripple_figures(reading), worth)


def _sound_entry(compiled: CompiledType, folder: Path) -> Mapping[str, Any]:
    data, samples = _recording()
    reading = read_sound(ArraySource(samples, SOUND_RATE, bits=16), mains_hz=50.0, usual_dbfs=-18.0)
    place = evidence.place_of(compiled, "sound", "sound")
    worth = evidence.sound_worth(compiled, place, reading)
    sha256 = files.keep(data, folder)
    return evidence.entry("sound", place.id, sha256, "hum.wav", SOUND, evidence.sound_figures(reading), worth)


def hum_job(compiled: CompiledType, folder: Path) -> Told:
    """A worn reservoir shown by its ripple, without an iron; replaced, and shown again.

    Parameters
    ----------
    compiled : CompiledType
        Of the console.
    folder : Path
        Where the book keeps its files.
    """
    before = _ripple_entry(compiled, folder, "c3-before.csv", _capture(1050e-6, 1.3, 4))
    after = _ripple_entry(compiled, folder, "c3-after.csv", _capture(2250e-6, 0.05, 5))
    told: Sequence[tuple[float, str, Mapping[str, Any]]] = [
        (0, MARA, {"kind": "take-in", "said": "Hums, and dark bars roll up the picture.", **sound_case(),
                   "rattle": "none", "accessories": {"AC adapter": "here", "two controllers": "here"}}),
        (3, MARA, {"kind": "complaint", "point": "picture", "outcome": "hum bars"}),
        *((1, MARA, {"kind": "caution", "caution": c}) for c in ("mains", "charged-capacitor", "first-power")),
        (9, MARA, {"kind": "first-power", "adapter": FIVE, "rails_ohm": {"rail5": 128, "unregulated": 1900},
                   "limit_amps": 0.8}),
        (3, MARA, looked("picture", "hum bars")),
        (4, MARA, _sound_entry(compiled, folder)),
        (7, MARA, before),
        (1, MARA, {"kind": "note", "text": "Half the capacitance gone and ten times the resistance: no need to take "
                                           "it out for a look."}),
        (16, MARA, {"kind": "repair", "repair": "reservoir.replace", "parts": 1.4}),
        (6, MARA, {**after, "run": "new"}),
        (3, MARA, looked("picture", "good")),
    ]  # fmt: skip
    return told
