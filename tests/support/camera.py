"""A camera that is worked out: plastics, lights and sensors by their spectra, then what a phone makes of it.

Plastics are a grey, beige or white base with a yellow absorber after Kubelka and Munk. Lights and sensors are those of
the library colour-science (CIE illuminants, LED lamps; a measured sensor, the same shifted by 8 nm either way, and a
Gaussian one). A 3 x 3 matrix fitted under D65 on the chart of 24 colours turns the sensor's values to sRGB. What
follows, within the ranges of a phone: white-balance error, flare, shading, tone curve, saturation, noise, 8 bits, JPEG,
a tilted view. `render` makes whole photos, `patches` the mean values of single places without any pixels, for many
trials.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, field, replace
from functools import cache
from io import BytesIO
from typing import Any

import cv2
import numpy as np
from PIL import Image

from refettle.whitening.card import CARDS, SQUARES, Card, Rectangle, marker_squares
from refettle.whitening.colour import Floats, decode_srgb, encode_srgb, rgb_matrix, white_xyz, yellowness

NM = np.arange(400.0, 701.0, 10.0)
LIGHTS = ("D65", "D50", "A", "FL2", "FL11", "LED-B1", "LED-B3", "LED-B5", "LED-V1")
PLASTICS = ("grey", "beige", "white")


@cache
def library() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def _on_grid(spectrum: Any) -> Floats:
    found = np.asarray(spectrum.values, dtype=float)
    at = np.asarray(spectrum.wavelengths, dtype=float)
    if found.ndim == 1:
        return np.interp(NM, at, found, left=0.0, right=0.0)
    return np.stack([np.interp(NM, at, found[:, k], left=0.0, right=0.0) for k in range(found.shape[1])])


@cache
def light(name: str) -> Floats:
    """Relative power over NM, green of the eye at 1."""
    spectrum = _on_grid(library().SDS_ILLUMINANTS[name])
    return spectrum / (observer()[1] @ spectrum)


@cache
def observer() -> Floats:
    """CIE 1931 2° (3 x wavelengths)."""
    return _on_grid(library().MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])


def true_xyz(reflectance: Floats) -> Floats:
    """XYZ under D65, with the white of the formulas for the perfect white."""
    found = reflectance @ (observer() * light("D65")).T
    return found / (observer() @ light("D65")) * white_xyz()


def true_yellowness(reflectance: Floats) -> Floats:
    return yellowness(true_xyz(reflectance))


# ---------------------------------------------------------------- plastics


def plastic(base: str, yellowed: float, lighter: float = 1.0) -> Floats:
    """Reflectance of a base with `yellowed` of the absorber; .05 to .3 gives YI of about 10 to 50."""
    level = {"grey": 0.45, "beige": 0.62, "white": 0.80}[base] * lighter
    slope = {"grey": 0.005, "beige": 0.05, "white": 0.01}[base]
    clean = level * (1 + slope * (NM - 550) / 150 - (0.25 * slope) * ((NM - 550) / 150) ** 2)
    absorbed = (1 - clean) ** 2 / (2 * clean) + yellowed * np.exp(-(NM - 400) / 50.0)
    return np.asarray(1 + absorbed - np.sqrt(absorbed**2 + 2 * absorbed), dtype=float)


@cache
def _yellowing(base: str) -> tuple[Floats, Floats]:
    amounts = np.concatenate([[0.0], np.geomspace(1e-3, 5.0, 400)])
    return true_yellowness(np.stack([plastic(base, each) for each in amounts])), amounts


def yellowed_for(base: str, yi: float) -> float:
    """How much of the absorber gives a plastic this YI; 0 where it has that already."""
    return float(np.interp(yi, *_yellowing(base)))


def neutral(level: float = 0.9, tilt: float = 0.0) -> Floats:
    """A grey whose reflectance leans by `tilt` from the middle to either end."""
    return np.asarray(level * (1 + tilt * (NM - 550) / 150), dtype=float)


# ---------------------------------------------------------------- sensors


@cache
def sensors() -> tuple[Floats, ...]:
    """Spectral sensitivity (3 x wavelengths) of each camera."""
    measured = _on_grid(next(iter(library().MSDS_CAMERA_SENSITIVITIES.values())))
    shifted = [np.stack([np.interp(NM - by, NM, row) for row in measured]) for by in (-8.0, 8.0)]
    gaussian = np.stack([np.exp(-(((NM - at) / wide) ** 2) / 2) for at, wide in ((600, 32), (535, 36), (455, 28))])
    return (measured, *shifted, gaussian)


@cache
def _matrix(sensor: int) -> Floats:
    """From balanced sensor values to linear sRGB, fitted under D65, white kept."""
    chart = library().SDS_COLOURCHECKERS["ISO 17321-1"]
    reflectance = np.stack([_on_grid(each) for each in chart.values()])
    raw = _balanced(reflectance, sensor, light("D65"))
    wanted = true_xyz(reflectance) @ np.linalg.inv(rgb_matrix()).T
    found = np.linalg.lstsq(raw, wanted, rcond=None)[0].T
    return np.asarray(found / found.sum(axis=1, keepdims=True), dtype=float)


def _balanced(reflectance: Floats, sensor: int, source: Floats) -> Floats:
    weight = sensors()[sensor] * source
    return np.asarray((reflectance @ weight.T) / weight.sum(axis=1), dtype=float)


@dataclass(frozen=True)
class Look:
    """How one photo comes out. `lights`: the main one and, for mixed light, a second, whose share is `mixed` at the
    four corners of the scene (top left, top right, bottom left, bottom right), or falls off about a lamp `near` by: its
    place and reach [mm].
    """

    sensor: int = 0
    lights: tuple[str, ...] = ("D65",)
    mixed: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    near: tuple[float, float, float] | None = None
    balance: tuple[float, float] = (0.0, 0.0)
    exposure: float = 0.75
    flare: float = 0.0
    shading: tuple[float, float] = (0.0, 0.0)
    tint: tuple[float, float] = (0.0, 0.0)
    curve: float = 0.0
    saturation: float = 1.0
    noise: float = 0.01
    quality: int = 96

    def linear(self, reflectance: Floats, which: int = 0) -> Floats:
        """Linear sRGB of reflectances under one of the lights; the camera balances for the main one, wrongly."""
        weight = sensors()[self.sensor]
        main = weight @ light(self.lights[0])
        raw = (reflectance @ (weight * light(self.lights[which])).T) / main
        raw = raw * (1 + np.array([self.balance[0], 0.0, self.balance[1]]))
        return np.asarray(self.exposure * raw @ _matrix(self.sensor).T, dtype=float)

    def share(self, x: Floats, y: Floats, bounds: Rectangle) -> Floats:
        """Of the second light at places of the scene [mm]."""
        if self.near is not None:
            at_x, at_y, reach = self.near
            return np.asarray(self.mixed[0] / (1 + ((x - at_x) ** 2 + (y - at_y) ** 2) / reach**2))
        u, v = (x - bounds.left) / bounds.width, (y - bounds.top) / bounds.height
        tl, tr, bl, br = self.mixed
        return np.clip((tl * (1 - u) + tr * u) * (1 - v) + (bl * (1 - u) + br * u) * v, 0.0, 1.0)

    def shade(self, x: Floats, y: Floats, bounds: Rectangle) -> Floats:
        """How light each channel is at places of the scene [mm], about 1; the lens tints red and blue a little."""
        u, v = (x - bounds.left) / bounds.width, (y - bounds.top) / bounds.height
        even = 1 + self.shading[0] * (2 * u - 1) + self.shading[1] * (2 * v - 1)
        red, blue = (even * (1 + tint * (2 * w - 1)) for tint, w in zip(self.tint, (u, v), strict=True))
        return np.stack([red, even, blue], axis=-1)

    def coded(self, linear: Floats, rng: np.random.Generator | None) -> Floats:
        """Values 0 to 255 of linear sRGB: flare, noise, tone curve, saturation."""
        lit = linear + self.flare * 0.3 * self.exposure
        if rng is not None:
            lit = lit + rng.standard_normal(lit.shape, dtype=np.float32) * self.noise * np.sqrt(np.maximum(lit, 1e-4))
        code = encode_srgb(lit)
        code = (1 - self.curve) * code + self.curve * (3 * code**2 - 2 * code**3)
        luma = code @ np.array([0.299, 0.587, 0.114])
        code = luma[..., None] + self.saturation * (code - luma[..., None])
        return np.asarray(255 * np.clip(code, 0, 1))


def phone(rng: np.random.Generator, sensor: int | None = None) -> Look:
    """By hand, in any one light."""
    return Look(
        sensor=int(rng.integers(len(sensors()))) if sensor is None else sensor,
        lights=(str(rng.choice(LIGHTS)),),
        balance=(float(rng.uniform(-0.06, 0.06)), float(rng.uniform(-0.06, 0.06))),
        exposure=float(rng.uniform(0.5, 0.75)),
        flare=float(rng.uniform(0, 0.02)),
        shading=(float(rng.uniform(-0.1, 0.1)), float(rng.uniform(-0.1, 0.1))),
        tint=(float(rng.uniform(-0.004, 0.004)), float(rng.uniform(-0.004, 0.004))),
        curve=float(rng.uniform(0, 0.3)),
        saturation=float(rng.uniform(1, 1.25)),
        noise=float(rng.uniform(0.006, 0.015)),
        quality=int(rng.integers(93, 99)),
    )


def same_rig(look: Look, rng: np.random.Generator) -> Look:
    """The next photo of a fixed rig whose white balance the camera chooses anew."""
    balance = (float(rng.uniform(-0.03, 0.03)), float(rng.uniform(-0.03, 0.03)))
    return replace(look, balance=balance, exposure=look.exposure * float(rng.uniform(0.95, 1.05)))


def locked(look: Look) -> Look:
    """A rig with everything locked and no tone curve or saturation."""
    return replace(look, curve=0.0, saturation=1.0, balance=(0.0, 0.0), flare=min(look.flare, 0.005))


def with_lamp(look: Look, most: float, rng: np.random.Generator) -> Look:
    """A second light in the scene, up to `most` of the first."""
    second = str(rng.choice([name for name in LIGHTS if name != look.lights[0]]))
    share = float(rng.uniform(0, most))
    if rng.random() < 0.5:
        return replace(look, lights=(look.lights[0], second), mixed=tuple(share * rng.random(4)))
    spot = (float(rng.uniform(-200, 400)), float(rng.uniform(-200, 400)), float(rng.uniform(150, 500)))
    return replace(look, lights=(look.lights[0], second), mixed=(share,) * 4, near=spot)


# ---------------------------------------------------------------- scenes


@dataclass
class Scene:
    """What lies in the plane of the card [mm]; later things cover earlier ones."""

    card: Card = field(default_factory=lambda: CARDS["a5"])
    around: float = 40.0
    below: float = 150.0
    table: float = 0.25
    things: list[tuple[Rectangle, Floats]] = field(default_factory=list)
    neutrals: tuple[Floats, ...] = field(default_factory=lambda: (neutral(),) * 4)

    def put(self, place: Rectangle, reflectance: Floats) -> Scene:
        self.things.append((place, reflectance))
        return self

    @property
    def bounds(self) -> Rectangle:
        return Rectangle(
            -self.around, -self.around, self.card.width + 2 * self.around,
            self.card.height + self.around + self.below,
        )  # fmt: skip

    def palette(self) -> tuple[Floats, list[tuple[Rectangle, int]]]:
        """Reflectances, and what is painted with them in order."""
        colours = [neutral(self.table), neutral(0.88), neutral(0.04)]
        card = self.card
        painted = [(Rectangle(0, 0, card.width, card.height), 1)]
        for number, place in card.markers.items():
            painted.append((place, 2))
            cell = place.width / SQUARES
            painted += [
                (Rectangle(place.left + c * cell, place.top + r * cell, cell, cell), 1)
                for r, row in enumerate(marker_squares(number))
                for c, square in enumerate(row)
                if square == "1"
            ]
        for place, what in [*zip(card.neutrals, self.neutrals, strict=True), *self.things]:
            painted.append((place, len(colours)))
            colours.append(what)
        return np.stack(colours), painted


@dataclass(frozen=True)
class View:
    """Size of the photo [pixels], how much of it the scene fills, turn [°] and tilt."""

    width: int = 1200
    height: int = 1000
    fill: float = 0.92
    turn: float = 0.0
    tilt: tuple[float, float] = (0.0, 0.0)

    def transform(self, bounds: Rectangle) -> Floats:
        """3 x 3 from millimetres to pixels."""
        scale = self.fill * min(self.width / bounds.width, self.height / bounds.height)
        x, y = bounds.middle
        a = np.radians(self.turn)
        c, s = scale * np.cos(a), scale * np.sin(a)
        about = np.array([[1, 0, -x], [0, 1, -y], [0, 0, 1.0]])
        turned = np.array([[c, -s, 0], [s, c, 0], [self.tilt[0] / 1000, self.tilt[1] / 1000, 1.0]])
        centre = np.array([[1, 0, self.width / 2], [0, 1, self.height / 2], [0, 0, 1.0]])
        return np.asarray(centre @ turned @ about, dtype=float)


def any_view(rng: np.random.Generator) -> View:
    return View(
        fill=float(rng.uniform(0.82, 0.95)),
        turn=float(rng.uniform(-8, 8)),
        tilt=(float(rng.uniform(-0.4, 0.4)), float(rng.uniform(-0.4, 0.4))),
    )


def render(scene: Scene, look: Look, view: View, rng: np.random.Generator) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The photo's values (height x width x 3)."""
    colours, painted = scene.palette()
    bounds, to_pixels = scene.bounds, view.transform(scene.bounds)
    fine = 1.5 * view.fill * min(view.width / bounds.width, view.height / bounds.height)
    plane = np.zeros((round(bounds.height * fine), round(bounds.width * fine)), dtype=np.uint8)
    for place, index in painted:
        x1, y1 = (place.left - bounds.left) * fine, (place.top - bounds.top) * fine
        x2, y2 = x1 + place.width * fine, y1 + place.height * fine
        plane[max(0, round(y1)) : max(0, round(y2)), max(0, round(x1)) : max(0, round(x2))] = index
    # Pixel middles of the painted plane in millimetres.
    to_mm = np.array([[1 / fine, 0, bounds.left + 0.5 / fine], [0, 1 / fine, bounds.top + 0.5 / fine], [0, 0, 1.0]])
    warp = to_pixels @ to_mm
    size = (view.width, view.height)
    seen = []
    for which in range(len(look.lights)):
        tones = look.linear(colours, which).astype(np.float32)
        table = tuple(float(v) for v in tones[0])
        warped = cv2.warpPerspective(tones[plane], warp, size, flags=cv2.INTER_LINEAR, borderValue=table)
        seen.append(np.asarray(warped, dtype=np.float32))
    pixels = np.stack([*np.meshgrid(np.arange(view.width), np.arange(view.height)), np.ones(size[::-1])], axis=-1)
    there = pixels @ np.linalg.inv(to_pixels).T
    x, y = there[..., 0] / there[..., 2], there[..., 1] / there[..., 2]
    linear = seen[0]
    if len(seen) > 1:
        share = look.share(x, y, bounds)[..., None].astype(np.float32)
        linear = linear * (1 - share) + seen[1] * share
    linear = linear * look.shade(x, y, bounds).astype(np.float32)
    return np.rint(look.coded(linear, rng)).astype(np.uint8)


