"""Reading a photo: how yellow each region is, and how far above its own unexposed plastic.

With the measuring card in the photo its neutrals balance the light (each channel by one factor, in linear light), and
every region is read in cells. Without a card the hand-marked unexposed patch is taken as the neutral: the result is
rough, and relative to that patch only.

How far a figure can be trusted is what a simulated camera (nine lights, three sensors, white-balance error, tone curve,
saturation, noise, JPEG) left at its 95th percentile; no field trial stands behind it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np

from refettle.language import tr
from refettle.whitening.card import READING_WIDE
from refettle.whitening.cells import Cells, cells_of, shine
from refettle.whitening.colour import CONDITION, SCOPES, Floats, difference, in_scope, lab, yellowness
from refettle.whitening.markers import GOOD_SIDE, Found, find_card
from refettle.whitening.neutrals import AGREE, AGREE_LOCKED, NEUTRALS, Neutral, check_drift, read_neutrals
from refettle.whitening.picture import PhotoError, Picture, open_picture
from refettle.whitening.regions import PLANE, Region, RegionError, carried, pixels_of
from refettle.whitening.uniformity import Field, field_of

DERIVATION = "yellow 1"
"""Said with every result: which version of this derivation made it. Photos stay, figures can be made again."""
Taken = Literal["phone", "rig", "locked"]
TAKEN: tuple[Taken, ...] = get_args(Taken)
LEAST_CELLS = 25
LEAST_PIXELS = 400
CLIPPED_MOST = 0.10
SHINE_TOLD, SHINE_MOST = 0.02, 0.30
"""Share of a region that mirrors the lamp, from which it is said, and from which the region is not read."""
LEEWAY = {"phone": 3.0, "rig": 3.0, "locked": 2.0}
"""[nm] by which the dominant wavelength of a photo may be off: estimate, from the simulated camera."""


@dataclass(frozen=True, slots=True)
class Trust:
    """95th percentile of the error: `remaining` [1] of the yellowing left; `change` [YI] between photos; `absolute`
    [YI], indicative only; of YI above the reference in the same photo, `least` [YI] or the `share` of it, whichever is
    more. `agree` [1] is what the neutrals must agree within for that.
    """

    remaining: float
    change: float
    absolute: float
    least: float
    share: float
    agree: float

    def above(self, yi: float) -> float:
        """[YI] 95th percentile of the error of `yi` above the reference."""
        return max(self.least, self.share * abs(yi))


TRUST: dict[Taken, Trust] = {
    "phone": Trust(0.17, 10.0, 11.0, 6.0, 0.25, AGREE),
    "rig": Trust(0.08, 8.0, 11.0, 6.0, 0.25, AGREE),
    "locked": Trust(0.05, 2.5, 5.0, 2.5, 0.13, AGREE_LOCKED),
}


@dataclass(frozen=True, slots=True)
class Remark:
    """`why` is one word for it; `text` says it."""

    why: str
    text: str


@dataclass(frozen=True, slots=True)
class RegionReading:
    """One region in one photo. What could not be read is None, and `remarks` say why.

    `region` as it is to be kept: on the card where there is one; `outline` (n x 2), fractions of this photo; `xyz` with
    Y = 1 for white and `lab` for D65/2°; `yi`, None outside what the index is meant for; `above`, YI above the
    reference; `b_above`, b* above it; `difference`, CIEDE2000 from it; `clipped` and `shine`, shares left out.
    """

    region: Region
    outline: tuple[tuple[float, float], ...]
    xyz: tuple[float, float, float] | None = None
    lab: tuple[float, float, float] | None = None
    yi: float | None = None
    above: float | None = None
    b_above: float | None = None
    difference: float | None = None
    clipped: float = 0.0
    shine: float = 0.0
    field: Field | None = None
    remarks: tuple[Remark, ...] = ()

    @property
    def name(self) -> str:
        return self.region.name

    @property
    def read(self) -> bool:
        """Whether there is a colour at all."""
        return self.lab is not None


@dataclass(frozen=True, slots=True)
class PhotoReading:
    """One photo: `regions` in the order given, `reference` among them by name; `taken`; `card` size or None;
    `neutral`, the balance by the card; `rough` without one; `drift` of the light over the regions; `profile` of the
    photo; `width`, `height` [pixels]; `per_mm` [pixels]; `gain` of each channel; `derivation`, `condition`.
    """

    regions: tuple[RegionReading, ...]
    reference: str | None
    taken: Taken
    card: str | None
    found: Found | None
    neutral: Neutral | None
    rough: bool
    drift: float
    profile: str
    width: int
    height: int
    gain: tuple[float, float, float]
    remarks: tuple[Remark, ...]
    derivation: str = DERIVATION
    condition: str = field(default=f"YI {CONDITION}")

    def __getitem__(self, name: str) -> RegionReading:
        return next(each for each in self.regions if each.name == name)

    @property
    def trust(self) -> Trust:
        """How far its figures can be trusted: by how it was taken, and as a phone's where compression rounded it."""
        return TRUST["phone" if self.neutral is not None and self.neutral.rounded else self.taken]


