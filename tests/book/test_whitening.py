"""Whitening from a log: hours in the tub, what is due, what may not be written; the photo stays as it was taken."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from hypothesis import given, settings
from hypothesis import strategies as st

from refettle.book import store
from refettle.book.log import LogError, effective
from refettle.book.models import Job
from refettle.book.photos import original_path, store_photo
from refettle.book.whitening import Whitening, whitening
from refettle.whitening.reading import read_photo
from tests.book.logs import START, entry
from tests.support.camera import as_display_p3, jpeg
from tests.support.icc import parametric, profile
from tests.whitening.scenes import REGIONS, before

GATES = ["hidden-spot", "metal-off", "labels-off", "washed", "eyes-hands", "ventilation", "vented"]
INTO: dict[str, Any] = {"batch": "tub", "parts": ["lid"], "percent": 6.0, "litres": 8.0, "without": "to learn"}


def state(*entries: dict[str, Any]) -> Whitening:
    return whitening(effective(entries))


def hours_after(hours: float) -> Any:
    from datetime import timedelta

    return START + timedelta(hours=hours)


def test_hours_run_from_in_to_out() -> None:
    found = state(
        entry(1, "bath-in", 0, **INTO | {"parts": ["lid", "base"], "mw_cm2": 5.0}),
        entry(2, "bath-out", 1.5, batch="tub", parts=["lid"]),
        entry(3, "bath-in", 2, **INTO | {"mw_cm2": 5.0}),
        entry(4, "bath-out", 4, batch="tub", why="done"),
    )
    batch = found.batches["tub"]
    assert batch.hours("lid", hours_after(9)) == pytest.approx(3.5)
    assert batch.hours("base", hours_after(9)) == pytest.approx(4)
    assert batch.dose("lid", hours_after(1)) == pytest.approx(18)
    assert batch.over
    (lid, base) = found.due()
    assert (lid.what, (lid.at - START).total_seconds() / 86_400) == ("dark", pytest.approx(14 + 4 / 24))
    assert base.parts == ("base",)


@given(times=st.lists(st.floats(0.1, 20), min_size=1, max_size=8), ask=st.floats(0, 200))
@settings(max_examples=60, deadline=None, derandomize=True)
def test_hours_add_up_and_never_fall(times: list[float], ask: float) -> None:
    log, at, inside = [], 0.0, 0.0
    for n, each in enumerate(times):
        kind = "bath-out" if n % 2 else "bath-in"
        log.append(entry(n + 1, kind, at, **({"batch": "tub"} if n % 2 else INTO)))
        inside += each if n % 2 == 0 else 0.0
        at += each
    batch = state(*log).batches["tub"]
    assert batch.hours("lid", hours_after(at)) == pytest.approx(inside, abs=1e-3)
    assert batch.hours("lid", hours_after(ask)) <= batch.hours("lid", hours_after(ask + 1)) + 1e-9


def test_the_first_look_is_due_within_the_hour_however_rarely_it_is_looked() -> None:
    into = entry(1, "bath-in", 0, **INTO | {"check_every": 240.0, "turn_every": 90.0})
    due = {d.what: (d.at - START).total_seconds() / 60 for d in state(into).due()}
    assert due == {"look": 60, "turn": 90}
    later = state(into, entry(2, "turned", 1, batch="tub"), entry(3, "bath-out", 1.0, batch="tub"),
                  entry(4, "bath-in", 1.2, **INTO | {"check_every": 240.0, "turn_every": 90.0}))  # fmt: skip
    assert {d.what: round((d.at - START).total_seconds() / 60) for d in later.due()} == {"look": 300, "turn": 162}


def write(job: Job, *contents: dict[str, Any]) -> None:
    for content in contents:
        store.append(job, content, "Ada")


def read_cautions(job: Job) -> None:
    for caution in ("peroxide", "uv"):
        write(job, {"kind": "caution", "caution": caution})


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"kind": "bath-in", **INTO, "percent": 15.0}, "up to 12 % w/w for the public"),
        ({"kind": "bath-in", **INTO, "percent": 40.0, "professional": True}, "up to 35 % w/w"),
        (
            {"kind": "bath-in", **INTO, "parts": ["base"], "without": None, "go_ahead": 1},
            "gates: hidden-spot not found",
        ),
        (
            {"kind": "bath-in", **INTO, "parts": ["base"], "without": None, "go_ahead": 1, "gates": GATES},
            "go_ahead: 1 found",
        ),
        ({"kind": "bath-in", **INTO, "without": None}, "exactly one of go_ahead, without"),
        ({"kind": "bath-in", **INTO, "litres": None}, "litres, how much the bath holds"),
        ({"kind": "bath-in", **INTO, "method": "light only"}, "light only is without peroxide"),
        ({"kind": "bath-in", **INTO, "parts": ["lid", "lid"]}, "each part once"),
        (
            {"kind": "bath-in", **INTO, "parts": ["base"], "percent": 7.0},
            "percent 7 found; allowed: 6",
        ),
        ({"kind": "bath-in", **INTO}, "'lid' found, which is in 'tub'"),
        ({"kind": "turned", "batch": "other"}, "'other' found; allowed: tub"),
        ({"kind": "bath-out", "batch": "tub", "parts": ["base"]}, "'base' found; allowed: lid"),
    ],
)
def test_what_may_not_be_written(job: Job, content: dict[str, Any], says: str) -> None:
    read_cautions(job)
    write(job, {"kind": "bath-in", **INTO})
    before = len(store.entries(job))
    with pytest.raises(LogError) as raised:
        write(job, {k: v for k, v in content.items() if v is not None})
    assert says in str(raised.value)
    assert len(store.entries(job)) == before


def test_no_part_goes_in_before_the_cautions_are_read(job: Job) -> None:
    with pytest.raises(LogError, match="needed first: the caution read: Peroxide, Ultraviolet light"):
        write(job, {"kind": "bath-in", **INTO})
    read_cautions(job)
    write(job, {"kind": "bath-in", **INTO})


@pytest.mark.parametrize("stage", ["proving", "handed over"])
def test_a_unit_is_not_proven_or_handed_over_with_parts_in_the_tub(job: Job, stage: str) -> None:
    read_cautions(job)
    write(job, {"kind": "bath-in", **INTO})
    with pytest.raises(LogError, match=f"stage: '{stage}' found while parts are whitened \\(lid in tub\\)"):
        write(job, {"kind": "stage", "stage": stage})
    write(job, {"kind": "bath-out", "batch": "tub", "parts": ["lid"], "why": "done"})
    if stage == "proving":
        write(job, {"kind": "stage", "stage": stage})
        assert store.job_state(job).stage == "proving"


def test_what_was_done_without_a_go_ahead_stays_visible(job: Job) -> None:
    read_cautions(job)
    write(job, {"kind": "bath-in", **INTO})
    (step,) = store.job_state(job).one_way
    assert (step.step, step.taken, step.without) == ("whiten", len(store.entries(job)), "to learn")


def test_a_photo_in_other_colours_is_read_the_same_after_it_was_kept(db: None, tmp_path: Path) -> None:
    p3 = profile("Display P3", parametric(3, 2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045))
    data = jpeg(as_display_p3(before()), quality=98, icc_profile=p3)
    photo = store_photo(SimpleUploadedFile("a.jpg", data, "image/jpeg"), tmp_path)
    kept = original_path(tmp_path, photo.sha256, photo.format).read_bytes()
    came, stays = (read_photo(each, REGIONS, reference="flap") for each in (data, kept))
    assert stays.profile == came.profile != "sRGB, assumed"
    assert [r.lab for r in stays.regions] == [r.lab for r in came.regions]
    plain = read_photo(jpeg(before(), quality=98), REGIONS, reference="flap")
    assert stays["lid"].above == pytest.approx(plain["lid"].above, abs=1.5)
