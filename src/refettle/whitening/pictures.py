"""Pictures made from photos: before and after under the same correction, and the map of how even a region is.

Both photos of a pair are balanced by their own neutrals to the same grey and, with a card, seen from straight above at
the same scale. They are for showing; figures are never taken from them. All are PNG in sRGB.
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from refettle.whitening.colour import Floats, encode_srgb, rgb_matrix
from refettle.whitening.picture import Picture, open_picture
from refettle.whitening.reading import PhotoReading
from refettle.whitening.uniformity import Spot

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw
    from PIL.ImageFont import FreeTypeFont, ImageFont

LONGEST = 1200
"""[pixels] longest side of what is made."""
MARGIN = 0.06
SPREAD_SHOWN = 6.0
"""YI that the map's ramp spans at least."""
LOW_INK, HIGH_INK = (252.0, 246.0, 222.0), (122.0, 62.0, 8.0)
"""Ends of the single-hue ramp of the map: like the reference or paler, and the yellowest."""

Pixels = NDArray[np.uint8]


def corrected(data: bytes, reading: PhotoReading, longest: int = LONGEST) -> bytes:
    """One photo with its balance applied, as it lies, no longer than `longest` [pixels]."""
    picture = open_picture(data)
    step = max(1.0, max(picture.width, picture.height) / longest)
    size = round(picture.width / step), round(picture.height / step)
    scale = np.diag([picture.width / size[0], picture.height / size[1], 1.0])
    return _png(_balanced(_warped(picture, np.asarray(scale, dtype=float), size), picture, reading))


def pair(
    before: tuple[bytes, PhotoReading], after: tuple[bytes, PhotoReading], longest: int = LONGEST
) -> tuple[bytes, bytes]:
    """Two photos under the same correction, ready to stand side by side: same size, same scale, same place.

    With cards of one size in both the view is of the plane of the card, about the regions that both have; otherwise
    each photo as it lies.
    """
    readings = before[1], after[1]
    found = [reading.found for reading in readings]
    if found[0] is None or found[1] is None or found[0].card.size != found[1].card.size:
        return corrected(*before, longest), corrected(*after, longest)
    points = np.concatenate([np.array(r.region.points) for r in before[1].regions if r.region.frame == "card"])
    low, high = points.min(axis=0), points.max(axis=0)
    room = MARGIN * float((high - low).max())
    low, high = low - room, high + room
    per_mm = min(longest / float((high - low).max()), max(each.side / each.card.markers[min(each.card.markers)].width
                                                         for each in found if each is not None))  # fmt: skip
    size = max(1, round(float(high[0] - low[0]) * per_mm)), max(1, round(float(high[1] - low[1]) * per_mm))
    to_mm = np.array([[1 / per_mm, 0, low[0]], [0, 1 / per_mm, low[1]], [0, 0, 1.0]])
    made = []
    for (data, reading), each in zip((before, after), found, strict=True):
        assert each is not None
        picture = open_picture(data)
        made.append(_png(_balanced(_warped(picture, each.to_pixels @ to_mm, size), picture, reading)))
    return made[0], made[1]


def side_by_side(before: bytes, after: bytes, gap: int = 12) -> bytes:
    """Two PNG pictures on one white ground, the first on the left."""
    from PIL.Image import new
    from PIL.Image import open as opened

    left, right = opened(BytesIO(before)), opened(BytesIO(after))
    ground = new("RGB", (left.width + gap + right.width, max(left.height, right.height)), (255, 255, 255))
    ground.paste(left, (0, 0))
    ground.paste(right, (left.width + gap, 0))
    return _png(ground)


