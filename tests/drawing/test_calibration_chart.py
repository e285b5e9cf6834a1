"""The calibration chart: well-formed, says its finding in words, and keeps what is typed harmless."""

from __future__ import annotations

from xml.etree import ElementTree

import numpy as np

from refettle.drawing.calibration import calibration_chart
from refettle.proving.calibration import calibration

SVG = "{http://www.w3.org/2000/svg}"


def test_points_intervals_and_words() -> None:
    rng = np.random.default_rng(1)
    said = rng.uniform(0, 1, 500)
    found = calibration(said.tolist(), (rng.uniform(0, 1, 500) < said).tolist())
    root = ElementTree.fromstring(calibration_chart(found, said="<said> & done"))
    assert len(root.findall(f"{SVG}circle")) == len(found.bins)
    about = root.get("aria-label") or ""
    assert about.startswith("500 predictions: log loss")
    assert "said 5 %, came" in about
    assert any(text.text == "<said> & done, %" for text in root.iter(f"{SVG}text"))


def test_what_was_promised() -> None:
    bold = calibration([0.9] * 40, [True] * 10 + [False] * 30)
    assert "said 90 %, came 25 % of 40: promised too much" in calibration_chart(bold)
    shy = calibration([0.1] * 40, [True] * 30 + [False] * 10)
    assert "promised too little" in calibration_chart(shy)
