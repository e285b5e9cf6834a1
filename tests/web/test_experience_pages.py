"""The pages of experience: what was learned, how good the advice was, files of other benches."""

from __future__ import annotations

import json
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from refettle.book import experience, store
from refettle.book.models_experience import Lesson, OtherBench
from refettle.book.records import import_records
from refettle.language import speaking, spoken
from tests.book.test_experience import A, file_of, made_up, sent
from tests.web.pages import a_job, get, text_of

pytestmark = pytest.mark.django_db


def learned_from(count: int, kind: str = "edge-connector") -> None:
    cure = {"repair": "eraser", "kind": kind, "said": 0.4, "tried": 0.9, "cured": 0.8, "minutes": 12.0}
    for n in range(count):
        job = a_job("piper-pocket")
        store.append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
        blocks = {"slot": {"kind": kind, "expected": 0.2, "found": float(n % 4 > 0)}}
        Lesson.objects.create(
            job=job, entries=1, rules=experience.RULES, data=made_up(kind, 1.0, blocks=blocks, cures=[cure])
        )


def test_an_empty_book_says_how_it_learns(client: Client) -> None:
    page = text_of(get(client, "/experience/"))
    assert "Hand a unit over, or part one out" in page
    assert "refettle repairs import" in page
    assert "Once jobs are finished" in text_of(get(client, "/experience/advice/"))


def test_what_moved_and_how_many_jobs_stand_behind_it(client: Client) -> None:
    learned_from(8)
    page = text_of(get(client, "/experience/"))
    assert "8 finished jobs: 8 of this bench" in page
    assert "surely more" in page or "may be luck" in page
    assert "6.0 1.6 8" in page  # found, expected, jobs
    assert "6.4" in page  # cured, of 7.2 tried
    advice = get(client, "/experience/advice/")
    assert "Before each of 16 checks" in text_of(advice)
    assert "<svg" in advice
    assert "a job saved" in text_of(advice)


def test_long_tables_go_a_page_at_a_time(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    learned_from(8)
    learned_from(8, "display")
    both = text_of(get(client, "/experience/"))
    monkeypatch.setattr("refettle.web.views.experience.PER_PAGE", 1)
    first, second = (get(client, f"/experience/?cures=1&weights={n}") for n in (1, 2))
    assert 'href="?cures=1&amp;weights=2#weights"' in first
    assert 'href="?cures=1&amp;weights=1#weights"' in second
    assert text_of(first) != text_of(second)
    assert "Page 2 of 2" in text_of(second)
    assert "Page 1 of" not in both


def test_a_block_has_its_name_where_its_unit_type_is_known(client: Client) -> None:
    learned_from(8)
    job = a_job("piper-pocket")
    store.append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
    loaded = store.loaded_type(job.unit.type_version)
    block = next(b for b in loaded.blocks.values() if b.name.lower() != b.id.replace("_", " "))
    mode = next(iter(block.modes))
    blocks = {
        block.id: {"kind": block.kind, "expected": 0.2, "found": 1.0},
        "odd_one": {"kind": block.kind, "expected": 0.2, "found": 1.0},
    }
    found = made_up(block.kind, 1.0, blocks=blocks) | {"modes": {f"{block.id}.{mode}": 1.0}}
    Lesson.objects.create(
        job=job, entries=1, rules=experience.RULES, data=found | {"modes": {f"{block.id}.{mode}": 1.0}}
    )
    page = text_of(get(client, "/experience/"))
    assert block.name in page
    assert "Odd one" in page  # the unit type has no such block any more
    german = text_of(Client(HTTP_ACCEPT_LANGUAGE="de").get("/experience/").content.decode())
    with speaking("de"):
        assert spoken(block.name) in german
        assert spoken(block.name) != block.name


def test_a_disputed_cure_is_shown_with_both_sides(client: Client) -> None:
    job = a_job("piper-pocket")
    store.append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
    kinds = job.unit.type_version and store.loaded_type(job.unit.type_version).library.kinds
    kind, repair, source = next(
        (k, r, repair.source)
        for k, each in kinds.items()
        for r, repair in each.repairs.items()
        if (repair.source or "").startswith("disputed")
    )
    cure = {"repair": repair, "kind": kind, "said": 0.4, "tried": 1.0, "cured": 1.0}
    Lesson.objects.create(job=job, entries=1, rules=experience.RULES, data=made_up(kind, 1.0, cures=[cure]))
    page = text_of(get(client, "/experience/"))
    assert f"Disputed: {(source or '').removeprefix('disputed:').strip()}" in page


def test_a_unit_taken_in_begins_with_what_was_learned(client: Client) -> None:
    learned_from(12)
    answer = client.post("/take-in/piper-pocket/", {"owner-kind": "own"})
    assert answer.status_code == 302, text_of(answer.content.decode())[:800]
    page = text_of(get(client, answer.headers["Location"]))
    assert "weights as 12 finished jobs have taught" in page
    faults = text_of(get(client, answer.headers["Location"] + "faults/"))
    assert "Weights as 12 finished jobs had taught when this one was opened, entry 1" in faults


def upload(client: Client, text: str, status: int = 302, **fields: Any) -> str:
    file = SimpleUploadedFile("theirs.json", text.encode())
    answer = client.post("/experience/", {"action": "import", "file": file, **fields})
    assert answer.status_code == status
    return text_of(answer.content.decode())


def test_a_file_comes_in_goes_out_and_is_taken_out(client: Client) -> None:
    upload(client, file_of(A, [sent(A, 1), sent(A, 2)]), name="Tollgate")
    page = text_of(get(client, "/experience/"))
    assert "Tollgate 2 jobs: Piper Pocket 2" in page
    out = client.get("/experience/export.json")
    assert len(json.loads(out.content)["jobs"]) == 2
    client.post("/experience/", {"action": "take-out", "bench": A})
    assert not OtherBench.objects.get().used
    assert "Tollgate: taken out" in text_of(get(client, "/experience/"))


def test_a_file_that_cannot_be_is_refused_and_what_was_typed_stays(client: Client) -> None:
    assert "format: not found" in upload(client, "{}", 422, name="Tollgate")
    html = client.post("/experience/", {"action": "import", "name": "Tollgate"}).content.decode()
    assert "file: nothing found" in html
    assert 'value="Tollgate"' in html


def test_repair_records_are_shown(client: Client) -> None:
    import io

    text = "id,product_category,product_age,repair_status\n" + "".join(
        f"r{n},Lamp,,{'Fixed' if n % 4 else 'End of life'}\n" for n in range(40)
    )
    import_records(io.BytesIO(text.encode()), "records.csv")
    page = text_of(get(client, "/experience/"))
    assert "40 records of records.csv" in page
    assert "Lamp" in page


@pytest.mark.slow
def test_ten_thousand_jobs_are_put_together_once(client: Client) -> None:
    learned_from(1)
    job = a_job("piper-pocket")
    store.append(job, {"kind": "stage", "stage": "parted out"}, "Ada")
    OtherBench.objects.create(bench=A, came_from=A)
    upload(client, file_of(A, [sent(A, n) for n in range(10_000)]))
    get(client, "/experience/")
    calls = experience._gathered.cache_info().misses
    get(client, "/experience/")
    assert experience._gathered.cache_info().misses == calls
