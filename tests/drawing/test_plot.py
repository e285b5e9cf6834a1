"""Plots: no peak is lost, figures on axes are right, names hide nothing, the finding is told in words."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.drawing.plot import HIGH, Band, Limit, Mark, Trace, line_plot
from refettle.drawing.plot_counts import Bar, bars, histogram
from refettle.drawing.plot_data import pieces, reduced
from refettle.drawing.plot_scale import Scale, around, clock
from refettle.drawing.plot_views import before_after_plot, fan_plot, fit_plots, level_plot, spectrum_plot

SVG = "{http://www.w3.org/2000/svg}"
T = np.arange(2000) * 1e-5
RAIL = 14 + np.abs(np.sin(2 * np.pi * 50 * T))


def points(drawing: str, number: int = 0) -> list[tuple[float, float]]:
    """The points of a trace as values, read off as the page's script does."""
    root = ElementTree.fromstring(drawing)
    x_low, x_high = (float(v) for v in (root.get("data-x") or "").split()[:2])
    trace = root.findall(f".//{SVG}g[@data-trace]")[number]
    low, high = (float(v) for v in (root.get(f"data-{trace.get('data-side')}") or "").split()[:2])
    pairs = [p.split(",") for line in trace.iter(f"{SVG}polyline") for p in (line.get("points") or "").split()]
    return [(x_low + float(x) / 640 * (x_high - x_low), high - float(y) / HIGH * (high - low)) for x, y in pairs]


# ---------------------------------------------------------------- data


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=400), st.integers(6, 90))
def test_reduced_keeps_the_peaks_and_makes_nothing_up(values: list[float], most: int) -> None:
    y = np.array(values)
    x = np.arange(y.size, dtype=float)
    rx, ry = reduced(x, y, most)
    assert ry.max() == y.max()
    assert ry.min() == y.min()
    assert np.all(np.diff(rx) > 0)
    assert np.array_equal(y[rx.astype(int)], ry)
    assert ry.size <= max(most + 3, 4)


def test_a_single_spike_in_a_million_samples_is_drawn() -> None:
    y = np.zeros(1_000_000)
    y[765_432] = 3.3
    drawing = line_plot([Trace("rail", np.arange(y.size) * 1e-6, y)], title="t", says="s")
    assert len(drawing) < 250_000
    x, top = max(points(drawing), key=lambda p: p[1])
    assert (x, top) == (pytest.approx(0.765432, rel=1e-4), pytest.approx(3.3, rel=1e-3))


def test_a_low_line_of_a_long_spectrum_is_drawn() -> None:
    hertz = np.arange(480_001) * 0.05
    level = np.full(hertz.size, -100.0)
    level[1000] = -40.0  # 50 Hz
    shown = spectrum_plot(hertz, level, says="s", x_range=(10, 24_000))
    assert max(y for _, y in points(shown)) == pytest.approx(-40, abs=0.1)


def test_gaps_stay_gaps() -> None:
    y = RAIL.copy()
    y[500:600] = np.nan
    y[1000] = np.nan
    drawing = line_plot([Trace("rail", T, y)], title="t", says="s")
    assert drawing.count("<polyline") == 3
    assert [a.size for a, _ in pieces(T, y)] == [500, 400, 999]


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [
        ([], [], "nothing to draw found"),
        ([0.0, 1.0], [np.nan, np.nan], "nothing to draw found"),
        ([0.0, 1.0], [1.0], "shapes (2,) and (1,) found"),
        ([0.0, 1.0], [[1.0, 2.0]], "shapes"),
    ],
)
def test_what_is_no_line_is_refused(x: list[float], y: list[float], says: str) -> None:
    with pytest.raises(ValueError, match=re.escape(says)):
        line_plot([Trace("rail", x, y)], title="t", says="s")
    with pytest.raises(ValueError, match="no trace"):
        line_plot([], title="t", says="s")


@pytest.mark.parametrize(("x", "y"), [([1.0], [5.0]), ([0.0, 0.0], [5.0, 5.0]), ([0.0, 1.0], [0.0, 0.0])])
def test_flat_and_single_data_is_drawn(x: list[float], y: list[float]) -> None:
    ElementTree.fromstring(line_plot([Trace("rail", x, y)], title="t", says="s"))


# ---------------------------------------------------------------- axes


