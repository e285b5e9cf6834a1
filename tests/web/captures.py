"""Files as an instrument or a sound card saves them, and sending them."""

from __future__ import annotations

from functools import cache
from io import BytesIO

import numpy as np
import soundfile
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from refettle.supply.rectifier import Load, Reservoir, Source, steady_state

RATE = 16_000
"""[Hz] of the recordings."""


def rail_csv(hertz: float = 50.0, volts: float = 14.0, swing: float = 1.2, channels: int = 1) -> bytes:
    """Five mains periods of a rail that falls and is filled again, in steps of 40 mV."""
    t = np.arange(2500) * (5 / hertz / 2500)
    saw = 1 - (2 * hertz * t) % 1
    lines = ["Time (s)," + ",".join(f"CH{n} (V)" for n in range(1, channels + 1))]
    rail = np.round((volts + swing * saw) / 0.04) * 0.04
    lines += [
        f"{a:.6f}," + ",".join(f"{b / n:.3f}" for n in range(1, channels + 1)) for a, b in zip(t, rail, strict=True)
    ]
    return "\n".join(lines).encode()


@cache
def supply_csv(farad: float = 2200e-6, esr: float = 0.5, load: float = 0.6, dead: bool = False) -> bytes:
    """Five periods of a rail at 50 Hz as an 8-bit instrument saves it: bridge, 11 V winding, constant current."""
    steady = steady_state(
        Source(15.6, 1.2), "bridge", Reservoir(farad, esr), Load("current", load), 50.0, dead_diode=dead, steps=500
    )
    volts = np.tile(np.asarray(steady.volt).ravel(), 5)
    step = (volts.max() - volts.min()) * 1.25 / 256
    noisy = np.round((volts + np.random.default_rng(4).normal(0, 0.7 * step, volts.size)) / step) * step
    rows = [f"{n * 40e-6:.6f},{v:.4f}" for n, v in enumerate(noisy)]
    return "\n".join(["Time (s),CH1 (V)", *rows]).encode()


def wav(samples: np.ndarray, rate: int = RATE) -> bytes:
    file = BytesIO()
    soundfile.write(file, samples, rate, subtype="PCM_16", format="WAV")
    return file.getvalue()


@cache
def recording(hum: float) -> bytes:
    """Five seconds with nothing but hum and noise, then five with a tone; two channels."""
    rng, t = np.random.default_rng(2), np.arange(10 * RATE) / RATE
    one = 0.2 * np.sin(2 * np.pi * 440 * t) * (t > 5) + hum * np.sin(2 * np.pi * 100.02 * t)
    return wav(np.stack([one, 0.9 * one], axis=1) + 1e-4 * rng.standard_normal((t.size, 2)))


def send(client: Client, address: str, data: bytes, name: str = "rail.csv", field: str = "file", **more: str) -> str:
    """Send a file with a form; gives the address it leads to."""
    response = client.post(address, {field: SimpleUploadedFile(name, data), **more})
    assert response.status_code == 302, response.content.decode()[:2000]
    return str(response["Location"])
