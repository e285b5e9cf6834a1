"""Replacing, one for one: reversals and mix-ups are stopped, nothing is out unseen."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.test import Client

from refettle.book import store
from refettle.book.models import Job
from tests.web.boards import careful, layout, netlist, with_board
from tests.web.pages import HOME_COMPUTER, a_job, get, logged, text_of

pytestmark = pytest.mark.django_db
OUT = {"action": "out", "ref": "C1", "value": "10u 16V", "fitted": "right", "printed": "right", "by_net": "right"}
SEEN = {"by_net_seen": "yes"}
IN = {"action": "in", "ref": "C1", "new": "10u 25V 105C", "minus": "right"}


@pytest.fixture
def job(own_folders: Path) -> Job:
    made = a_job(HOME_COMPUTER)
    with_board(made, own_folders / "files")
    careful(made)
    return made


def _post(client: Client, job: Job, form: dict[str, str]) -> str:
    response = client.post(f"/jobs/{job.number}/replace/", form, follow=True)
    return text_of(response.content.decode())


def test_empty_it_leads_to_the_board(client: Client) -> None:
    assert "Nothing is listed for replacing" in text_of(get(client, f"/jobs/{a_job().number}/replace/"))


def test_gates_before_anything_comes_out(client: Client, own_folders: Path) -> None:
    made = a_job(HOME_COMPUTER)
    with_board(made, own_folders / "files")
    html = get(client, f"/jobs/{made.number}/replace/")
    assert "C1 is out" not in text_of(html)
    _post(client, made, {"action": "caution", "caution": "mains", "ref": "C1"})
    _post(client, made, {"action": "caution", "caution": "charged-capacitor", "ref": "C1"})
    assert "C1 is out" in text_of(get(client, f"/jobs/{made.number}/replace/?ref=C1"))


def test_one_out_one_in(client: Client, job: Job) -> None:
    assert "By the file: minus at pad 2 on GND" in text_of(get(client, f"/jobs/{job.number}/replace/?ref=C1"))
    page = _post(client, job, OUT | SEEN)
    assert "The minus must lie right" in page
    for address in ("", "faults/", "power-on/", "board/", "log/1/"):
        assert "Nothing gets power before it is back" in get(client, f"/jobs/{job.number}/{address}")
    assert "C1 is out" in text_of(get(client, "/"))
    page = _post(client, job, IN)
    assert "1 of 40" in page
    assert logged(job)[-2:] == [
        {
            "kind": "part-out",
            "ref": "C1",
            "value": "10u 16V aluminium",
            "fitted": "right",
            "printed": "right",
            "by_net": "right",
        },
        {"kind": "part-in", "ref": "C1", "value": "10u 25V 105C", "minus": "right"},
    ]
    assert "Nothing gets power before it is back" not in get(client, f"/jobs/{job.number}/")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"fitted": ""}, "As fitted: nothing found; allowed: up, down"),
        ({"by_net_seen": ""}, "By net: the file says right; look at the board"),
        ({"fitted": "left"}, "three that do not agree found"),
        ({"value": "round"}, "Value: 'round' found"),
        ({"ref": "C99"}, "ref: 'C99' found; allowed: C"),
    ],
)
def test_out_is_refused(client: Client, job: Job, change: dict[str, str], says: str) -> None:
    before = logged(job)
    response = client.post(f"/jobs/{job.number}/replace/", OUT | SEEN | change)
    assert response.status_code == 422
    assert says in text_of(response.content.decode())
    assert logged(job) == before


def test_a_quarrel_is_settled_in_words(client: Client, job: Job) -> None:
    response = client.post(f"/jobs/{job.number}/replace/", OUT | SEEN | {"fitted": "left"})
    assert "How it was settled" in text_of(response.content.decode())
    settled = {"fitted": "left", "resolved": "pad 2 reads 0 V to chassis", "minus": "right"}
    assert "The minus must lie right" in _post(client, job, OUT | SEEN | settled)


def test_a_kind_that_nobody_knows_is_asked(client: Client, own_folders: Path) -> None:
    made = a_job(HOME_COMPUTER)
    careful(made)
    with_board(made, own_folders / "files", layout(2024), netlist())
    form = OUT | {"ref": "C9", "value": "22uF 16V"} | SEEN
    response = client.post(f"/jobs/{made.number}/replace/", form)
    assert "no kind found; allowed: aluminium" in text_of(response.content.decode())


def test_a_print_that_cannot_be_read(client: Client, job: Job) -> None:
    assert "The minus must lie right" in _post(client, job, OUT | SEEN | {"value": "burnt", "unread": "yes"})


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"minus": "left"}, "'left' found; allowed: 'right'. Reversed, it can burst"),
        ({"minus": ""}, "Its minus: nothing found"),
        ({"new": ""}, "What goes in: nothing found"),
        ({"new": "47u 16V"}, "where 10µF 16V aluminium came out"),
        ({"new": "10u 6.3V"}, "where 10µF 16V aluminium came out"),
        ({"price": "dear"}, "Price: 'dear' found"),
    ],
)
def test_in_is_refused(client: Client, job: Job, change: dict[str, str], says: str) -> None:
    _post(client, job, OUT | SEEN)
    before = logged(job)
    response = client.post(f"/jobs/{job.number}/replace/", IN | change)
    page = response.content.decode()
    assert response.status_code == 422
    assert says in text_of(page)
    assert logged(job) == before
    assert "C1 is out" in text_of(page)
    if "price" in change:
        assert 'value="10u 25V 105C"' in page


def test_another_part_on_purpose(client: Client, job: Job) -> None:
    _post(client, job, OUT | SEEN)
    _post(client, job, IN | {"new": "22u 16V", "why": "the maker's service note", "price": "0,4"})
    assert logged(job)[-1]["why"] == "the maker's service note"
    assert logged(job)[-1]["price"] == 0.4


def test_what_may_go_in_is_said_before(client: Client, job: Job) -> None:
    _post(client, job, OUT | SEEN)
    assert "Refused" in _post(client, job, IN | {"action": "assess", "new": "10u 6.3V"})
    part = client.get(f"/jobs/{job.number}/replace/?ref=C1&new=10u+25V+105C", headers={"HX-Request": "true"})
    assert "Accepted" in part.content.decode() or "Better" in part.content.decode()
    assert "<html" not in part.content.decode()


def test_taking_back(client: Client, job: Job) -> None:
    _post(client, job, OUT | SEEN)
    _post(client, job, IN)
    n = store.entries(job)[-1]["n"]
    assert "C1 is out" in _post(client, job, {"action": "undo", "n": str(n)})
    assert "another by now" in _post(client, job, {"action": "undo", "n": str(n)})
    page = _post(client, job, {"action": "undo", "n": str(n - 1)})
    assert "0 of 40 done" in page


def test_a_second_one_out_needs_its_reason(client: Client, job: Job) -> None:
    _post(client, job, OUT | SEEN)
    second = OUT | {"ref": "C4", "value": "470u 25V", "also": "1"}
    assert "Why this one as well" in text_of(get(client, f"/jobs/{job.number}/replace/?ref=C4&also=1"))
    directions = {"fitted": "up", "printed": "up", "by_net": "up"}
    assert "one out, one in, then the next" in _post(client, job, second | directions)
    page = _post(client, job, second | directions | {"others_out": "C4 hides its joints"})
    assert "C4 is out" in page


def test_a_test_after_each_group(client: Client, own_folders: Path) -> None:
    made = a_job(HOME_COMPUTER)
    careful(made)
    with_board(
        made, own_folders / "files", b"ref,value,symbol,plus,minus\nC1,10u 16V,CP,+5V,GND\nC2,10u 16V,CP,+12V,GND"
    )
    first = "C2" if "C2" in text_of(get(client, f"/jobs/{made.number}/replace/")).split("Rail")[1][:40] else "C1"
    _post(client, made, OUT | {"ref": first})
    page = _post(client, made, IN | {"ref": first})
    assert "Test the unit now" in page
    assert "Test the unit now" not in text_of(get(client, f"/jobs/{made.number}/replace/?on=1"))
    store.append(made, {"kind": "check", "check": "picture", "outcome": "good"}, "Ada")
    assert "Test the unit now" not in text_of(get(client, f"/jobs/{made.number}/replace/"))


def test_print_and_net_that_quarrel_stop_the_step(client: Client, own_folders: Path) -> None:
    made = a_job(HOME_COMPUTER)
    careful(made)
    with_board(made, own_folders / "files", layout(2024), netlist())
    page = text_of(get(client, f"/jobs/{made.number}/replace/?ref=C7"))
    assert "By the file: minus at pad 1, left" in page
    assert "By the file: minus at pad 2 on GND, right" in page