def patches(look: Look, bounds: Rectangle, reflectances: Floats, at: Floats) -> Floats:
    """Linear sRGB as a program reads it from the photo, for places `at` (n x 2) [mm] of these reflectances (n x wl)."""
    x, y = at.T
    linear = look.linear(reflectances)
    if len(look.lights) > 1:
        share = look.share(x, y, bounds)[:, None]
        linear = linear * (1 - share) + look.linear(reflectances, 1) * share
    linear = linear * look.shade(x, y, bounds)
    return decode_srgb(look.coded(linear, None) / 255)


def jpeg(code: np.ndarray[Any, np.dtype[np.uint8]], quality: int = 96, **more: Any) -> bytes:
    out = BytesIO()
    Image.fromarray(code).save(out, "JPEG", quality=quality, **more)
    return out.getvalue()


def png(code: np.ndarray[Any, np.dtype[np.uint8]], **more: Any) -> bytes:
    out = BytesIO()
    Image.fromarray(code).save(out, "PNG", compress_level=1, **more)
    return out.getvalue()


def photo(scene: Scene, look: Look, rng: np.random.Generator, view: View | None = None) -> bytes:
    """The photo as a JPEG file."""
    return jpeg(render(scene, look, view or View(), rng), look.quality)


def as_display_p3(code: np.ndarray[Any, np.dtype[np.uint8]]) -> np.ndarray[Any, np.dtype[np.uint8]]:
    """The same colours in the values of Display P3."""
    turn = np.linalg.inv(rgb_matrix("Display P3")) @ rgb_matrix()
    return np.rint(255 * encode_srgb(decode_srgb(code / 255) @ turn.T)).astype(np.uint8)
