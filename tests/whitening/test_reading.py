"""Photos read: regions, the reference, what is refused or said, what is left between two stages."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from refettle.whitening.card import CARDS, Rectangle
from refettle.whitening.neutrals import ROUNDING
from refettle.whitening.picture import PhotoError
from refettle.whitening.reading import DERIVATION, TRUST, PhotoReading, read_photo
from refettle.whitening.regions import Region, RegionError, read_region, read_regions, reference_place, written
from refettle.whitening.remaining import RemainingError, remaining
from tests.support.camera import Look, neutral, plastic, true_xyz, true_yellowness, yellowed_for
from tests.whitening.scenes import LID, PLAIN, REGIONS, after, bare_print, before, file_of, painted, scene, taken


def read(code: object, regions: tuple[Region, ...] = REGIONS, **more: object) -> PhotoReading:
    assert isinstance(code, np.ndarray)
    return read_photo(file_of(code), regions, **{"reference": "flap", **more})  # type: ignore[arg-type]


@cache
def first() -> PhotoReading:
    return read(before())


@cache
def later() -> PhotoReading:
    return read(after())


def test_a_reading() -> None:
    found = first()
    lid, flap = found["lid"], found["flap"]
    true = float(np.diff(true_yellowness(np.stack([what for _, what in scene().things])))[0])
    assert lid.above == pytest.approx(-true, abs=TRUST["locked"].above(true))
    assert (flap.above, flap.difference) == (None, None)
    assert lid.yi is not None
    assert flap.yi == pytest.approx(5.0, abs=3.0)
    assert lid.lab is not None
    assert flap.lab is not None
    assert lid.b_above == pytest.approx(lid.lab[2] - flap.lab[2])
    assert lid.difference is not None
    assert 8 < lid.difference < 20
    assert lid.lab[0] == pytest.approx(116 * np.cbrt(true_xyz(scene().things[0][1])[1]) - 16, abs=2.0)
    assert (found.card, found.rough, found.taken, found.derivation) == ("a5", False, "phone", DERIVATION)
    assert found.condition == "YI ASTM E313, D65/2°"
    assert not lid.remarks
    assert lid.field is not None
    assert lid.field.spread < 2.0
    assert not lid.field.spots


def test_shading_does_not_make_a_part_yellower() -> None:
    dim = read(taken(scene(), replace(PLAIN, shading=(0.15, -0.15))))
    assert dim["lid"].above == pytest.approx(first()["lid"].above, abs=2.0)


# ---------------------------------------------------------------- regions carried


def test_marks_on_the_first_photo_are_carried_by_the_card() -> None:
    found = first().found
    assert found is not None
    marks = tuple(
        Region(each.name, tuple((float(x), float(y)) for x, y in (found.pixels(each.points) + 0.5) / (1200, 1000)))
        for each in REGIONS
    )
    marked = read(before(), marks)
    assert any("only in its plane" in remark.text for remark in marked.remarks)
    for region, wanted in zip(marked.regions, REGIONS, strict=True):
        assert region.region.frame == "card"
        assert np.array(region.region.points) == pytest.approx(np.array(wanted.points), abs=0.01)
    again = read(after(), tuple(each.region for each in marked.regions))
    assert again["lid"].yi == pytest.approx(later()["lid"].yi, abs=0.3)
    kept, reference = read_regions(written((each.region for each in marked.regions), "flap"))
    assert (kept[0].name, kept[0].frame, reference) == ("lid", "card", "flap")
    assert np.array(kept[0].points) == pytest.approx(np.array(REGIONS[0].points), abs=0.01)


def test_the_place_on_the_card_for_a_small_part() -> None:
    built = scene()
    built.put(CARDS["a5"].reference, plastic("beige", yellowed_for("beige", 5)))
    found = read(taken(built), (REGIONS[0], reference_place(CARDS["a5"])), reference="reference")
    assert found["lid"].above == pytest.approx(first()["lid"].above, abs=1.5)


def test_regions_as_people_write_them() -> None:
    assert read_region("lid=.1,.2,.5,.6").points == ((0.1, 0.2), (0.5, 0.2), (0.5, 0.6), (0.1, 0.6))
    assert len(read_region("top lid = 0.1, 0.2, 0.5, 0.2, 0.3, 0.6").points) == 3


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lid", "'lid' found; allowed: NAME=x,y,x,y"),
        ("lid=1,2,3", "allowed: NAME=x,y,x,y"),
        ("lid=a,b,c,d", "allowed: NAME=x,y,x,y"),
        ("lid=0,0,1,2", "lid: 2 found; allowed: 0 to 1"),
        ("lid=nan,0,1,1", "lid: nan found; allowed: 0 to 1"),
        ("lid=.1,.1,.1,.9", "lid: points on one line found; allowed: a polygon with an area"),
        ("=.1,.1,.5,.9", "name '' found; allowed: 1 to 40 letters"),
    ],
)
def test_regions_that_are_none(text: str, said: str) -> None:
    with pytest.raises(RegionError) as raised:
        read_region(text)
    assert said in str(raised.value)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        ([], "no object found"),
        ({"regions": {}}, "regions: found {}; allowed: 1 to 50 names"),
        ({"regoins": {}}, "field 'regoins' found; allowed: frame, regions, reference, card"),
        ({"frame": "table", "regions": {"lid": []}}, "frame: 'table' found; allowed: card, photo"),
        ({"regions": {"lid": [[0, 0], [1]]}}, "regions, lid: found [[0, 0], [1]]; allowed: a list of points [x, y]"),
        ({"regions": {"lid": [[0, 0], [1, 0]]}}, "lid: 2 points found; allowed: 3 to 100"),
        ({"regions": {"lid": [[0, 0], [1, 0], [1, True]]}}, "regions, lid: found"),
        ({"regions": {"lid": [[0, 0], [1, 0], [1, 1]]}, "reference": "flap"}, "reference: 'flap' found; allowed: one"),
        ({"frame": "card", "regions": {"lid": [[0, 0], [9000, 0], [1, 1]]}}, "lid: 9000 mm found; allowed: -2000 to"),
    ],
)
def test_region_files_name_the_field(value: object, said: str) -> None:
    with pytest.raises(RegionError) as raised:
        read_regions(value)
    assert said in str(raised.value)


@pytest.mark.parametrize(
    ("regions", "more", "said"),
    [
        ((), {}, "no region found"),
        (REGIONS * 2, {}, "two regions called 'lid' found"),
        (REGIONS, {"reference": "foot"}, "reference 'foot' found; allowed: one of lid, flap"),
        (REGIONS, {"taken": "drone"}, "taken 'drone' found; allowed: phone, rig, locked"),
        (REGIONS, {"neutral": "paper"}, "neutral 'paper' found; allowed: ptfe, grey"),
        (REGIONS, {"neutral": 1.5}, "neutral 1.5 found; allowed"),
        (REGIONS, {"card": False}, "lid: marked on a card, and no card in the photo"),
        (REGIONS, {"card": False, "reference": None}, "no reference found; allowed: without a card"),
    ],
)
def test_what_cannot_be_asked(regions: tuple[Region, ...], more: dict[str, object], said: str) -> None:
    with pytest.raises(RegionError) as raised:
        read(before(), regions, **more)
    assert said in str(raised.value)


# ---------------------------------------------------------------- refused, or said


@pytest.mark.parametrize(
    ("look", "why"),
    [
        (Look(exposure=1.3), "clipped"),
        (Look(exposure=0.01, noise=0.002), "dark"),
        (Look(lights=("D65", "A"), mixed=(0.0, 0.35, 0.0, 0.35)), "mixed-light"),
        (Look(lights=("D65", "A"), mixed=(0.4,) * 4, near=(400.0, 300.0, 150.0)), "mixed-light"),
    ],
)
def test_photos_that_cannot_be_trusted(look: Look, why: str) -> None:
    with pytest.raises(PhotoError) as raised:
        read(taken(scene(), look))
    assert raised.value.why == why
    assert "allowed" in str(raised.value)


def test_a_corner_without_a_neutral() -> None:
    with pytest.raises(PhotoError, match="neutral at the bottom right corner: found uneven") as raised:
        read(taken(bare_print()))
    assert raised.value.why == "uneven-neutral"


def test_a_corner_of_office_paper_among_neutrals() -> None:
    """Its brightener adds blue: it cannot pass for one of four."""
    built = scene(neutrals=(neutral(), neutral(), neutral(), neutral(0.9, -0.10)))
    with pytest.raises(PhotoError, match="mixed light: found corner neutrals that differ"):
        read(taken(built))


def test_strong_compression_is_said_and_counts_as_a_phone() -> None:
    weak = taken(scene(), replace(PLAIN, noise=0.002))
    found = read_photo(file_of(weak, quality=70), REGIONS, reference="flap", taken="locked")
    assert found.neutral is not None
    assert found.neutral.leeway == ROUNDING
    assert any(remark.why == "compressed" for remark in found.remarks)
    assert found.trust == TRUST["phone"]


@pytest.mark.parametrize(
    ("what", "why"),
    [
        (plastic("beige", 0.1) * np.linspace(1.0, 0.35, 31), "coloured"),
        (plastic("beige", 0.1) * np.linspace(0.3, 1.0, 31) ** 2, "coloured"),
        (plastic("grey", 0.05) * 0.15, "dark"),
    ],
    ids=["blue", "brown", "black"],
)
def test_coloured_and_dark_plastics_have_no_yellowness(what: np.ndarray, why: str) -> None:  # type: ignore[type-arg]
    lid = read(taken(painted(what)))["lid"]
    assert lid.yi is None
    assert lid.above is None
    assert lid.field is None
    assert [remark.why for remark in lid.remarks] == [why]
    assert "go by b* and the difference" in lid.remarks[0].text
    assert lid.b_above is not None
    assert lid.difference is not None


def test_a_clipped_region_is_not_read_and_the_others_are() -> None:
    found = read(taken(painted(neutral(1.6)), replace(PLAIN, exposure=0.8)))
    assert not found["lid"].read
    assert found["lid"].remarks[0].why == "clipped"
    assert found["flap"].read


def shining(code: object, spots: int, reach: float = 22.0, strength: float = 0.5) -> np.ndarray:  # type: ignore[type-arg]
    """Light of the lamp added in round spots on the lid, as on wet plastic."""
    from refettle.whitening.colour import decode_srgb, encode_srgb

    assert isinstance(code, np.ndarray)
    found = first().found
    assert found is not None
    lit = decode_srgb(code / 255)
    rng = np.random.default_rng(5)
    y, x = np.mgrid[0 : code.shape[0], 0 : code.shape[1]]
    for _ in range(spots):
        place = (LID.left + rng.uniform(0.2, 0.8) * LID.width, LID.top + rng.uniform(0.2, 0.8) * LID.height)
        at_x, at_y = found.pixels([place])[0]
        lit += (strength * np.exp(-((x - at_x) ** 2 + (y - at_y) ** 2) / reach**2))[..., None]
    return np.rint(255 * encode_srgb(lit)).astype(np.uint8)


def test_wet_shine_is_left_out_and_said() -> None:
    wet = read(shining(before(), 2))["lid"]
    assert [remark.why for remark in wet.remarks] == ["shine"]
    assert "dry it" in wet.remarks[0].text
    assert 0.02 < wet.shine < 0.3
    assert wet.yi == pytest.approx(first()["lid"].yi, abs=1.5)
    soaked = read(shining(before(), 25, 40.0, 0.25))["lid"]
    assert not soaked.read
    assert soaked.remarks[0].why in ("shine", "clipped")


def test_too_small_and_half_out_of_the_photo() -> None:
    lid = Region("lid", Rectangle(20, 180, 2, 2).corners, "card")
    out = Region("edge", Rectangle(-200, 160, 180, 60).corners, "card")
    found = read(before(), (lid, REGIONS[1], out))
    assert [each.remarks[0].why if each.remarks else "" for each in found.regions] == ["small", "", "outside"]


def test_far_from_the_card_is_said() -> None:
    built = scene(around=20.0, below=420.0).put(Rectangle(0, 480, 80, 60), plastic("beige", 0.3))
    regions = (*REGIONS, Region("foot", Rectangle(10, 490, 60, 40).corners, "card"))
    found = read(taken(built), regions)
    assert any("foot lies" in remark.text and "from the card" in remark.text for remark in found.remarks)


# ---------------------------------------------------------------- without a card


def marks() -> tuple[Region, ...]:
    found = first().found
    assert found is not None
    return tuple(
        Region(each.name, tuple((float(x), float(y)) for x, y in (found.pixels(each.points) + 0.5) / (1200, 1000)))
        for each in REGIONS
    )


def test_without_a_card_it_is_rough_and_relative() -> None:
    found = read(before(), marks(), card=False)
    assert found.rough
    assert found.card is None
    assert found["flap"].yi == pytest.approx(0.0, abs=0.3)
    assert found["lid"].above == pytest.approx(first()["lid"].above, abs=4.0)
    assert any(remark.why == "rough" and "rough" in remark.text for remark in found.remarks)
    (lid,) = remaining([found], [found])
    assert (lid.fraction, lid.plus_minus, lid.remarks[0].why) == (1.0, 0.17, "rough")
    small = Region("flap", Rectangle(0.6, 0.7, 0.004, 0.004).corners)
    with pytest.raises(RegionError, match=r"flap: .* cells found; allowed: a larger patch"):
        read(before(), (marks()[0], small), card=False)


# ---------------------------------------------------------------- even or not


def test_streaks_and_over_bleached_spots() -> None:
    worse, none = plastic("beige", yellowed_for("beige", 30)), plastic("beige", 0.0, 1.08)
    built = scene(22.0, 8.0).put(Rectangle(20, 180, 80, 6), worse).put(Rectangle(70, 240, 14, 12), none)
    field = read(taken(built))["lid"].field
    assert field is not None
    over, streak = field.spots
    assert (over.kind, over.over_bleached, streak.kind, streak.over_bleached) == ("spot", True, "streak", False)
    assert over.yi < -10
    assert streak.yi > 4
    assert over.text.startswith("over-bleached spot, YI −")
    assert streak.share == pytest.approx(80 * 6 / (0.64 * 120 * 130), rel=0.4)
    found = first().found
    assert found is not None
    x, y = (found.pixels([(60, 183)])[0] + 0.5) / (1200, 1000)
    assert (streak.x, streak.y) == pytest.approx((float(x), float(y)), abs=0.02)


# ---------------------------------------------------------------- what is left


def test_what_is_left() -> None:
    (lid,) = remaining([first()], [later()])
    clean, old = yellowed_for("beige", 5.0), scene().things[0][1]
    new = scene(18.0).things[0][1]
    zero = true_yellowness(plastic("beige", clean))
    true = float((true_yellowness(new) - zero) / (true_yellowness(old) - zero))
    assert lid.fraction == pytest.approx(true, abs=TRUST["locked"].remaining)
    assert (lid.name, lid.plus_minus, lid.repeats, lid.over_bleached) == ("lid", 0.17, None, False)
    assert lid.change == pytest.approx(18.0 - 35.0, abs=TRUST["locked"].change + 1.0)


def test_repeats_that_scatter_more_count() -> None:
    photos = [replace(later(), regions=_moved(later(), by)) for by in (-6.0, 0.0, 6.0)]
    (lid,) = remaining([first()], photos)
    assert lid.repeats == pytest.approx(2 * 6.0 / (first()["lid"].above or 1), rel=1e-6)
    assert lid.plus_minus == lid.repeats
    (alike,) = remaining([first()], [later()] * 3)
    assert alike.repeats == 0.0
    assert alike.plus_minus == 0.17
    assert alike.fraction == pytest.approx(lid.fraction)


def _moved(reading: PhotoReading, by: float) -> tuple:  # type: ignore[type-arg]
    lid, flap = reading.regions
    return replace(lid, yi=(lid.yi or 0) + by, above=(lid.above or 0) + by), flap


def test_over_bleached_grown_spread_and_other_light_are_said() -> None:
    base = later()
    lid, flap = base.regions
    assert lid.lab is not None
    assert lid.field is not None
    assert flap.yi is not None
    gone = replace(lid, above=-1.0, lab=(first()["lid"].lab[0] + 3, 0.0, 4.0))  # type: ignore[index]
    worse = replace(lid, field=replace(lid.field, spread=9.0))
    assert [r.why for r in remaining([first()], [replace(base, regions=(gone, flap))])[0].remarks] == ["over-bleached"]
    assert remaining([first()], [replace(base, regions=(gone, flap))])[0].over_bleached
    assert [r.why for r in remaining([first()], [replace(base, regions=(worse, flap))])[0].remarks] == ["spread"]
    other = replace(flap, yi=flap.yi + 8.0)
    assert [r.why for r in remaining([first()], [replace(base, regions=(lid, other))])[0].remarks] == ["anchors"]


def test_hardly_yellow_parts_and_unread_ones_have_no_share() -> None:
    lid, flap = first().regions
    faint = replace(first(), regions=(replace(lid, above=3.0), flap))
    (found,) = remaining([faint], [later()])
    assert found.fraction is None
    assert "too little for a share" in found.remarks[0].text
    blind = replace(later(), regions=(replace(lid, yi=None, above=None), flap))
    (found,) = remaining([first()], [blind])
    assert (found.fraction, found.change, found.remarks[0].why) == (None, None, "not-read")


def test_photos_that_cannot_be_compared() -> None:
    for before_, now, said in (
        ([], [later()], "no photo found"),
        ([first()], [replace(later(), reference="lid")], "one and the same reference"),
        ([replace(first(), reference=None)], [replace(later(), reference=None)], "one and the same reference"),
        ([first()], [replace(later(), rough=True)], "with and without a card"),
    ):
        with pytest.raises(RemainingError, match=said):
            remaining(before_, now)
