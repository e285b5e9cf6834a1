"""Whitening on a job's pages: photo, marks, gates, tub, what is due, what is foretold; the tools beside it."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client
from django.utils import timezone

from refettle.book import store
from refettle.book.models import Job
from tests.web.pages import CONSOLE, HOME_COMPUTER, a_job, get, logged, text_of
from tests.web.whitening import BATCH, GATES, go_ahead, marks, upload

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def photos(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "photos"
    monkeypatch.setattr(settings, "REFETTLE_PHOTOS", folder)
    return folder


def address(job: Job) -> str:
    return f"/jobs/{job.number}/whitening/"


def send(client: Client, job: Job, **more: Any) -> str:
    """Send a photo; the address it leads to."""
    form = {"action": "photo", "taken": "rig", "neutral": "ptfe", "card": "yes", "photo": upload()} | more
    response = client.post(address(job), form)
    assert response.status_code == 302, text_of(response.content.decode())
    there: str = response["Location"]
    return there


def keep_first(client: Client, job: Job) -> None:
    there = send(client, job).partition("?")[0]
    assert client.post(there, marks() | {"taken": "rig", "note": "as it came"}).status_code == 302


def put_in(client: Client, job: Job, **more: Any) -> int:
    return client.post(address(job), BATCH | {"go_ahead": str(go_ahead(job))} | more).status_code


def shifted(job: Job, content: dict[str, Any], hours: float) -> None:
    store.append(job, content, "Ada", timezone.now().replace(microsecond=0) - timedelta(hours=hours))


def test_empty_it_teaches(client: Client) -> None:
    page = text_of(get(client, address(a_job())))
    assert "Nothing has been read or whitened in this job" in page
    assert "First: read “Peroxide" in page


def test_a_photo_is_marked_read_and_kept(client: Client) -> None:
    job = a_job()
    there = send(client, job)
    html = get(client, there)
    assert "Mark the parts on the photo" in text_of(html)
    assert "data-mark-frame" in html
    path = there.partition("?")[0]
    query = "&".join(f"{k}={v}" for k, v in (marks() | {"taken": "rig"}).items())
    shown = text_of(get(client, f"{path}?{query}"))
    assert "above unexposed" in shown
    assert "The first photo of this part" in shown
    found = re.search(r'src="([^"]+map\.png[^"]+)"', get(client, f"{path}?{query}"))
    assert found is not None
    answer = client.get(found[1].replace("&amp;", "&"))
    assert answer.content.startswith(b"\x89PNG")
    keep_first(client, job)
    (entry,) = logged(job)
    assert entry["frame"] == "card"
    assert entry["reference"] == "flap"
    assert entry["figures"]["lid"]["above"] == pytest.approx(30, abs=4)
    assert entry["version"].startswith("yellow 1, refettle ")
    assert "remaining" not in entry["figures"]["lid"]


def test_later_photos_carry_the_marks_and_say_what_is_left(client: Client) -> None:
    job = a_job()
    keep_first(client, job)
    there = send(client, job, photo=upload(18.0, 2, 6.0))
    assert there.endswith("carry=1")
    page = text_of(get(client, there))
    assert "Marks carried from entry 1" in page
    assert re.search(r"4\d\s% of the yellowing left ± 8 points", page), page[:1500]
    form = {"taken": "rig", "carry": "1"}
    assert client.post(there.partition("?")[0], form).status_code == 302
    entry = logged(job)[-1]
    assert entry["first"] == 1
    assert entry["figures"]["lid"]["remaining"] == pytest.approx(0.43, abs=0.06)
    kept = get(client, f"{address(job)}2/")
    assert "Before and after, under the same correction" in kept
    for which in ("before", "after", "map"):
        assert client.get(f"{address(job)}2/{which}.png").content.startswith(b"\x89PNG")
    assert client.get(f"{address(job)}1/before.png").status_code == 404


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"points_2": ".1,.2 x,.3"}, "'x' found; allowed: corners as x,y"),
        ({"points_2": ".1,.2,.3"}, "3 numbers found; allowed: pairs"),
        ({"points_2": ".1,.1 .2,.2 .3,.3"}, "points on one line found"),
        ({"name_2": ""}, "no name found"),
        ({"name_2": "flap"}, "two regions called 'flap'"),
        ({"taken": "drone"}, "'drone' found; allowed: phone, rig, locked"),
        ({"neutral": "paper"}, "'paper' found; allowed: ptfe, grey"),
        ({"points_1": "0,0 .005,.005"}, "flap: too few pixels"),
    ],
)
def test_marks_that_cannot_be(client: Client, change: dict[str, str], says: str) -> None:
    job = a_job()
    path = send(client, job).partition("?")[0]
    form = {k: v for k, v in (marks() | {"taken": "rig"} | change).items() if v}
    response = client.get(path, form)
    page = text_of(response.content.decode())
    assert says in page or says.partition(": ")[2] in page
    if response.status_code == 422:
        assert client.post(path, form).status_code == 422
        assert logged(job) == []


def test_nothing_goes_in_without_the_go_ahead_and_every_gate(client: Client) -> None:
    job = a_job()
    response = client.post(address(job), BATCH)
    assert response.status_code == 422
    assert "a go-ahead for whitening, or why it is done without" in text_of(response.content.decode())
    number = str(go_ahead(job))
    response = client.post(address(job), BATCH | {"go_ahead": number, "gate": GATES[1:]})
    page = response.content.decode()
    assert "needed first: A hidden spot has been tried" in text_of(page)
    assert 'value="Saturday tub"' in page
    assert 'value="metal-off" checked' in page
    response = client.post(address(job), BATCH | {"go_ahead": number, "percent": "15"})
    assert "up to 12 % w/w for the public" in text_of(response.content.decode())
    response = client.post(address(job), BATCH | {"go_ahead": "1"})
    assert "the number of a go-ahead for 'whiten'" in text_of(response.content.decode())
    assert client.post(address(job), BATCH | {"go_ahead": number}).status_code == 302
    assert logged(job)[-1]["kind"] == "bath-in"
    response = client.post(address(job), BATCH | {"go_ahead": number})
    assert "which is in 'Saturday tub'; allowed: take it out first" in text_of(response.content.decode())
    assert "Whiten plastic" in text_of(get(client, f"/jobs/{job.number}/one-way/"))


def test_the_tub_is_turned_looked_at_and_emptied(client: Client) -> None:
    job = a_job()
    assert put_in(client, job) == 302
    html = get(client, address(job))
    for words in ("Turned and stirred", "Out to look, rinsed", "Turn and stir: in 1", "Peroxide"):
        assert words in text_of(html)
    for action in ("turned", "look", "back"):
        assert client.post(address(job), {"action": action, "batch": "Saturday tub"}).status_code == 302
    assert [e["kind"] for e in logged(job)[-3:]] == ["turned", "bath-out", "bath-in"]
    assert logged(job)[-1]["gates"] == GATES
    client.post(address(job), {"action": "done", "batch": "Saturday tub"})
    page = text_of(get(client, address(job)))
    assert "The photo that counts" in page
    assert "Turned and stirred" not in page
    assert client.post(address(job), {"action": "turned", "batch": "Saturday tub"}).status_code == 422
    assert client.post(address(job), {"action": "sing"}).status_code == 422


def test_several_units_in_one_bath(client: Client) -> None:
    first, second = a_job(), a_job(HOME_COMPUTER)
    put_in(client, first)
    number = str(go_ahead(second))
    html = get(client, f"{address(second)}?join=Saturday%20tub")
    assert 'value="Saturday tub"' in html
    response = client.post(address(second), BATCH | {"go_ahead": number, "percent": "9"})
    assert "is in job 1 as well: percent 9 found; allowed: 6" in text_of(response.content.decode())
    assert client.post(address(second), BATCH | {"go_ahead": number, "parts": "base, lid"}).status_code == 302
    client.post(address(first), {"action": "turned", "batch": "Saturday tub"})
    assert logged(first)[-1]["kind"] == logged(second)[-1]["kind"] == "turned"
    assert f"also in it: job {second.number}" in text_of(get(client, address(first)))


def test_what_is_due_stands_on_the_bench_overdue_first(client: Client) -> None:
    job = a_job()
    number = go_ahead(job)
    into = {"kind": "bath-in", "batch": "tub", "parts": ["lid"], "percent": 6.0, "litres": 8.0, "gates": GATES}
    shifted(job, into | {"go_ahead": number, "check_every": 300.0}, 2.0)
    page = text_of(get(client, "/"))
    assert "At the tub" in page
    assert re.search(r"overdue by 1\sh tub: lid job 1", page)
    store.append(job, {"kind": "bath-out", "batch": "tub", "why": "done"}, "Ada")
    assert "At the tub" not in get(client, "/")


def read(above: float, first: int | None = None) -> dict[str, Any]:
    figures = {"above": above, "lightness": 80.0, "spread": 4.0}
    entry = {"kind": "yellow", "photo": "a" * 64, "frame": "card", "reference": "flap", "taken": "locked",
             "regions": {"lid": [[0, 160], [100, 160], [100, 280]], "flap": [[130, 160], [190, 160], [190, 200]]},
             "figures": {"lid": figures, "flap": {"yi": 6.0}}, "version": "yellow 1"}  # fmt: skip
    return entry | ({"first": first} if first else {})


def test_the_curve_the_forecast_and_the_dark(client: Client) -> None:
    job = a_job()
    number = go_ahead(job)
    shifted(job, read(30.0), 500.5)
    into = {"kind": "bath-in", "batch": "tub", "parts": ["lid"], "percent": 6.0, "litres": 8.0, "gates": GATES}
    shifted(job, into | {"go_ahead": number}, 500.0)
    for hours, above in ((1, 26.0), (2, 22.6)):
        shifted(job, read(above, 4), 500.0 - hours)
    page = text_of(get(client, address(job)))
    assert "no upper bound yet" in page
    assert "Chance that it never gets there" in page
    for hours, above in ((4, 17.1), (6, 13.0), (9, 8.7), (12, 6.1), (16, 4.2)):
        shifted(job, read(above, 4), 500.0 - hours)
    html = get(client, address(job))
    assert 'data-trace="fall fitted"' in html
    assert "target, 15" in html
    assert "the target is reached" in text_of(html).lower()
    shifted(job, {"kind": "bath-out", "batch": "tub", "why": "done"}, 483.9)
    shifted(job, read(8.0, 4), 100.0)
    page = text_of(get(client, address(job)))
    assert "After the dark: +3.8 YI in 16 days of dark: it yellows again" in page
    other = a_job()
    shifted(other, read(30.0), 3.5)
    shifted(other, into | {"go_ahead": go_ahead(other), "batch": "second tub"}, 3.0)
    for hours, above in ((1, 26.0), (2, 22.6)):
        shifted(other, read(above, 1), 3.0 - hours)
    from refettle.book.batches import earlier_batches

    assert [round(each.rate, 2) for each in earlier_batches()] == [pytest.approx(0.14, abs=0.03)]
    assert "No earlier batch" not in text_of(get(client, address(other)))


def test_taken_back_it_was_never_in(client: Client) -> None:
    job = a_job()
    put_in(client, job)
    n = len(store.entries(job))
    client.post(address(job), {"action": "void", "n": str(n)})
    assert "Turned and stirred" not in get(client, address(job))
    correct = get(client, f"/jobs/{job.number}/log/{n}/")
    assert "Strength, % w/w" in correct


# ---------------------------------------------------------------- tools


def test_the_bath_stands_behind_its_gates(client: Client) -> None:
    asked = {"stock": "12 %", "target": "6", "volume": "10 L", "parts": "2 L"}
    response = client.get("/tools/bath/", asked)
    assert response.status_code == 422
    assert "needed first" in text_of(response.content.decode())
    assert "In this order" not in response.content.decode()
    page = text_of(client.get("/tools/bath/", asked | {"gate": GATES}).content.decode())
    assert "Water first: 4.078 kg" in page
    assert "Never seal it" in page
    assert "Peroxide" in page
    page = text_of(client.get("/tools/bath/", asked | {"gate": GATES, "target": "20"}).content.decode())
    assert "for the public" in page


def test_sun_and_lamp(client: Client) -> None:
    asked = {"place": "48.9,2.35", "date": "2031-06-21", "zone": "Europe/Paris", "dose": "100"}
    page = text_of(client.get("/tools/sun/", asked).content.decode())
    assert "at the earliest from" in page
    assert "An upper bound" in page
    assert "1950 to 2099" in text_of(client.get("/tools/sun/", asked | {"date": "soon"}).content.decode())
    page = text_of(client.get("/tools/lamp/", {"nm": "395", "hours": "6", "readings": "4.1 3.8"}).content.decode())
    assert "mean 85.3" in page
    page = text_of(client.get("/tools/lamp/", {"nm": "254", "hours": "1"}).content.decode())
    assert "254 nm: refused" in page.replace("\u202f", " ")
    assert "no meter reading found" in text_of(
        client.get("/tools/lamp/", {"nm": "395", "hours": "1", "dose": "10"}).content.decode()
    )


def test_the_card_is_printed_and_a_photo_read_outside_a_job(client: Client) -> None:
    assert "office paper" in text_of(get(client, "/tools/card/")).lower() or "neutral" in get(client, "/tools/card/")
    assert client.get("/tools/card/a6.svg").content.startswith(b"<")
    assert client.get("/tools/card/a9.pdf").status_code == 404
    there = client.post("/tools/yellow/", {"photo": upload(), "taken": "rig"})["Location"]
    path = there.partition("?")[0]
    assert client.get(f"{path}photo.jpg").content.startswith(b"\xff\xd8")
    page = text_of(client.get(path, marks() | {"taken": "rig"}).content.decode())
    assert "above unexposed" in page
    assert "Keep this reading" not in page
    assert client.get(f"{path}map.png", marks()).content.startswith(b"\x89PNG")
    assert client.get("/tools/yellow/gone-gone-gone/").status_code == 404


def test_a_file_that_is_no_photo(client: Client) -> None:
    from django.core.files.uploadedfile import SimpleUploadedFile

    job = a_job(CONSOLE)
    bad = SimpleUploadedFile("a.jpg", b"no photo", "image/jpeg")
    response = client.post(address(job), {"action": "photo", "photo": bad})
    assert response.status_code == 422
    assert "a text file that begins" in text_of(response.content.decode())
    bad.seek(0)
    assert "that is no photo" in text_of(client.post("/tools/yellow/", {"photo": bad}).content.decode())