def read_photo(
    data: bytes,
    regions: Sequence[Region],
    *,
    reference: str | None = None,
    taken: Taken = "phone",
    neutral: str | float = "ptfe",
    card: bool = True,
) -> PhotoReading:
    """Read one photo.

    Parameters
    ----------
    data : bytes
        The photo's file.
    regions : sequence of Region
        On the photo or on the card.
    reference : str
        The name of the region of unexposed plastic; needed without a card.
    taken : str
        `phone` by hand, `rig` fixed place and light, `locked` the same with exposure and white balance locked.
    neutral : str or float
        What is on the corners: `ptfe`, `grey`, or its reflectance [1].
    card : bool
        False: there is no card, the reference is taken as the neutral.

    Raises
    ------
    PhotoError
        What the photo shows cannot be trusted: see `why` for one word.
    RegionError
        Regions that cannot be used.
    """
    named = [region.name for region in regions]
    if not regions:
        raise RegionError(tr("no region found; allowed: at least one"))
    if double := next((name for name in named if named.count(name) > 1), None):
        raise RegionError(tr("two regions called {double!r} found; allowed: each name once", double=double))
    if reference is not None and reference not in named:
        raise RegionError(
            tr("reference {reference!r} found; allowed: one of {named}", reference=reference, named=", ".join(named))
        )
    if taken not in TAKEN:
        raise RegionError(tr("taken {taken!r} found; allowed: {words}", taken=taken, words=", ".join(TAKEN)))
    picture = open_picture(data)
    remarks = [Remark("profile", note) for note in picture.notes]
    if not card:
        return _rough(picture, regions, reference, taken, remarks)
    found = find_card(picture)
    agree = TRUST[taken].agree
    balance = read_neutrals(picture, found, reflectance_of(neutral), agree)
    kept = [carried(region, picture, found) for region in regions]
    outlines = [found.pixels(region.points) for region in kept]
    drift = check_drift(balance, np.concatenate([np.array(region.points) for region in kept]), agree)
    if balance.rounded:
        text = tr("strongly compressed: colours come in steps; copy the original, at the camera's best quality")
        remarks.append(Remark("compressed", text))
    if found.side < GOOD_SIDE:
        remarks.append(
            Remark(
                "card-small",
                tr("markers of {side:.0f} pixels; {good_side:.0f} are better", side=found.side, good_side=GOOD_SIDE),
            )
        )
    middle = np.array([found.card.width / 2, found.card.height / 2])
    for region in kept:
        away = np.hypot(*(np.mean(region.points, axis=0) - middle))
        if away > READING_WIDE * found.card.width:
            remarks.append(
                Remark(
                    "far",
                    tr("{name} lies {away:.0f} mm from the card, which says little there", name=region.name, away=away),
                )
            )
    read = _read_all(picture, kept, outlines, balance.gain, reference, taken)
    if any(region.frame == "photo" for region in regions):
        remarks.append(Remark("plane", tr(PLANE)))
    if reference is None:
        remarks.append(
            Remark(
                "no-reference",
                tr("no unexposed reference: YI is indicative, ±{absolute:g}", absolute=TRUST[taken].absolute),
            )
        )
    return PhotoReading(
        read, reference, taken, found.card.size, found, balance, False, drift, picture.profile.name,
        picture.width, picture.height, _triple(balance.gain), tuple(remarks),
    )  # fmt: skip


def reflectance_of(neutral: str | float) -> float:
    """[1] of a neutral by name or number. RegionError outside .05 to 1."""
    if isinstance(neutral, str) and neutral in NEUTRALS:
        return NEUTRALS[neutral]
    if isinstance(neutral, int | float) and 0.05 <= neutral <= 1.0:
        return float(neutral)
    raise RegionError(
        tr(
            "neutral {neutral!r} found; allowed: {neutrals}, or its reflectance from .05 to 1",
            neutral=neutral,
            neutrals=", ".join(NEUTRALS),
        )
    )