def _warped(picture: Picture, to_source: Floats, size: tuple[int, int]) -> Floats:
    """Linear RGB of a view (height x width x 3), `to_source` leading from its pixels to those of the photo."""
    import cv2

    # Shrunk first by whole steps, in light, so that nothing is skipped over.
    middle = np.array([[size[0] / 2, size[1] / 2, 1.0], [size[0] / 2 + 1, size[1] / 2, 1.0]]) @ to_source.T
    apart = np.hypot(*(middle[1, :2] / middle[1, 2] - middle[0, :2] / middle[0, 2]))
    step = max(1, int(apart))
    rows, columns = picture.height // step, picture.width // step
    small = np.empty((rows, columns, 3), dtype=np.float32)
    tables = picture.profile.light.astype(np.float32)
    for row in range(rows):
        band = picture.code[row * step : (row + 1) * step, : columns * step]
        for k in range(3):
            small[row, :, k] = tables[k][band[..., k]].reshape(step, columns, step).mean(axis=(0, 2))
    shrink = np.array([[1 / step, 0, 0.5 / step - 0.5], [0, 1 / step, 0.5 / step - 0.5], [0, 0, 1.0]])
    back = np.linalg.inv(shrink @ to_source)
    view = cv2.warpPerspective(small, back, size, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return np.asarray(view, dtype=float)


def _balanced(linear: Floats, picture: Picture, reading: PhotoReading) -> Pixels:
    turned = picture.profile.matrix.T @ np.linalg.inv(rgb_matrix()).T
    code = encode_srgb((linear * np.array(reading.gain)) @ turned)
    return np.rint(255 * code).astype(np.uint8)


def _png(pixels: Pixels | Image) -> bytes:
    from PIL.Image import fromarray

    out = BytesIO()
    image = fromarray(pixels) if isinstance(pixels, np.ndarray) else pixels
    image.save(out, "PNG", compress_level=4)
    return out.getvalue()


def ramp(share: Floats) -> Pixels:
    """Ink of the map for 0 to 1; nan counts as 0."""
    s = np.clip(np.nan_to_num(share), 0.0, 1.0)[..., None]
    return np.rint(np.array(LOW_INK) * (1 - s) + np.array(HIGH_INK) * s).astype(np.uint8)


def map_range(reading: PhotoReading) -> tuple[float, float]:
    """YI at the two ends of the map's ramp: from the reference, or the palest, to the yellowest."""
    known = [r.field.yi[np.isfinite(r.field.yi)] for r in reading.regions if r.field is not None]
    if not known:
        return 0.0, SPREAD_SHOWN
    every = np.concatenate(known)
    low, high = (float(v) for v in np.percentile(every, [1, 99]))
    named = reading[reading.reference].yi if reading.reference else None
    low = min(low, named) if named is not None else low
    return low, max(high, low + SPREAD_SHOWN)


def uniformity_map(data: bytes, reading: PhotoReading, longest: int = LONGEST) -> bytes:
    """The photo in grey with its regions painted by yellowness; spots are ringed and numbered, with a bar of YI."""
    from PIL.Image import Resampling, fromarray
    from PIL.ImageDraw import Draw
    from PIL.ImageFont import load_default

    picture = open_picture(data)
    step = max(1.0, max(picture.width, picture.height) / longest)
    size = round(picture.width / step), round(picture.height / step)
    ground = fromarray(picture.code).convert("L").resize(size, Resampling.BOX).point(lambda v: 90 + v * 0.5)
    image = ground.convert("RGB")
    low, high = map_range(reading)
    for region in reading.regions:
        if (field := region.field) is None:
            continue
        inked = fromarray(ramp((field.yi - low) / (high - low)))
        there = fromarray(np.where(np.isfinite(field.yi), 255, 0).astype(np.uint8))
        rows, columns = field.yi.shape
        box = [round(v / step) for v in (field.left, field.top, field.left + columns * field.step,
                                         field.top + rows * field.step)]  # fmt: skip
        wide, high_px = max(1, box[2] - box[0]), max(1, box[3] - box[1])
        image.paste(inked.resize((wide, high_px), Resampling.NEAREST), (box[0], box[1]),
                    there.resize((wide, high_px), Resampling.NEAREST))  # fmt: skip
    draw = Draw(image)
    letters = load_default(max(12, longest // 60))
    for region in reading.regions:
        outline = [(x * size[0], y * size[1]) for x, y in region.outline]
        draw.line([*outline, outline[0]], fill=(20, 20, 20), width=2)
        _label(draw, region.name, min(outline, key=lambda p: p[0] + p[1]), letters)
    for number, (_, spot) in enumerate(spots_of(reading), start=1):
        x, y, r = spot.x * size[0], spot.y * size[1], longest / 70
        draw.ellipse((x - r, y - r, x + r, y + r), outline=(255, 255, 255), width=4)
        draw.ellipse((x - r, y - r, x + r, y + r), outline=(0, 0, 0), width=2)
        _label(draw, str(number), (x + r, y - r), letters)
    _bar(image, low, high, letters)
    return _png(image)


def spots_of(reading: PhotoReading) -> list[tuple[str, Spot]]:
    """(region, spot) in the order of the map's numbers."""
    return [(r.name, spot) for r in reading.regions if r.field is not None for spot in r.field.spots]


def _label(draw: ImageDraw, text: str, at: Sequence[float], letters: ImageFont | FreeTypeFont) -> None:
    place = at[0] + 4, at[1] + 3
    draw.text(place, text, fill=(0, 0, 0), font=letters, stroke_width=2, stroke_fill=(255, 255, 255))


def _bar(image: Image, low: float, high: float, letters: ImageFont | FreeTypeFont) -> None:
    from PIL.Image import fromarray
    from PIL.ImageDraw import Draw

    wide, tall = image.width // 3, max(10, image.height // 60)
    left, top = 12, image.height - 2 * tall - 14
    image.paste(fromarray(np.repeat(ramp(np.linspace(0, 1, wide))[None], tall, axis=0)), (left, top))
    draw = Draw(image)
    draw.rectangle((left, top, left + wide, top + tall), outline=(0, 0, 0))
    for x, text in ((left, f"YI {low:.0f}"), (left + wide, f"{high:.0f}")):
        _label(draw, text, (x - 4, top - 1.8 * tall - 8), letters)