@pytest.mark.parametrize(
    ("scale", "labels"),
    [
        (Scale(0, 0.1, "s"), ["0 ms", "20 ms", "40 ms", "60 ms", "80 ms", "100 ms"]),
        (Scale(13.4, 15.3, "V"), ["13.5 V", "14.0 V", "14.5 V", "15.0 V"]),
        (Scale(-0.02, 0.02, "V"), ["−20 mV", "−10 mV", "0 mV", "10 mV", "20 mV"]),
        (Scale(-95, 0, "dBFS"), ["−80 dBFS", "−60 dBFS", "−40 dBFS", "−20 dBFS", "0 dBFS"]),
        (Scale(0, 600, "s"), ["0:00", "2:00", "4:00", "6:00", "8:00", "10:00"]),
        (Scale(10, 24_000, "Hz", log=True), ["10 Hz", "100 Hz", "1 kHz", "10 kHz"]),
        (Scale(30, 300, "Hz", log=True), ["50 Hz", "100 Hz", "200 Hz"]),
    ],
)
def test_ticks_are_few_and_carry_their_units(scale: Scale, labels: list[str]) -> None:
    found = [t.label.replace("\u2009", " ") for t in scale.ticks() if t.label]
    assert found == labels


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6), st.sampled_from(["V", "s", "dB", "°C", ""]))
def test_every_axis_has_ticks_in_order_inside(low: float, span: float, unit: str) -> None:
    scale = around(low, low + span, unit)
    ticks = scale.ticks()
    assert 1 <= len(ticks) <= 7
    places = [scale.place(t.value) for t in ticks]
    assert places == sorted(places)
    assert places[0] >= -1e-6
    assert places[-1] <= 1 + 1e-6
    if span > 1e-6 * abs(low):
        assert len({t.label for t in ticks}) == len(ticks)


def test_a_scale_that_is_none_is_refused() -> None:
    for low, high, log in ((1, 1, False), (2, 1, False), (0, 1, True), (0, float("nan"), False)):
        with pytest.raises(ValueError, match="axis"):
            Scale(low, high, "V", log)
    assert clock(3750) == "1:02:30"


# ---------------------------------------------------------------- what is shown


def test_values_can_be_read_off_both_axes() -> None:
    load = 0.6 + 0.5 * np.sin(2 * np.pi * 100 * T)
    drawing = line_plot(
        [Trace("rail", T, RAIL), Trace("load", T, load, "A", "right", "second")], title="t", says="s", x_unit="s"
    )
    for number, wanted in ((0, RAIL), (1, load)):
        read = np.array(points(drawing, number))
        assert read[:, 0] == pytest.approx(T, abs=1e-7)
        assert read[:, 1] == pytest.approx(wanted, abs=np.ptp(wanted) / 5000)
    assert 'data-right="' in drawing
    assert drawing.count("pl-name") == 2


def test_the_finding_is_the_text_alternative() -> None:
    drawing = line_plot([Trace("rail <5 V>", T, RAIL)], title="Rail <a>", says="Falls to 14 V & less.", ident="x")
    root = ElementTree.fromstring(drawing)
    assert root.findtext(f"{SVG}desc") == "Falls to 14 V & less."
    assert root.get("aria-label") == "Rail <a>"
    assert root.get("aria-describedby") == "x-desc"
    assert " style=" not in drawing


def test_a_file_of_its_own_carries_its_colours_and_size() -> None:
    drawing = line_plot([Trace("rail", T, RAIL)], title="Rail", says="s", alone=True)
    root = ElementTree.fromstring(drawing)
    assert float(root.get("width") or 0) > 640
    assert ".pl-line" in drawing
    assert root.findtext(f"{SVG}title") == "Rail"


def test_a_name_stands_clear_of_the_lines() -> None:
    low, high = np.full(T.size, 5.0), np.full(T.size, 12.0)
    drawing = line_plot(
        [Trace("five", T, low), Trace("twelve", T, high)], title="t", says="s", limits=[Limit(11.0, "needed")]
    )
    spots = {
        "".join(text.itertext()).split()[-1]: float((text.get("y") or "").rstrip("%"))
        for text in ElementTree.fromstring(drawing).iter(f"{SVG}text")
        if "pl-name" in (text.get("class") or "")
    }
    assert set(spots) == {"five", "twelve", "needed"}
    scale = around(5, 12, "V")
    heights = [100 * (1 - scale.place(v)) for v in (5, 11, 12)]
    assert all(abs(spot - line) > 2.5 for spot in spots.values() for line in heights)


