"""The board page: files, capacitors noted by hand, the table, readings that count as checks."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from refettle.book import store
from refettle.book.models import Job
from tests.web.boards import careful, layout, netlist, parts_list, with_board
from tests.web.pages import CONSOLE, HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def files(own_folders: Path) -> Path:
    return own_folders / "files"


def test_empty_it_says_what_it_will_hold(client: Client) -> None:
    page = text_of(get(client, f"/jobs/{a_job().number}/board/"))
    assert "No capacitor is known yet" in page


def test_a_layout_with_its_netlist(client: Client, files: Path) -> None:
    job = a_job()
    form = {
        "action": "file",
        "file": SimpleUploadedFile("a/b/sound.board", layout(2024)),
        "netlist": SimpleUploadedFile("sound.net", netlist()),
    }
    assert client.post(f"/jobs/{job.number}/board/", form).status_code == 302
    (entry,) = logged(job)
    assert entry["name"] == "sound.board"
    assert len(entry["file"]) == len(entry["netlist"]) == 64
    html = get(client, f"/jobs/{job.number}/board/")
    page = text_of(html)
    assert "470 µF 16 V" in page.replace("\u2009", " ")
    assert "the signs disagree: measure" in page  # C7, whose print is the wrong way round
    assert 'class="board-map"' in html


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("file", b"", "empty"),
        ("file", b"(kicad_pcb (version", "line 1"),
        ("file", b"a,b\n1,2\n", "no column ref"),
        ("file", b"\x89PNG\r\n\x1a\n\0\0", "no text of a board found"),
        ("netlist", b"(something)", "netlist,"),
    ],
)
def test_what_is_no_board_is_refused(client: Client, name: str, data: bytes, says: str) -> None:
    job = a_job()
    form: dict[str, Any] = {"action": "file", "file": SimpleUploadedFile("a.csv", parts_list(2))}
    form[name] = SimpleUploadedFile("b.csv", data)
    response = client.post(f"/jobs/{job.number}/board/", form)
    assert response.status_code == 422
    assert says in text_of(response.content.decode())
    assert logged(job) == []


def test_a_file_gone_from_its_folder_is_said(client: Client, files: Path) -> None:
    job = a_job()
    with_board(job, files)
    for each in files.rglob("*"):
        if each.is_file():
            each.unlink()
    page = text_of(get(client, f"/jobs/{job.number}/board/"))
    assert "The board file cannot be used" in page
    get(client, f"/jobs/{job.number}/replace/")


def test_those_on_the_way_come_first(client: Client, files: Path) -> None:
    job = a_job()
    with_board(job, files, layout(2024), netlist())
    html = get(client, f"/jobs/{job.number}/board/?toward=J2")
    assert text_of(html.split("<tbody>")[1].split("</tr>")[0]).split()[0] == "C3"
    assert "in series" in html
    page = text_of(get(client, f"/jobs/{job.number}/board/?toward=MOON"))
    assert "Output: no net, part or connector is called 'MOON'; allowed:" in page


def _photo(client: Client, job: Job) -> str:
    file = BytesIO()
    Image.new("RGB", (400, 300), "grey").save(file, "JPEG")
    photo = SimpleUploadedFile("a.jpg", file.getvalue(), "image/jpeg")
    client.post(f"/jobs/{job.number}/", {"action": "photo", "photo": photo})
    return str(logged(job)[-1]["photo"])


def test_noted_on_a_photo(client: Client) -> None:
    job = a_job()
    sha = _photo(client, job)
    assert "data-tap" in get(client, f"/jobs/{job.number}/board/?photo={sha}")
    form = {"action": "note", "ref": "C9", "value": "100u 25V 85C", "minus": "left", "side": "front", "photo": sha}
    response = client.post(f"/jobs/{job.number}/board/", form | {"left": "25", "top": ""})
    assert response.status_code == 422
    assert 'value="100u 25V 85C"' in response.content.decode()
    client.post(f"/jobs/{job.number}/board/", form | {"left": "25", "top": "50,5"})
    assert logged(job)[-1] == {
        "kind": "capacitor", "ref": "C9", "value": "100u 25V 85C", "minus": "left", "photo": sha, "x": 0.25, "y": 0.505,
    }  # fmt: skip
    page = get(client, f"/jobs/{job.number}/board/?ref=C9")
    assert 'cx="100"' in page
    assert "Minus as noted" in page
    response = client.post(f"/jobs/{job.number}/board/", form | {"photo": "0" * 64, "left": "1", "top": "1"})
    assert "a photo of this job" in text_of(response.content.decode())


def test_what_comes_before_power_stands_first(client: Client) -> None:
    paper = {"kind": "capacitor", "ref": "C9", "value": "100n 630V paper X2", "minus": "not polarised"}
    wet = {"kind": "capacitor", "ref": "C1", "value": "32u 350V aluminium", "minus": "left"}
    job = a_job("wexcombe-table", entries=[wet, paper])
    html = get(client, f"/jobs/{job.number}/board/")
    assert "Before it gets power" in html
    assert text_of(html.split("<tbody>")[1].split("</tr>")[0]).split()[0] == "C9"
    assert "made in 1951 at the earliest" in html
    assert "Noted by hand: left" in text_of(get(client, f"/jobs/{_careful(job).number}/replace/?ref=C1"))


def _careful(job: Job) -> Job:
    careful(job)
    for caution in job_cautions(job):
        store.append(job, {"kind": "caution", "caution": caution}, "Ada")
    return job


def job_cautions(job: Job) -> list[str]:
    """What else this type's unit has to be read."""
    return list(store.job_state(job).compiled.loaded.unit_type.cautions)


