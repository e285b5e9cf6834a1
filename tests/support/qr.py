"""Reading QR codes back with OpenCV, which now and then misses a good code at one size and reads it at another."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

SIZES = (1.0, 0.5, 2.0, 0.75, 1.5, 0.33)


def read_qr(picture: np.ndarray[Any, Any]) -> str:
    """What a picture of one code says, with white put around it; empty where it cannot be read."""
    room = max(picture.shape) // 6
    framed = np.pad(picture, room, constant_values=255)
    for size in SIZES:
        shown = cv2.resize(
            framed, None, fx=size, fy=size, interpolation=cv2.INTER_AREA if size < 1 else cv2.INTER_CUBIC
        )
        for reader in (cv2.QRCodeDetector(), cv2.QRCodeDetectorAruco()):
            said, _, _ = reader.detectAndDecode(shown)
            if said:
                return str(said)
    return ""