def test_marks_are_named_in_rows_and_none_covers_another() -> None:
    marks = [Mark(50.0 * k, f"{50 * k} Hz", -40.0 - k) for k in range(1, 9)]
    hertz = np.linspace(1, 24_000, 2000)
    drawing = spectrum_plot(hertz, np.full(2000, -90.0), says="s", lines=marks, x_range=(10, 24_000))
    assert drawing.count('class="pl-mark"') == 8
    rows = re.findall(r'x="([\d.]+)%" y="(-[\d.]+)" text-anchor="middle">(\d+ Hz)', drawing)
    assert 3 <= len(rows) < 8
    by_row: dict[str, list[float]] = {}
    for x, y, _ in rows:
        by_row.setdefault(y, []).append(float(x))
    assert len(by_row) <= 3
    assert all(b - a > 15 for row in by_row.values() for a, b in pairwise(row))
    assert "pl-rows3" in drawing


def test_the_kinds_of_plots_draw_what_they_are_given() -> None:
    model = RAIL + 0.01
    upper, lower = fit_plots(T, RAIL, model, says="fits", left_says="10 mV left", step=0.02, ident="f")
    assert np.array(points(lower))[:, 1] == pytest.approx(np.full(T.size, -0.01), abs=1e-4)
    assert 'id="f"' in upper
    assert 'id="f-left"' in lower
    both = before_after_plot((T, RAIL - 2), (T, RAIL), says="better by 2 V")
    assert both.index("pl-before") < both.index("pl-main")
    assert "pl-small" in level_plot(T * 1e4, [("left", RAIL), ("right", RAIL - 1)], says="s", marks=[Mark(9, "click")])
    fan = fan_plot(
        T, RAIL + np.array([-1, -0.5, 0, 0.5, 1])[:, None], says="spread", title="t", limits=[Limit(13.5, "needed")]
    )
    assert fan.count("pl-band") == 2
    assert np.array(points(fan))[:, 1] == pytest.approx(RAIL, abs=1e-3)
    band = line_plot([Trace("rail", T, RAIL)], title="t", says="s", bands=[Band("all", T, RAIL - 5, RAIL + 5)])
    low, high = (float(v) for v in re.findall(r'data-left="(\S+) (\S+) V"', band)[0])
    assert low < 9.1
    assert high > 19.9


# ---------------------------------------------------------------- counts and bars


def test_a_histogram_counts_everything_on_its_own_side_of_the_limit() -> None:
    values = np.random.default_rng(1).normal(13, 0.5, 2000)
    values[5] = np.nan
    drawing = histogram(values, title="Valley", says="s.", limit=Limit(12.5, "needed, 12.5 V"))
    heights = {
        bad: [float(h) for c, h in re.findall(r'<rect class="(pl-bar[^"]*)"[^>]*height="([\d.]+)"', drawing) if
              ("over" in c) is bad]
        for bad in (True, False)
    }  # fmt: skip
    share = sum(heights[True]) / (sum(heights[True]) + sum(heights[False]))
    assert share == pytest.approx(np.nanmean(values < 12.5), abs=0.002)
    assert "1 of 2000 values are not finite and are left out" in drawing
    with pytest.raises(ValueError, match="nothing to count"):
        histogram([float("nan")], title="t", says="s")
    ElementTree.fromstring(histogram([3.0, 3.0], title="t", says="s", limit=Limit(9.0, "x"), bad_below=False))


def test_bars_say_in_words_what_is_past_the_limit() -> None:
    drawing = bars(
        [Bar("regulator <U1>", 155, 150), Bar("with the pad", 80, 150, 70, 95)], title="Heat", says="s", unit="°C"
    )
    assert "regulator &lt;U1&gt;: 155\u2009°C of 150\u2009°C, over<" in drawing
    assert "with the pad: 80\u2009°C of 150\u2009°C<" in drawing
    low = bars([Bar("aged", -1.2), Bar("new", 4)], title="t", says="s", unit="V", limit=Limit(2, "2 V"), bad_below=True)
    assert "−1.2\u2009V, under<" in low
    assert "new: 4\u2009V<" in low
    with pytest.raises(ValueError, match="no figure"):
        bars([], title="t", says="s", unit="V")
