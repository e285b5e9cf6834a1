"""The pages of the stores: searching, narrowing, one part with its forms, what is due, what is low."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from refettle.book import stores
from refettle.book.models_orders import Order, OrderLine
from refettle.book.models_prices import Offer, PriceList, Sold, Supplier
from refettle.book.models_stores import Movement, Part
from refettle.book.reservations import reserve
from refettle.book.stores_parts import add_part
from tests.web.pages import a_job, get, logged, text_of

pytestmark = pytest.mark.django_db


def capacitor(code: str = "C-4U7", value: str = "4u7 50v 105C", count: int = 0, **more: Any) -> Part:
    part = add_part(name=more.pop("name", f"electrolytic {code}"), who="Ada", code=code, value=value, **more)
    if count:
        stores.receive(part, count, who="Ada", came=stores.Came(source="Tarn Components"))
    part.refresh_from_db()
    return part


def post(client: Client, part: Part, status: int = 302, **form: Any) -> str:
    answer = client.post(f"/stores/{part.code}/", form)
    said = answer.content.decode()
    assert answer.status_code == status, text_of(said)[:1500]
    part.refresh_from_db()
    return text_of(said)


def on_the_way(part: Part, pieces: int, received: int = 0, **order: Any) -> None:
    supplier, _ = Supplier.objects.get_or_create(name="Tarn Components", currency="EUR")
    made = Order.objects.create(supplier=supplier, number=Order.objects.count() + 1, currency="EUR", who="Ada", **order)
    OrderLine.objects.create(order=made, part=part, sku="T-1", pieces=pieces, price=Decimal("0.12"), received=received)


# ---------------------------------------------------------------- the list


def test_empty_stores_say_what_to_do_first(client: Client) -> None:
    for page in ("", "count/", "reorder/", "look-again/", "labels/", "receive/", "new/"):
        get(client, f"/stores/{page}")
    assert "Keep the first part" in text_of(get(client, "/stores/"))
    assert 'href="/stores/"' in get(client, "/")


def test_how_it_was_understood_and_as_words_instead(client: Client) -> None:
    capacitor(count=3)
    add_part(name="bag for 4u7", who="Ada", code="BAG")
    page = get(client, "/stores/?q=4u7+50v")
    assert "Understood as 4.7 µF, 50 V or more." in text_of(page).replace("\u2009", " ").replace(" .", ".")
    assert "C-4U7" in page
    assert "q=4u7+50v&amp;as=words" in page
    words = get(client, "/stores/?q=4u7&as=words")
    assert "BAG" in words
    assert "Searched as words" in words
    assert "keep it as a new part" in text_of(get(client, "/stores/?q=999u"))


def test_what_is_kept_apart_stands_apart(client: Client) -> None:
    part = capacitor(count=12)
    reserve(part, 3, who="Ada", job=a_job())
    stores.quarantine(part, 2, who="Ada", why="leaking seals")
    on_the_way(part, 20, 5, sent=timezone.now())
    on_the_way(part, 500)  # not sent
    on_the_way(part, 500, sent=timezone.now(), cancelled=timezone.now())
    row = get(client, "/stores/").split("<tbody>")[1]
    for label, number in (("On hand", 10), ("of them reserved", 3), ("On order", 15), ("In quarantine", 2)):
        assert f'data-label="{label}" class="figure">{number}<' in row
    assert "<strong>7</strong>" in row


def test_narrowing_and_pages(client: Client) -> None:
    for n in range(60):
        add_part(name=f"screw {n}", who="Ada", code=f"S{n:02}", kind="screw", place="box 1")
    low = capacitor(count=2, reorder_at=5, place="drawer 2")
    aside = capacitor("C-10U", "10u 25v", count=2)
    stores.quarantine(aside, 1, who="Ada", why="no source known")
    first, second = get(client, "/stores/"), get(client, "/stores/?page=2")
    assert "Page 1 of 2, 62 parts" in text_of(first)
    assert "S59" not in first
    assert "S59" in second
    for query, code in (("low=1", low.code), ("quarantined=1", aside.code), ("place=drawer+2", low.code)):
        page = get(client, f"/stores/?{query}")
        assert f"/stores/{code}/" in page
        assert page.count("<tr>") == 2, query
    assert "Page 1 of 2, 60 parts" in text_of(get(client, "/stores/?q=screw&kind=screw"))
    assert "No part is reserved" in text_of(get(client, "/stores/?reserved=1"))


# ---------------------------------------------------------------- one part


def test_a_part_in_any_case_or_none(client: Client) -> None:
    part = capacitor(count=3)
    assert client.get("/stores/c-4u7/").headers["Location"] == f"/stores/{part.code}/"
    assert "C-4U7" in text_of(get(client, "/stores/C-4U8/", 404))


def test_the_ledger_line_by_line_with_what_was_left(client: Client) -> None:
    part = capacitor(count=20)
    stores.scrap(part, 2, who="Ada", why="bent")
    stores.quarantine(part, 5, who="Ada", why="leaking")
    stores.count(part, 12, who="Ada")
    page = text_of(get(client, f"/stores/{part.code}/"))
    for words in ("20 received from Tarn Components", "2 scrapped", "5 put in quarantine", "1 fewer than the ledger"):
        assert words in page
    lines = get(client, f"/stores/{part.code}/").split('aria-label="Ledger"')[1]
    left = [int(each.split("<")[0]) for each in lines.split('data-label="Then on hand" class="figure">')[1:]]
    assert left == [12, 13, 18, 20]


def test_a_long_ledger_pages_and_the_balance_goes_on(client: Client) -> None:
    part = capacitor(count=100)
    for _ in range(40):
        stores.scrap(part, 1, who="Ada", why="crushed")
    second = get(client, f"/stores/{part.code}/?page=2").split('aria-label="Ledger"')[1]
    left = [int(each.split("<")[0]) for each in second.split('data-label="Then on hand" class="figure">')[1:]]
    assert left == list(range(85, 101))


def test_every_form_opens_and_is_refused_with_what_was_typed_kept(client: Client) -> None:
    part = capacitor(count=3)
    stores.quarantine(part, 1, who="Ada", why="leaking")
    for do in ("receive", "take", "reserve", "count", "scrap", "quarantine", "release", "donor", "place", "change"):
        page = get(client, f"/stores/{part.code}/?do={do}")
        assert f'name="do" value="{do}"' in page
    said = client.post(f"/stores/{part.code}/", {"do": "scrap", "count": "90", "why": "fell into the tub"})
    assert said.status_code == 422
    assert "count: 90 found" in text_of(said.content.decode())
    assert 'value="fell into the tub"' in said.content.decode()
    assert "allowed: receive" in post(client, part, 422, do="steal")


def test_in_out_aside_and_back(client: Client) -> None:
    part, job = capacitor(), a_job()
    post(client, part, do="receive", count="20", source="a fair", lot_code="3114", made="3114", price="0,12")
    lot = part.lots.get()
    assert (lot.source, lot.made.isocalendar()[:2], lot.price) == ("a fair", (2031 - 100, 14), Decimal("0.12"))
    post(client, part, do="reserve", count="4", job=str(job.number))
    post(client, part, do="quarantine", count="5", why="leaking seals")
    post(client, part, do="release", count="2", how="leakage measured, 3 µA")
    post(client, part, do="donor", count="1", unit="the broken console")
    assert (part.on_hand, part.reserved, part.quarantined) == (17, 4, 4)
    post(client, part, do="take", count="6", job=str(job.number), refs="C4, C7")
    assert (part.on_hand, part.reserved) == (11, 0)
    assert [e["kind"] for e in logged(job)][-1] == "part-taken"
    post(client, part, do="place", place="drawer 9")
    assert part.place == "drawer 9"
    post(client, part, do="change", name="smoothing", lead_days="30", value="10u 63V", place="drawer 9")
    assert (part.name, part.lead_days, part.amount, part.volt) == ("smoothing", 30, pytest.approx(10e-6), 63)
    assert "name was electrolytic C-4U7" in text_of(get(client, f"/stores/{part.code}/"))


def test_what_is_taken_on_a_part_s_page_serves_what_the_job_wants(client: Client) -> None:
    from refettle.book import wants

    part, job = capacitor(count=9), a_job()
    other = wants.want(job, "belt", 1, who="Ada")
    entry = wants.want(job, "smoothing", 3, who="Ada", part=part.code, refs=["C4", "C7", "C9"])
    answer = client.post(f"/stores/{part.code}/", {"do": "take", "count": "3", "job": str(job.number)}, follow=True)
    assert answer.redirect_chain == [(f"/stores/{part.code}/", 302)]
    assert f"3 taken for job 1; in its log as entry {entry.n + 1}, for what it wants by entry {entry.n}." in text_of(
        answer.content.decode()
    )
    assert [held.want.n for held in wants.held_wants([job])] == [other.n]
    post(client, part, do="take", count="1", job=str(job.number))
    assert "wanted" not in logged(job)[-1]
    by_value = wants.want(job, "4u7 50v 105C aluminium", 2, who="Ada")
    wants.reserve_wanted(job, by_value.n, part, who="Ada")
    post(client, part, do="take", count="2", job=str(job.number))
    assert logged(job)[-1]["wanted"] == by_value.n


def test_a_line_is_put_right_by_a_further_line(client: Client) -> None:
    part = capacitor(count=20)
    line = part.movements.get()
    assert f"do=correct&amp;line={line.pk}" in get(client, f"/stores/{part.code}/")
    post(client, part, do="correct", line=str(line.pk), count="12", why="the bag held 12")
    assert part.on_hand == 12
    assert "put right later" in text_of(get(client, f"/stores/{part.code}/"))
    assert post(client, part, 422, do="correct", line="9999", count="1", why="no such line")


def test_a_form_sent_twice_is_written_once(client: Client) -> None:
    part = capacitor()
    for _ in range(2):
        post(client, part, do="receive", count="5", token="abcdefgh")
    assert part.on_hand == 5


def test_what_is_promised_is_let_go_only_by_name(client: Client) -> None:
    part, job = capacitor(count=5), a_job()
    mine = reserve(part, 4, who="Ada", job=job)
    assert f"job {job.number}: 4" in post(client, part, 422, do="scrap", count="3", why="crushed")
    post(client, part, do="scrap", count="3", why="crushed", let_go=str(mine.pk))
    assert (part.on_hand, part.reserved) == (2, 2)


def test_prices_stand_ins_and_history(client: Client) -> None:
    part = capacitor(count=30)
    capacitor("C-4U7-63", "4u7 63v 105C", count=4)
    capacitor("C-4U7-25", "4u7 25v 105C", count=4)
    capacitor("C-4U7-100", "4u7 100v 105C")
    supplier = Supplier.objects.create(name="Tarn Components", currency="EUR")
    prices = PriceList.objects.create(
        supplier=supplier, name="spring", sha256="a" * 64, valid_from=timezone.localdate(), rows=1, who="Ada"
    )
    Offer.objects.create(list=prices, supplier=supplier, sku="T-47", breaks=[[1, "0.12"], [10, "0.10"]], currency="EUR")
    Sold.objects.create(supplier=supplier, sku="T-47", part=part, who="Ada")
    stores.take(part, 7, Movement.Kind.USED, who="Ada", job=a_job())
    page = get(client, f"/stores/{part.code}/")
    words = text_of(page)
    assert "from 10: 0.10" in words
    assert "May stand in" in words
    assert "C-4U7-63" in words
    assert "C-4U7-25" not in words  # too low a voltage
    assert "C-4U7-100" not in words  # none there
    assert "7 used in 24 months" in page


# ---------------------------------------------------------------- new, receive, low, due


def test_a_new_part_with_what_is_there_of_it(client: Client) -> None:
    form = {"name": "radial electrolytic", "value": "470u 25v", "count": "12", "source": "a fair", "place": "drawer 1"}
    answer = client.post("/stores/new/", form)
    assert answer.status_code == 302
    part = Part.objects.get()
    assert answer.headers["Location"] == f"/stores/{part.code}/"
    assert (part.amount, part.volt, part.on_hand) == (pytest.approx(470e-6), 25, 12)
    for wrong in ({"value": "zzz"}, {"code": "count"}, {"name": ""}, {"count": "many"}):
        said = client.post("/stores/new/", form | wrong)
        assert said.status_code == 422, wrong
        assert 'value="a fair"' in said.content.decode()
    assert Part.objects.count() == 1


def test_what_few_parts_need_is_folded_away_until_it_holds_something(client: Client) -> None:
    page = get(client, "/stores/new/")
    assert page.index('name="count"') < page.index("<details><summary>Maker") < page.index('name="pitch_mm"')
    assert "<details open><summary>Maker" in get(client, "/stores/new/?maker=Ostrey")
    form = {"name": "belt", "pitch_mm": "wide", "note": "from a box"}
    said = client.post("/stores/new/", form).content.decode()
    assert "<details open><summary>Maker" in said
    assert "from a box" in said


def test_receive_by_search_and_the_source_is_kept(client: Client) -> None:
    part = capacitor()
    assert f"?part={part.code}" in get(client, "/stores/receive/?q=4.7uF/50V")
    assert 'name="count"' in get(client, f"/stores/receive/?part={part.code}")
    answer = client.post("/stores/receive/", {"part": part.code, "count": "20", "source": "a fair"})
    assert answer.headers["Location"] == "/stores/receive/?source=a+fair"
    part.refresh_from_db()
    assert part.on_hand == 20
    assert client.post("/stores/receive/", {"part": part.code, "count": "0"}).status_code == 422


def test_to_reorder_says_why(client: Client) -> None:
    capacitor(count=30)
    capacitor("C-10U", "10u 25v", count=2, reorder_at=5)
    page = text_of(get(client, "/stores/reorder/"))
    assert "C-10U" in page
    assert "Set by hand: order at 5." in page
    assert "C-4U7" not in page


def test_no_page_of_a_part_waits_for_what_like_parts_have_in_common(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    from refettle.book import reorder, reorder_fits
    from refettle.web import warm

    part = capacitor(count=30)
    stores.take(part, 3, Movement.Kind.USED, who="Ada")
    page = f"/stores/{part.code}/"
    with monkeypatch.context() as refused:
        refused.setattr(reorder_fits, "work_out", lambda *a: pytest.fail("worked out in a request"))
        said = text_of(get(client, page))
        assert "Not worked out yet" in said
        assert "3 used so far" in said
        assert warm._asked.is_set()
        warm._asked.clear()
        assert "is being worked out" in text_of(get(client, "/stores/"))
    reorder.work_out(timezone.localdate())
    with monkeypatch.context() as refused:
        refused.setattr(reorder_fits, "work_out", lambda *a: pytest.fail("worked out in a request"))
        stores.take(part, 3, Movement.Kind.USED, who="Ada")
        said = text_of(get(client, page))
        assert "6 used in 1 month" in said
        assert "Compared with like parts, last worked out" in said
        assert "is being worked out" not in text_of(get(client, "/stores/"))


def test_a_long_ledger_is_worked_out_beside_the_page(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from refettle.book import reorder
    from refettle.web import longwork
    from refettle.web.views import stores_use

    monkeypatch.setattr(stores_use, "FEW_LINES", 0)
    monkeypatch.setattr(longwork, "AT_ONCE_S", 0.0)
    part = capacitor(count=2, reorder_at=5)
    started: list[object] = []

    def not_started(title: str, key: object, run: object, *more: object) -> longwork.Work:
        started.append(key)
        return longwork.Work(title, "key")

    monkeypatch.setattr(longwork, "work", not_started)
    for page in ("/stores/reorder/", "/stores/?low=1"):
        assert "Working out when to order again" in text_of(get(client, page))
    assert len(set(started)) == 1
    reorder.work_out(timezone.localdate())
    for page in ("/stores/reorder/", "/stores/?low=1"):
        assert part.code in text_of(get(client, page))


def test_looked_at_with_its_caution_and_its_time_begins_anew(client: Client) -> None:
    part = capacitor()
    old = timezone.localdate() - timedelta(days=900)
    stores.receive(part, 5, who="Ada", came=stores.Came(code="old", since=old))
    page = get(client, "/stores/look-again/")
    assert page.index('id="caution-charged-capacitor"') < page.index("Re-form it")
    assert 'id="caution-burst"' in page
    assert "look at it first" in text_of(get(client, f"/stores/{part.code}/"))
    lot = part.lots.get()
    form = {"lot": str(lot.pk), "what": "re-formed at 50 V"}
    assert client.post("/stores/look-again/", form | {"what": ""}).status_code == 422
    assert client.post("/stores/look-again/", form).status_code == 302
    assert "Nothing is due" in text_of(get(client, "/stores/look-again/"))
    assert "Looked at again: re-formed at 50 V" in text_of(get(client, f"/stores/{part.code}/"))


def test_pages_of_others_are_linked_where_they_are(client: Client) -> None:
    from django.urls import NoReverseMatch

    page = get(client, "/stores/")
    for name in ("kits", "suppliers", "orders"):
        try:
            assert f'href="{reverse(name)}"' in page
        except NoReverseMatch:
            assert f">{name.capitalize()}<" not in page


@pytest.mark.parametrize("odd", ["%00", "%1b", "%ff", "%E2%80%A8", "a%00b", "%27%22%3C", "%25", "_"])
def test_odd_characters_find_nothing_and_break_nothing(client: Client, odd: str) -> None:
    capacitor(count=2)
    for page in (
        f"?q={odd}",
        f"?place={odd}&kind={odd}",
        f"receive/?q={odd}",
        f"labels/?part={odd}&place={odd}&q={odd}",
    ):
        get(client, f"/stores/{page}")
    for page in (f"{odd}/", f"receive/?part={odd}", f"count/?place={odd}&part={odd}"):
        assert client.get(f"/stores/{page}").status_code in (200, 302, 404), page
    get(client, f"/stores/count/?place={odd}&after={odd}")
