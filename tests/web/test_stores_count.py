"""Stocktake: blind, one part after another, asked again where it is far off, gone on with later."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from refettle.book import shelf_life, stores
from refettle.book.models_stores import Part
from refettle.book.reservations import reserve
from refettle.book.stores_parts import add_part
from tests.web.pages import a_job, get, text_of

pytestmark = pytest.mark.django_db
PLACE = "/stores/count/?place=drawer+1"


@pytest.fixture
def drawer() -> list[Part]:
    made = []
    for code, count in (("A", 237), ("B", 12), ("C", 0)):
        part = add_part(name=f"part {code}", who="Ada", code=code, place="drawer 1")
        if count:
            stores.receive(part, count, who="Ada")
        made.append(part)
    return made


def counted(client: Client, code: str, count: str, **more: Any) -> Any:
    return client.post("/stores/count/", {"place": "drawer 1", "part": code, "count": count, **more})


def test_the_count_is_blind(client: Client, drawer: list[Part]) -> None:
    page = get(client, PLACE)
    assert "<h1>A</h1>" in page
    assert "237" not in page
    assert page.count("data-pad=") == 12
    far = counted(client, "A", "100").content.decode()
    assert "count once more" in text_of(far)
    assert "237" not in far


def test_as_expected_is_written_at_once_and_the_next_comes(client: Client, drawer: list[Part]) -> None:
    answer = counted(client, "A", "237")
    assert answer.status_code == 302
    page = get(client, answer.headers["Location"])
    assert "<h1>B</h1>" in page
    assert "1 of 3 counted" in text_of(page)
    line = drawer[0].movements.last()
    assert (line.kind, line.on_hand) == ("counted", 0)


def test_a_difference_is_shown_and_confirmed(client: Client, drawer: list[Part]) -> None:
    shown = counted(client, "B", "11")
    words = text_of(shown.content.decode())
    assert "1 fewer than the ledger says" in words
    assert drawer[1].movements.count() == 1
    assert counted(client, "B", "11", said="11 of 12").status_code == 302
    drawer[1].refresh_from_db()
    assert drawer[1].on_hand == 11


def test_far_off_is_counted_twice(client: Client, drawer: list[Part]) -> None:
    counted(client, "A", "100")
    other = text_of(counted(client, "A", "140", before="100").content.decode())
    assert "The two counts differ" in other
    twice = text_of(counted(client, "A", "140", before="140").content.decode())
    assert "140 , twice" in twice
    counted(client, "A", "140", before="140", said="140 of 237")
    drawer[0].refresh_from_db()
    assert drawer[0].on_hand == 140


def test_what_changed_meanwhile_is_asked_about_anew(client: Client, drawer: list[Part]) -> None:
    counted(client, "B", "11")
    stores.scrap(drawer[1], 2, who="Bo", why="crushed")
    again = counted(client, "B", "11", said="11 of 12")
    assert "1 more than the ledger says" in text_of(again.content.decode())


def test_below_what_is_promised(client: Client, drawer: list[Part]) -> None:
    mine = reserve(drawer[1], 12, who="Ada", job=a_job())
    shown = counted(client, "B", "10").content.decode()
    assert f'name="let_go" value="{mine.pk}"' in shown
    assert counted(client, "B", "10", said="10 of 12").status_code == 422
    assert counted(client, "B", "10", said="10 of 12", let_go=str(mine.pk)).status_code == 302
    drawer[1].refresh_from_db()
    assert (drawer[1].on_hand, drawer[1].reserved) == (10, 10)


def test_put_off_comes_again_and_a_place_is_done(client: Client, drawer: list[Part]) -> None:
    assert "<h1>B</h1>" in get(client, PLACE + "&after=A")
    for part in drawer[1:]:
        counted(client, part.code, str(part.movements.last().on_hand if part.movements.exists() else 0))
    assert "<h1>A</h1>" in get(client, PLACE + "&after=C")
    counted(client, "A", "237")
    assert "drawer 1 is counted" in text_of(get(client, PLACE))
    assert "done, 3 of 3" in text_of(get(client, "/stores/count/"))


def test_a_look_is_no_count_and_an_earlier_day_counts_if_asked(client: Client, drawer: list[Part]) -> None:
    shelf_life.done(drawer[1].lots.get(), who="Ada", what="looks good")
    stores.count(drawer[0], 237, who="Ada", at=timezone.now() - timedelta(days=3))
    assert "0 of 3" in text_of(get(client, "/stores/count/"))
    assert "1 of 3" in text_of(get(client, "/stores/count/?span=6"))
    assert "<h1>B</h1>" in get(client, PLACE + "&span=6")


def test_the_pad_works_by_requests_alone(client: Client, drawer: list[Part]) -> None:
    page = get(client, PLACE + "&part=A&count=23&tap=7")
    assert 'name="count" inputmode="numeric"' in page
    assert page.count('value="237"') == 2
    assert 'data-counted value="23"' in get(client, PLACE + "&part=A&count=237&do=back")
    assert 'data-counted value=""' in get(client, PLACE + "&part=A&count=237&do=clear")


@pytest.mark.parametrize("wrong", ["", "-1", "1.5", "many"])
def test_no_number_is_refused(client: Client, drawer: list[Part], wrong: str) -> None:
    said = counted(client, "B", wrong)
    assert said.status_code == 422
    assert "allowed: a whole number from 0" in text_of(said.content.decode())
