"""refettle yellow: how yellow each marked region is, and how much of the yellowing is left, from photos."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from refettle.cli.common import DOES_NOT_HOLD, DONE, Refused, print_json, table

if TYPE_CHECKING:
    from refettle.whitening.reading import PhotoReading, Taken
    from refettle.whitening.regions import Region
    from refettle.whitening.remaining import Remaining

MAX_REGIONS_BYTES = 1_000_000
ON_CARD = "card"
EXAMPLES = """\
examples:
  refettle yellow before.jpg --region lid=.1,.6,.5,.9 --region flap=.6,.6,.8,.8 --reference flap --keep lid.json
  refettle yellow before.jpg after.jpg --regions lid.json --taken rig --pair pair.png
  refettle yellow b1.jpg b2.jpg b3.jpg a1.jpg a2.jpg a3.jpg --regions lid.json --repeats 3
  refettle yellow photo.jpg --region lid=.1,.6,.5,.9 --reference card   a small part on the card's own place
  refettle yellow photo.jpg --region lid=.1,.6,.5,.9 --region foot=.6,.6,.7,.7 --reference foot --no-card

x and y are fractions of the upright photo, from its top left corner. The first photo is how it was before; later ones
carry the marks by the card. Without a card the result is rough. Photos are read and never changed.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EXAMPLES
    parser.add_argument("photos", metavar="PHOTO", nargs="+", help="JPEG, PNG or WebP; the first is how it was before")
    marks = parser.add_argument_group("regions")
    marks.add_argument("--regions", metavar="FILE.json", help="regions kept before")
    marks.add_argument("--region", action="append", default=[], metavar="NAME=x,y,x,y",
                       help="two corners, or all corners in order; may be repeated")  # fmt: skip
    marks.add_argument("--reference", metavar="NAME", help="the region of unexposed plastic; card for the card's place")
    marks.add_argument("--keep", metavar="FILE.json", help="write the regions as they lie on the card")
    how = parser.add_argument_group("how it was taken")
    how.add_argument("--taken", default="phone", help="phone, rig (fixed place and light) or locked (the same, locked)")
    how.add_argument("--neutral", default="ptfe", metavar="WHAT", help="on the corners: ptfe, grey, or its reflectance")
    how.add_argument(
        "--repeats", type=int, default=1, metavar="N", help="so many photos of every stage, one after other"
    )
    how.add_argument("--no-card", action="store_true", help="no card in the photo: rough, against the reference only")
    out = parser.add_argument_group("what is written")
    out.add_argument("--map", metavar="OUT.png", help="how even the regions of the last photo are")
    out.add_argument("--pair", metavar="OUT.png", help="first and last photo side by side, under the same correction")
    out.add_argument("--json", action="store_true", help="as JSON")
    parser.set_defaults(run=run_yellow)


def run_yellow(args: argparse.Namespace) -> int:
    """Read the photos and print; exit status 1 where a region could not be read."""
    from refettle.whitening.regions import RegionError
    from refettle.whitening.remaining import RemainingError, remaining

    if args.repeats < 1 or len(args.photos) % args.repeats:
        raise Refused(f"--repeats {args.repeats} found for {len(args.photos)} photos; allowed: so many of every stage")
    if args.pair and len(args.photos) < 2:
        raise Refused("--pair: one photo found; allowed: two or more")
    try:
        readings, last = _read_all(args)
        stages = [readings[k : k + args.repeats] for k in range(0, len(readings), args.repeats)]
        named = readings[0].reference is not None
        left = [remaining(stages[0], stage) for stage in stages[1:] if named]
    except (RegionError, RemainingError) as error:
        raise Refused(str(error)) from None
    _write(args, readings, last)
    if args.json:
        print_json(_facts(args, readings, left))
    else:
        _print(args, readings, left)
    return DONE if all(each.read for reading in readings for each in reading.regions) else DOES_NOT_HOLD


def _bytes(name: str, most: int, option: str = "") -> bytes:
    said = f"{option} {name}".strip()
    try:
        path = Path(name)
        if path.stat().st_size > most:
            raise Refused(f"{said}: {path.stat().st_size / 1e6:.0f} MB found; allowed: up to {most / 1e6:g} MB")
        return path.read_bytes()
    except OSError as error:
        raise Refused(f"{said}: {(error.strerror or str(error)).lower()}") from None