READ = {"ref": "C3", "part": "470u 25V aluminium", "esr": "9", "esr_at": "100k", "celsius": "20", "in_circuit": "yes"}


def test_a_reading_counts_as_a_check_of_the_block_that_names_the_part(client: Client, files: Path) -> None:
    job = a_job(CONSOLE)
    with_board(job, files)
    page = text_of(get(client, f"/jobs/{job.number}/board/?ref=C3"))
    assert "C3 is the part of “Reservoir capacitor”" in page
    judged = client.post(f"/jobs/{job.number}/board/", READ | {"action": "judge"})
    assert "Not written yet" in text_of(judged.content.decode())
    assert len(logged(job)) == 1
    response = client.post(f"/jobs/{job.number}/board/", READ | {"action": "reading"}, follow=True)
    assert "It counts as “Series resistance in circuit” of Reservoir capacitor." in text_of(response.content.decode())
    entry = logged(job)[-1]
    assert (entry["kind"], entry["check"]) == ("check", "reservoir.esr")
    assert entry["likelihood"]["high"] > 10 * entry["likelihood"]["good"]
    assert entry["value"].startswith("C3, 470u 25V aluminium: ESR")
    get(client, f"/jobs/{job.number}/faults/")


def test_a_reading_of_any_other_part_is_a_note(client: Client, files: Path) -> None:
    job = a_job(CONSOLE)
    with_board(job, files)
    client.post(f"/jobs/{job.number}/board/", READ | {"action": "reading", "ref": "C4"})
    assert logged(job)[-1]["kind"] == "note"
    assert logged(job)[-1]["text"].endswith("By its readings: bad.")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"esr": "much"}, "ESR: 'much' found"),
        ({"esr": ""}, "Reading: nothing found"),
        ({"part": "round"}, "Part: 'round' found"),
        ({"part": "470u 25V"}, "no kind found"),
        ({"esr_at": ""}, "without its frequency found"),
        ({"seen": "purple"}, "Look: 'purple' found"),
        ({"check": "moon.look"}, "Check: 'moon.look' found"),
        ({"action": "dance"}, "action: 'dance' found"),
    ],
)
def test_readings_refused(client: Client, files: Path, change: dict[str, str], says: str) -> None:
    job = a_job(CONSOLE)
    with_board(job, files)
    response = client.post(f"/jobs/{job.number}/board/", READ | {"action": "reading"} | change)
    assert response.status_code == 422
    assert says in text_of(response.content.decode())
    assert len(logged(job)) == 1


def test_gating_cautions_are_shown_until_read(client: Client, files: Path) -> None:
    job = a_job(HOME_COMPUTER)
    with_board(job, files)
    page = text_of(get(client, f"/jobs/{job.number}/board/?ref=C1"))
    assert "Read, and I keep to it" in page
    careful(job)
    page = text_of(get(client, f"/jobs/{job.number}/board/?ref=C1"))
    assert "Read, and I keep to it" not in page
    assert "Large capacitors keep their charge" in page


def test_fault_finding_leads_to_the_part(client: Client) -> None:
    job = a_job(CONSOLE)
    page = get(client, f"/jobs/{job.number}/faults/?step=reservoir.esr")
    assert f'href="/jobs/{job.number}/board/?ref=C3#part"' in page
    assert "?ref=IC" not in page
