"""Files as an instrument saves them, and sending them."""

from __future__ import annotations

import numpy as np
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client


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


def send(client: Client, address: str, data: bytes, name: str = "rail.csv", field: str = "file", **more: str) -> str:
    """Send a file with a form; gives the address it leads to."""
    response = client.post(address, {field: SimpleUploadedFile(name, data), **more})
    assert response.status_code == 302, response.content.decode()[:2000]
    return str(response["Location"])
