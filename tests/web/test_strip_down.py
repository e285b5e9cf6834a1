"""The strip-down pages: off, on the tray, back in reverse, and nothing left over in silence."""

from __future__ import annotations

from io import BytesIO
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from refettle.book import store
from refettle.book.models import Job
from tests.web.pages import CONSOLE, HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db
LID: dict[str, Any] = {
    "kind": "off",
    "item": "screw of the lid",
    "what": "screw",
    "count": 4,
    "length_mm": 12.0,
    "tray": "1",
}
FORM = {"action": "off", "what": "screw", "item": "screw of the lid", "count": "4", "length_mm": "12"}


def address(job: Job, do: str = "") -> str:
    return f"/jobs/{job.number}/strip-down/" + (f"?do={do}" if do else "")


def a_photo() -> SimpleUploadedFile:
    file = BytesIO()
    Image.new("RGB", (64, 48), "grey").save(file, "JPEG")
    return SimpleUploadedFile("a.jpg", file.getvalue(), "image/jpeg")


def test_empty_it_teaches(client: Client) -> None:
    page = text_of(get(client, address(a_job())))
    assert "Nothing is off yet" in page
    assert "a pointed one cams out. Common practice, no source" in page


def test_what_comes_off_is_written_with_its_photo(client: Client) -> None:
    job = a_job()
    more = {"drive": "cross-head", "place": "underside", "note": "tight", "photo": a_photo()}
    assert client.post(address(job), FORM | more).status_code == 302
    (entry,) = logged(job)
    sha = entry.pop("photo")
    assert entry == LID | {"drive": "cross-head", "place": "underside", "note": "tight"}
    html = get(client, address(job, "refit"))
    assert f"/photos/{sha}/thumb" in html
    assert "Still off: 4 pieces in 1 line" in text_of(html)


def test_the_tray_is_drawn_and_told(client: Client) -> None:
    short = {"kind": "off", "item": "screw <of> the board", "what": "screw", "count": 2, "length_mm": 6.0, "tray": "2"}
    html = get(client, address(a_job(entries=[LID, short])))
    assert "Place 1: 4 × screw of the lid, 12\u202fmm, still off. Place 2: 2 × screw &lt;of&gt; the board" in html
    assert html.index("6\u202fmm: screw") < html.index("12\u202fmm: screw of the lid, place 1")
    assert "life-size when printed" in html


def test_back_in_reverse_with_its_count(client: Client) -> None:
    job = a_job(entries=[LID, {"kind": "off", "item": "shield", "what": "shield", "tray": "2"}])
    html = get(client, address(job, "refit"))
    assert html.index("1 ×</span> shield") < html.index("4 ×</span> screw of the lid")
    client.post(address(job), {"action": "back", "item": "screw of the lid", "count": "3"})
    assert "Still off: 2 pieces in 2 lines" in text_of(get(client, address(job)))
    response = client.post(address(job), {"action": "back", "item": "screw of the lid", "count": "2"})
    assert response.status_code == 422
    page = response.content.decode()
    assert "count: 2 found for 'screw of the lid'; allowed: at most 1 still off" in text_of(page)
    for item in ("screw of the lid", "shield"):
        client.post(address(job), {"action": "back", "item": item, "count": "1"})
    assert "All back, nothing left over" in text_of(get(client, address(job)))


