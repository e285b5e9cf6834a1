"""refettle yellow: what is printed and written, exit status, one clear line."""

from __future__ import annotations

import json
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from refettle.cli.main import main
from refettle.whitening.regions import written
from tests.support.camera import neutral
from tests.whitening.scenes import REGIONS, after, before, file_of, painted, taken


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the two photos and the regions."""
    monkeypatch.chdir(tmp_path)
    Path("before.jpg").write_bytes(file_of(before()))
    Path("after.jpg").write_bytes(file_of(after()))
    Path("lid.json").write_text(json.dumps(written(REGIONS, "flap")))
    return tmp_path


def out(capsys: pytest.CaptureFixture[str], *words: str, status: int = 0) -> str:
    assert main(["yellow", *words]) == status
    return capsys.readouterr().out


def test_two_photos(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = out(capsys, "before.jpg", "after.jpg", "--regions", "lid.json")
    first, *_ = text.splitlines()
    assert first.startswith("lid: ")
    assert first.endswith(" % of the yellowing left, ±17 points (way of taking photos)")
    assert "before.jpg: card A5; neutrals within" in text
    assert "the reference" in text
    assert "YI ASTM E313, D65/2°; a YI by itself is good for ±11 and indicative only." in text
    assert "not a field trial" in text
    assert "±8 points" in out(capsys, "before.jpg", "after.jpg", "--regions", "lid.json", "--taken", "rig")


def test_json_says_everything_and_with_which_version(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(out(capsys, "before.jpg", "after.jpg", "--regions", "lid.json", "--json"))
    photo, later = found["photos"][0], found["later"][0]
    assert (photo["photo"], photo["derivation"], photo["condition"]) == (
        "before.jpg",
        "yellow 1",
        "YI ASTM E313, D65/2°",
    )
    assert (photo["card"], photo["taken"], photo["reference"], photo["rough"]) == ("a5", "phone", "flap", False)
    lid = photo["regions"]["lid"]
    assert lid["above"] == pytest.approx(30, abs=4)
    assert set(lid["lab"]) == {"L", "a", "b"}
    assert lid["ciede2000"] > 8
    assert later["photos"] == ["after.jpg"]
    left = later["regions"]["lid"]
    assert 0.3 < left["remaining"] < 0.6
    assert (left["plus_minus"], left["repeats"], left["derivation"]) == (0.17, None, "yellow 1")


def test_marks_are_kept_and_photos_never_touched(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    held = Path("before.jpg").read_bytes()
    marks = ["--region", "lid=.33,.64,.45,.85", "--region", "flap=.62,.61,.68,.68", "--reference", "flap"]
    once = json.loads(out(capsys, "before.jpg", *marks, "--keep", "kept.json", "--json"))
    again = json.loads(out(capsys, "before.jpg", "--regions", "kept.json", "--json"))
    kept = json.loads(Path("kept.json").read_text())
    assert (kept["frame"], kept["reference"], list(kept["regions"])) == ("card", "flap", ["lid", "flap"])
    assert again["photos"][0]["regions"]["lid"]["yi"] == once["photos"][0]["regions"]["lid"]["yi"]
    assert Path("before.jpg").read_bytes() == held
    assert main(["yellow", "before.jpg", *marks, "--keep", "before.jpg"]) == 2
    assert "photos are never written over" in capsys.readouterr().err
    assert Path("before.jpg").read_bytes() == held


def test_pictures(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out(capsys, "before.jpg", "after.jpg", "--regions", "lid.json", "--map", "map.png", "--pair", "pair.png")
    with Image.open("map.png") as made:
        assert made.size == (1200, 1000)
    pair = Image.open(BytesIO(Path("pair.png").read_bytes()))
    half = (pair.width - 12) // 2
    assert pair.width == 2 * half + 12
    left, right = pair.crop((0, 0, half, pair.height)), pair.crop((half + 12, 0, pair.width, pair.height))
    # The reference, in the same place of both, comes out alike; the lid has become paler.
    flap = 0.80, 0.25
    one, other = (half_.getpixel((int(flap[0] * half), int(flap[1] * pair.height))) for half_ in (left, right))
    assert max(abs(a - b) for a, b in zip(one, other, strict=True)) <= 6
    lid = int(0.3 * half), int(0.6 * pair.height)
    assert right.getpixel(lid)[2] > left.getpixel(lid)[2] + 15


def test_repeats_go_together(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["before.jpg"] * 3 + ["after.jpg"] * 3
    found = json.loads(out(capsys, *words, "--regions", "lid.json", "--repeats", "3", "--json"))
    assert [len(found["photos"]), len(found["later"])] == [6, 1]
    assert found["later"][0]["regions"]["lid"]["repeats"] == 0.0


def test_without_a_card(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    marks = ["--region", "lid=.33,.64,.45,.85", "--region", "flap=.62,.61,.68,.68", "--reference", "flap"]
    assert "no card: rough" in out(capsys, "before.jpg", *marks, "--no-card")
    assert main(["yellow", "before.jpg", "after.jpg", *marks, "--no-card"]) == 2
    assert "nothing carries the marks" in capsys.readouterr().err
    assert "% of the yellowing left" in out(capsys, "before.jpg", "before.jpg", *marks, "--no-card", "--taken", "rig")


def test_a_region_that_cannot_be_read_is_status_1(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from dataclasses import replace

    from tests.whitening.scenes import PLAIN

    Path("bright.jpg").write_bytes(file_of(taken(painted(neutral(1.6)), replace(PLAIN, exposure=0.8))))
    text = out(capsys, "bright.jpg", "--regions", "lid.json", status=1)
    assert "not read" in text
    assert "clipped, too bright: expose it darker" in text


def test_a_place_on_the_card_as_reference(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(out(capsys, "before.jpg", "--region", "lid=.33,.64,.45,.85", "--reference", "card", "--json"))
    assert found["photos"][0]["reference"] == "reference"
    assert found["photos"][0]["regions"]["reference"]["frame"] == "card"


def truncated() -> bytes:
    return file_of(before())[:30_000]


def grey() -> bytes:
    made = BytesIO()
    Image.new("RGB", (800, 600), (180, 180, 180)).save(made, "JPEG")
    return made.getvalue()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["before.jpg"], "no region found; allowed: --region NAME=x,y,x,y or --regions FILE.json"),
        (["before.jpg", "--region", "lid=1,2"], "'lid=1,2' found; allowed: NAME=x,y,x,y"),
        (["nowhere.jpg", "--regions", "lid.json"], "nowhere.jpg: no such file or directory"),
        (["before.jpg", "cut.jpg", "--regions", "lid.json"], "cut.jpg: found a damaged JPEG file: image file is trunc"),
        (["before.jpg", "--regions", "cut.jpg"], "--regions cut.jpg: no JSON found; allowed: regions as --keep writes"),
        (["plain.jpg", "--regions", "lid.json"], "plain.jpg: found no measuring card; allowed: a photo with the whole"),
        (["mirror.jpg", "--regions", "lid.json"], "mirror.jpg: found a mirrored card"),
        (
            ["before.jpg", "--regions", "lid.json", "--reference", "foot"],
            "--reference 'foot' found; allowed: flap",
        ),
        (["before.jpg", "--regions", "lid.json", "--taken", "x"], "--taken 'x' found; allowed: phone, rig, locked"),
        (["before.jpg", "--regions", "lid.json", "--neutral", "paper"], "before.jpg: neutral 'paper' found; allowed"),
        (["before.jpg", "--regions", "lid.json", "--repeats", "2"], "--repeats 2 found for 1 photos; allowed"),
        (["before.jpg", "--regions", "lid.json", "--pair", "p.png"], "--pair: one photo found; allowed: two or more"),
        (["before.jpg", "--regions", "lid.json", "--map", "/nowhere/m.png"], "/nowhere/m.png: no such file"),
    ],
)
def test_bad_input_is_one_clear_line(
    there: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("cut.jpg").write_bytes(truncated())
    Path("plain.jpg").write_bytes(grey())
    Path("mirror.jpg").write_bytes(file_of(before()[:, ::-1]))
    assert main(["yellow", *words]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"refettle: {said}")
    assert error.count("\n") == 1