def _rough(
    picture: Picture, regions: Sequence[Region], reference: str | None, taken: Taken, remarks: list[Remark]
) -> PhotoReading:
    if reference is None:
        raise RegionError(tr("no reference found; allowed: without a card a patch of unexposed plastic must be marked"))
    outlines = [pixels_of(region, picture, None) for region in regions]
    at = [region.name for region in regions].index(reference)
    patch = cells_of(picture, outlines[at])
    if patch.count < LEAST_CELLS or patch.count * patch.step**2 < LEAST_PIXELS:
        raise RegionError(
            tr(
                "{reference}: {count} cells found; allowed: a larger patch, or a closer photo",
                reference=reference,
                count=patch.count,
            )
        )
    if patch.clipped_share > CLIPPED_MOST:
        raise PhotoError(
            "clipped", tr("{reference}: found clipped, too bright; allowed: values below 250", reference=reference)
        )
    rgb = np.median(patch.linear[patch.whole()], axis=0)
    if rgb.min() <= 0:
        raise PhotoError(
            "dark", tr("{reference}: found too dark; allowed: more light, or a longer exposure", reference=reference)
        )
    # As light as it came out, and grey: what stays is how far the other regions are from it.
    light = float((rgb @ picture.profile.matrix.T)[1])
    gain = light / rgb
    remarks.append(
        Remark("rough", tr("no card: rough, told only against the patch marked as unexposed, which counts as neutral"))
    )
    return PhotoReading(
        _read_all(picture, list(regions), outlines, gain, reference, taken), reference, taken, None, None, None, True,
        0.0, picture.profile.name, picture.width, picture.height, _triple(gain), tuple(remarks),
    )  # fmt: skip


def _triple(values: Floats) -> tuple[float, float, float]:
    a, b, c = (float(v) for v in values)
    return a, b, c


def _read_all(
    picture: Picture,
    regions: list[Region],
    outlines: list[Floats],
    gain: Floats,
    reference: str | None,
    taken: Taken,
) -> tuple[RegionReading, ...]:
    order = sorted(range(len(regions)), key=lambda k: regions[k].name != reference)  # the reference first
    done: dict[int, RegionReading] = {}
    known: RegionReading | None = None
    for k in order:
        done[k] = _read_one(picture, regions[k], outlines[k], gain, known, taken)
        if regions[k].name == reference:
            known = done[k]
    return tuple(done[k] for k in range(len(regions)))


def _read_one(
    picture: Picture, region: Region, outline: Floats, gain: Floats, reference: RegionReading | None, taken: Taken
) -> RegionReading:
    size = (picture.width, picture.height)
    fractions = tuple((float(x), float(y)) for x, y in (outline + 0.5) / size)
    empty = RegionReading(region, fractions)
    cells = cells_of(picture, outline)
    if cells.count < LEAST_CELLS or cells.count * cells.step**2 < LEAST_PIXELS:
        return _not_read(empty, "small", tr("too few pixels, or outside the photo: mark it larger or go closer"))
    if min(min(p) for p in fractions) < -0.001 or max(max(p) for p in fractions) > 1.001:
        return _not_read(empty, "outside", tr("reaches out of the photo: take in all of it"))
    xyz = (cells.linear * gain) @ picture.profile.matrix.T
    keep = cells.whole()
    mirrored = shine(xyz, keep)
    shining = (float(mirrored.sum()) + _glare(cells)) / cells.count
    clipped = max(0.0, cells.clipped_share - _glare(cells) / cells.count)
    if clipped > CLIPPED_MOST:
        return _not_read(
            empty,
            "clipped",
            tr("{clipped:.0f} % clipped, too bright: expose it darker", clipped=100 * clipped),
            clipped,
        )
    if shining > SHINE_MOST:
        return _not_read(
            empty,
            "shine",
            tr("{shining:.0f} % mirrors the lamp: dry it, light from the side at 45°", shining=100 * shining),
        )
    keep &= ~mirrored
    value = np.median(xyz[keep], axis=0)
    colour = lab(value)
    remarks = []
    if shining > SHINE_TOLD:
        text = tr(
            "wet or glossy: {shining:.0f} % mirrors the lamp and is left out; dry it, light from the side",
            shining=100 * shining,
        )
        remarks.append(Remark("shine", text))
    scope = in_scope(value, LEEWAY[taken])
    yi = float(yellowness(value)) if scope == "yes" else None
    if yi is None:
        remarks.append(Remark(scope, tr(SCOPES[scope])))
    reference_yi = reference.yi if reference is not None else None
    field_read = field_of(cells, xyz, keep, reference_yi, size) if yi is not None else None
    above = yi - reference_yi if yi is not None and reference_yi is not None else None
    base = reference.lab if reference is not None else None
    return RegionReading(
        region, fractions, _triple(value), _triple(colour), yi, above,
        float(colour[2]) - base[2] if base is not None else None,
        float(difference(colour, np.array(base))) if base is not None else None,
        clipped, shining, field_read, tuple(remarks),
    )  # fmt: skip


def _glare(cells: Cells) -> float:
    """How many clipped cells are glare: small and clipped through and through, while the rest is well below."""
    over = cells.inside & ~cells.whole()
    count = float(over.sum())
    if not count or count > SHINE_MOST * cells.count:
        return 0.0
    rest = np.median(cells.linear[cells.whole()].max(axis=-1))
    return count if rest < 0.7 * float(np.median(cells.linear[over].max(axis=-1))) else 0.0


def _not_read(empty: RegionReading, why: str, text: str, clipped: float = 0.0) -> RegionReading:
    return RegionReading(empty.region, empty.outline, clipped=clipped, remarks=(Remark(why, text),))