def test_taken_back_it_is_off_again(client: Client) -> None:
    job = a_job(entries=[LID, {"kind": "back", "item": "screw of the lid", "count": 4}, {"kind": "note", "text": "a"}])
    client.post(address(job), {"action": "void", "n": "2"})
    assert "Still off: 4 pieces" in text_of(get(client, address(job)))
    assert client.post(address(job), {"action": "void", "n": "3"}).status_code == 422
    page = get(client, f"/jobs/{job.number}/log/1/?back=strip-down")
    assert "Length, in mm" in page
    fields = {"f-item": "screw of the lid", "f-what": "screw", "f-count": "5", "f-length_mm": "12", "f-tray": "1"}
    response = client.post(f"/jobs/{job.number}/log/1/", fields | {"action": "replace", "back": "strip-down"})
    assert response["Location"] == address(job)
    assert "Still off: 5 pieces" in text_of(get(client, address(job)))


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"item": " "}, "item: nothing found"),
        ({"count": "0"}, "off count: 0 found"),
        ({"count": "many"}, "Count: 'many' found"),
        ({"length_mm": "long"}, "Length: 'long' found; allowed: a number from 0.1 to 500"),
        ({"what": "rivet"}, "'rivet' found; allowed:"),
        ({"item": "screw of the lid", "length_mm": "16"}, "length: 'screw of the lid' found with length 16 mm"),
        ({"item": "screw of the lid", "tray": "9"}, "tray place: 'screw of the lid' found with tray place '9'"),
        ({"item": "screw of the lid", "what": "clip"}, "it is a screw already"),
        ({"action": "sing"}, "action: 'sing' found"),
    ],
)
def test_it_refuses_and_keeps_what_was_typed(client: Client, change: dict[str, str], says: str) -> None:
    job = a_job(entries=[LID])
    typed = FORM | {"item": "another", "place": "under the label", "photo": a_photo()} | change
    response = client.post(address(job), typed)
    page = response.content.decode()
    assert response.status_code == 422
    assert says in text_of(page)
    assert 'value="under the label"' in page
    assert len(logged(job)) == 1
    if change.get("action") is None:
        kept = page.split('name="photo_kept" value="')[1].split('"')[0]
        client.post(address(job), FORM | {"item": "one more", "photo_kept": kept})
        assert logged(job)[-1]["photo"] == kept


def test_more_of_the_same_lies_in_the_same_place(client: Client) -> None:
    job = a_job(entries=[LID])
    client.post(address(job), FORM | {"count": "2"})
    assert logged(job)[-1] == {k: v for k, v in LID.items() if k != "tray"} | {"count": 2}
    assert "6 × screw of the lid" in get(client, address(job))


def test_what_is_off_is_said_on_every_page_and_on_the_bench(client: Client) -> None:
    job = a_job(entries=[LID])
    for page in ("", "faults/", "power-on/", "log/1/"):
        assert "Still off: 4 × screw of the lid" in text_of(get(client, f"/jobs/{job.number}/{page}"))
    assert "4 pieces still off" in text_of(get(client, "/"))
    store.append(job, {"kind": "back", "item": "screw of the lid", "count": 4}, "Ada")
    assert "Still off" not in get(client, f"/jobs/{job.number}/")


def test_left_over_is_refused_until_a_reason_is_given(client: Client) -> None:
    job = a_job(entries=[LID])
    form = {"action": "stage", "stage": "proving"}
    response = client.post(f"/jobs/{job.number}/", form)
    page = response.content.decode()
    assert response.status_code == 422
    assert "'proving' found while something is left over (screw of the lid: 4 of 4 still off)" in text_of(page)
    assert '<option value="proving" selected>proving</option>' in page
    assert 'name="why"' in page
    client.post(f"/jobs/{job.number}/", form | {"why": "lid stays off for the soak"})
    assert logged(job)[-1] == {"kind": "stage", "stage": "proving", "why": "lid stays off for the soak"}
    assert "lid stays off for the soak" in get(client, f"/jobs/{job.number}/")


def test_left_off_with_its_reason(client: Client) -> None:
    job = a_job(entries=[LID])
    response = client.post(address(job), {"action": "left-off", "item": "screw of the lid", "why": "x"})
    assert response.status_code == 422
    client.post(address(job), {"action": "left-off", "item": "screw of the lid", "why": "thread gone, owner told"})
    page = text_of(get(client, address(job, "refit")))
    assert "All back but what was left off" in page
    assert "4 left off: thread gone, owner told" in page
    assert client.post(f"/jobs/{job.number}/", {"action": "stage", "stage": "proving"}).status_code == 302


def test_a_mains_unit_is_not_opened_before_its_cautions_are_read(client: Client) -> None:
    job = a_job(HOME_COMPUTER)
    page = get(client, address(job))
    assert 'id="item"' not in page
    assert "Mains voltage kills" in page
    for caution in ("mains", "charged-capacitor"):
        client.post(address(job), {"action": "caution", "caution": caution})
    page = get(client, address(job))
    assert 'id="item"' in page
    assert "Mains voltage kills" in page
    assert get(client, address(a_job(CONSOLE))).count('class="caution"') == 0