def _regions(args: argparse.Namespace) -> tuple[list[Region], str | None]:
    """The regions asked for and the name of the reference among them."""
    from refettle.whitening.regions import REFERENCE, RegionError, read_region, read_regions

    regions: list[Region] = [read_region(text) for text in args.region]
    named: str | None = None
    if args.regions:
        try:
            value = json.loads(_bytes(args.regions, MAX_REGIONS_BYTES, "--regions").decode("utf-8"))
            kept, named = read_regions(value)
        except RegionError as error:
            raise Refused(f"--regions {args.regions}: {error}") from None
        except (ValueError, RecursionError) as error:  # no JSON, no UTF-8, or a number of thousands of digits
            where = f"line {error.lineno}: " if isinstance(error, json.JSONDecodeError) else ""
            raise Refused(
                f"--regions {args.regions}: {where}no JSON found; allowed: regions as --keep writes them"
            ) from None
        regions += kept
    if not regions:
        raise Refused("no region found; allowed: --region NAME=x,y,x,y or --regions FILE.json")
    names = {region.name for region in regions}
    reference = args.reference or named or (REFERENCE if REFERENCE in names else None)
    if reference == ON_CARD and ON_CARD not in names:
        if args.no_card:
            raise Refused("--reference card found with --no-card; allowed: the name of a marked region")
        return regions, ON_CARD
    if reference is not None and reference not in names:
        raise Refused(f"--reference {reference!r} found; allowed: {', '.join(sorted(names))}, or card")
    return regions, reference


def _read_all(args: argparse.Namespace) -> tuple[list[PhotoReading], bytes]:
    """A reading of every photo, and the last photo itself."""
    from refettle.whitening.picture import MAX_BYTES, PhotoError
    from refettle.whitening.reading import TAKEN, read_photo
    from refettle.whitening.regions import RegionError

    regions, reference = _regions(args)
    if args.taken not in TAKEN:
        raise Refused(f"--taken {args.taken!r} found; allowed: {', '.join(TAKEN)}")
    if args.no_card and len(args.photos) > 1 and args.taken == "phone":
        raise Refused("--no-card: several photos found; allowed: one, as nothing carries the marks, or --taken rig")
    neutral = _neutral(args.neutral)
    readings: list[PhotoReading] = []
    data = b""
    for name in args.photos:
        data = _bytes(name, MAX_BYTES)
        try:
            taken: Taken = args.taken
            wanted = _with_place(regions, data) if reference == ON_CARD and not readings else regions
            reading = read_photo(
                data,
                wanted,
                reference=_name_of(reference, wanted),
                taken=taken,
                neutral=neutral,
                card=not args.no_card,
            )
        except (PhotoError, RegionError) as error:
            raise Refused(f"{name}: {error}") from None
        readings.append(reading)
        if not reading.rough:
            regions = [each.region for each in reading.regions]
    return readings, data


def _name_of(reference: str | None, regions: list[Region]) -> str | None:
    from refettle.whitening.regions import REFERENCE

    return REFERENCE if reference == ON_CARD and ON_CARD not in {r.name for r in regions} else reference


def _with_place(regions: list[Region], data: bytes) -> list[Region]:
    """The regions and the card's own place for a reference; the size of card is seen in the photo."""
    from refettle.whitening.markers import find_card
    from refettle.whitening.picture import open_picture
    from refettle.whitening.regions import reference_place

    return [*regions, reference_place(find_card(open_picture(data)).card)]


def _neutral(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


def _write(args: argparse.Namespace, readings: list[PhotoReading], last: bytes) -> None:
    from refettle.whitening.picture import MAX_BYTES
    from refettle.whitening.pictures import pair, side_by_side, uniformity_map
    from refettle.whitening.regions import written

    made: dict[str, bytes] = {}
    if args.keep:
        if readings[0].rough:
            raise Refused("--keep: no card found; allowed: a photo with the card, which carries the marks")
        kept = written((each.region for each in readings[0].regions), readings[0].reference)
        made[args.keep] = (json.dumps(kept, ensure_ascii=False, indent=2) + "\n").encode()
    if args.map:
        made[args.map] = uniformity_map(last, readings[-1])
    if args.pair:
        first = _bytes(args.photos[0], MAX_BYTES)
        made[args.pair] = side_by_side(*pair((first, readings[0]), (last, readings[-1])))
    for name, content in made.items():
        if name in args.photos:
            raise Refused(f"{name}: is one of the photos; allowed: another name, photos are never written over")
        try:
            Path(name).write_bytes(content)
        except OSError as error:
            raise Refused(f"{name}: {(error.strerror or str(error)).lower()}") from None


def _facts(args: argparse.Namespace, readings: list[PhotoReading], left: list[tuple[Remaining, ...]]) -> dict[str, Any]:
    from refettle.whitening.telling import photo_facts, remaining_facts

    photos = [{"photo": name, **photo_facts(reading)} for name, reading in zip(args.photos, readings, strict=True)]
    stages = [
        {
            "photos": args.photos[args.repeats * (k + 1) : args.repeats * (k + 2)],
            "regions": {each.name: remaining_facts(each) for each in stage},
        }
        for k, stage in enumerate(left)
    ]
    return {"photos": photos, "later": stages}


def _signed(value: float | None, digits: int = 1) -> str:
    return "" if value is None else f"{value:+.{digits}f}".replace("-", "−")


def _print(args: argparse.Namespace, readings: list[PhotoReading], left: list[tuple[Remaining, ...]]) -> None:
    from refettle.whitening.pictures import spots_of

    for stage, found in enumerate(left, start=2):
        for each in found:
            print(f"{_said(each)}" + (f" (stage {stage})" if len(left) > 1 else ""))
            print("".join(f"  {remark.text}\n" for remark in each.remarks), end="")
    if left:
        print()
    for name, reading in zip(args.photos, readings, strict=True):
        by = f"card {reading.card.upper()}" if reading.card else "no card: rough"
        agree = f"; neutrals within {100 * reading.neutral.disagreement:.1f} %" if reading.neutral else ""
        print(f"{name}: {by}{agree}; {reading.profile}")
        print(
            table([["region", "YI", "above the reference", "b* above", "ΔE00", "L*", "middle 90 %"], *_rows(reading)])
        )
        for region in reading.regions:
            print("".join(f"  {region.name}: {remark.text}\n" for remark in region.remarks), end="")
        for number, (where, spot) in enumerate(spots_of(reading), start=1):
            print(f"  {number}. {where}: {spot.text}")
        for remark in reading.remarks:
            print(f"  {remark.text}")
        print()
    trust = readings[0].trust
    print(f"{readings[0].condition}; a YI by itself is good for ±{trust.absolute:g} and indicative only.")
    print(
        f"The ± are the 95th percentile of a simulated camera, not a field trial. Derived by {readings[0].derivation}."
    )


def _said(each: Remaining) -> str:
    if each.fraction is None or each.plus_minus is None:
        change = f"; YI {_signed(each.change)} ±{each.change_plus_minus:g}" if each.change is not None else ""
        return f"{each.name}: no share can be given{change}"
    by = "repeats" if each.repeats is not None and each.repeats >= each.plus_minus else "way of taking photos"
    return f"{each.name}: {100 * each.fraction:.0f} % of the yellowing left, ±{100 * each.plus_minus:.0f} points ({by})"


def _rows(reading: PhotoReading) -> list[list[str]]:
    rows = []
    for each in reading.regions:
        if not each.read or each.lab is None:
            rows.append([each.name, "not read"])
            rows[-1] += [""] * 5
            continue
        above = f"{_signed(each.above)} ±{reading.trust.above(each.above):.0f}" if each.above is not None else ""
        yi = f"{each.yi:.1f}" if each.yi is not None else "not meant"
        if each.name == reading.reference:
            above = "the reference"
        apart = f"{each.difference:.1f}" if each.difference is not None else ""
        even = f"{each.field.spread:.1f}" if each.field else ""
        rows.append([each.name, yi, above, _signed(each.b_above), apart, f"{each.lab[0]:.1f}", even])
    return rows
