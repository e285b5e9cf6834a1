"""Pages of kits: from a typed list to a sold kit; what is wrong is said and written where it must be."""

from __future__ import annotations

import re
from typing import Any

import pytest
from django.test import Client

from refettle.book import kits, kits_batch, kits_check
from refettle.book.models_kits import Kit, KitBatch, KitVersion
from refettle.book.models_stores import Lot, Part
from refettle.book.store import append, open_job
from refettle.knowledge.loading import load_shipped_type
from tests.book.kits_bench import ADA, BO, codes, fill_all, kit_of_three, make, part

pytestmark = pytest.mark.django_db
LIST = "C1, C4: 100u 25V 105C aluminium\nC7: 10u 50V aluminium +1\n"
HEAD = {
    "slug": "larkmere-48",
    "name": "Larkmere capacitors",
    "revision": "C",
    "minutes": "5",
    "fee": "1,2",
    "margin": "30",
}


def text(response: Any) -> str:
    inside = re.sub(r"</?(?:strong|a|b)\b[^>]*>", "", response.content.decode())
    return " ".join(re.sub(r"<[^>]+>", " ", inside).replace("\u202f", " ").replace("\u2009", " ").split())


def post(client: Client, address: str, **form: Any) -> Any:
    return client.post(address, form)


def test_before_the_first_kit_the_page_says_what_to_do(client: Client) -> None:
    assert "First make a list" in text(client.get("/kits/"))


def test_a_typed_list_becomes_a_version(client: Client) -> None:
    kit_of_three()
    part("LOW", 100e-6, 10.0)
    seen = post(client, "/kits/new/", action="match", list=LIST, **HEAD)
    assert seen.status_code == 200
    page = seen.content.decode()
    assert re.search(r'value="E100" selected', page)
    assert re.search(r'value="LOW"[^>]*disabled', page)
    rows = dict(re.findall(r'name="(wanted-\d)" value="([^"]+)"', page))
    form = {**HEAD, **rows, "part-1": "E100", "quantity-1": "2", "refs-1": "C1, C4"}
    form |= {"part-2": "E10", "quantity-2": "2", "spares-2": "1", "refs-2": "C7", "alternates-2": "E10B"}
    refused = post(client, "/kits/new/", action="write", **{**form, "part-1": "LOW"})
    assert refused.status_code == 422
    assert "line 1: LOW found for 100µF 25V 105C aluminium, refused" in text(refused)
    done = post(client, "/kits/new/", action="write", **form)
    version = KitVersion.objects.get(revision="C")
    assert done.url == f"/kits/{version.pk}/"
    assert [(x.part.code, x.quantity, x.spares, x.alternates) for x in version.lines.all()] == [
        ("E100", 2, 0, []),
        ("E10", 2, 1, ["E10B"]),
    ]
    assert version.margin == pytest.approx(0.3)


def test_a_wrong_line_keeps_what_was_typed(client: Client) -> None:
    seen = post(client, "/kits/new/", action="match", list="C1: nonsense", **HEAD)
    assert seen.status_code == 422
    assert "line 1" in text(seen)
    assert "C1: nonsense" in seen.content.decode()


def test_a_list_from_a_job(client: Client) -> None:
    job = open_job(load_shipped_type("larkmere-48"))
    append(job, {"kind": "capacitor", "ref": "C9", "value": "47u 16V 85C aluminium"}, ADA)
    page = client.get(f"/kits/new/?job={job.number}").content.decode()
    assert "C9: 47µF 16V 85C aluminium" in page
    empty = open_job(load_shipped_type("larkmere-48"))
    assert "has no capacitor listed" in text(client.get(f"/kits/new/?job={empty.number}"))


def test_the_next_version_shows_what_changed(client: Client) -> None:
    old = kit_of_three()
    page = client.get(f"/kits/new/?from={old.pk}").content.decode()
    form = dict(re.findall(r'<input[^>]* name="([a-z]+-\d)"[^>]* value="([^"]*)"', page))
    assert form["quantity-1"] == "2"
    form = {name: value for name, value in form.items() if not name.startswith("leave-")}
    form |= {"part-1": "E100", "part-2": "E10", "part-3": "F1", "quantity-1": "3", "leave-3": "yes"}
    post(client, "/kits/new/", action="write", **{**HEAD, "revision": "B", "region": "Europe"}, **form)
    new = KitVersion.objects.get(number=2)
    seen = text(client.get(f"/kits/{new.pk}/"))
    assert "C1, C4: pieces 2 is now 3" in seen
    assert "gone: 3 × F1" in seen
    assert "There is version 2" in text(client.get(f"/kits/{old.pk}/"))


def test_a_batch_over_what_can_be_made(client: Client) -> None:
    version = kit_of_three()
    seen = post(client, f"/kits/{version.pk}/", action="begin", count="12", who=ADA)
    assert seen.status_code == 422
    assert "at most 10, line 3 limits; 12 need 6 more of F1" in text(seen)
    post(client, f"/kits/{version.pk}/", action="begin", count="12", who=ADA, fewer="yes")
    assert KitBatch.objects.get().count == 10


def test_the_page_does_not_say_what_will_be_counted(client: Client) -> None:
    batch = kits_batch.begin(kit_of_three(), 7, who=ADA)
    page = text(client.get(f"/kits/batch/{batch.pk}/"))
    assert "2 into each bag, 7 bags" in page
    wrong = post(client, f"/kits/batch/{batch.pk}/", action="fill", line="1", counted="13", who=ADA)
    assert wrong.status_code == 422
    assert "Counted 13, and 14 belong in: 1 too few. Written as a mistake" in text(wrong)
    assert batch.steps.get().kind == "mistake"
    post(client, f"/kits/batch/{batch.pk}/", action="fill", line="1", counted="14", who=ADA)
    assert Part.objects.get(code="E100").on_hand == 26


def test_a_mistake_of_the_second_check_stays_written(client: Client) -> None:
    batch = kits_batch.begin(kit_of_three(), 2, who=ADA)
    fill_all(batch)
    here = f"/kits/batch/{batch.pk}/"
    wrong = post(client, here, action="codes", kit="1", codes=" ".join(codes(batch)[:2]), who=BO)
    assert wrong.status_code == 422
    assert f"missing: B{batch.pk}-3. Written as a mistake" in text(wrong)
    assert batch.steps.filter(kind="mistake").count() == 1
    assert not Kit.objects.exists()
    right = post(client, here, action="codes", kit="1", codes="\n".join(codes(batch)).lower(), who=BO)
    assert right.status_code == 302
    assert Kit.objects.get().state == "ready"
    seen = text(client.get(f"{here}?who={ADA}"))
    assert "Ada filled bags of this batch as well. That is allowed" in seen


def test_where_the_weight_proves_nothing_the_page_asks_for_codes(client: Client) -> None:
    batch = kits_batch.begin(kit_of_three(), 1, who=ADA)
    fill_all(batch)
    coarse = {"resolution": "0.5", "spread": "0.2", "gram": "4,4", "who": BO}
    refused = post(client, f"/kits/batch/{batch.pk}/", action="weigh", kit="1", by="weight", **coarse)
    assert refused.status_code == 422
    assert not batch.steps.filter(kind="mistake").exists()
    seen = text(refused)
    assert "The weight proves nothing here: half of the lightest part is 0.15 g" in seen
    fine = {"resolution": "0.01", "spread": "0.005", "part_spread": "1", "lot_spread": "0.2", "tare": "1"}
    seen = post(client, f"/kits/batch/{batch.pk}/", action="weigh", kit="1", by="weight", gram="4,41", who=BO, **fine)
    assert seen.status_code == 302
    assert Kit.objects.get().state == "ready"
    assert kits_check.last_scale(batch).spread == 0.005


def test_sold_recalled_taken_apart(client: Client) -> None:
    made = make(kit_of_three(a=10, c=15), 5)
    here = f"/kits/find/{made[0].code}/"
    post(client, here, action="sell", to="Tobias Rook", price="9,5")
    again = post(client, here, action="sell", to="Ines Aldane", price="9,5")
    assert "is sold; allowed: ready" in text(again)
    lot = Lot.objects.get(code="2501")
    page = text(client.get(f"/kits/lot/{lot.pk}/"))
    assert "Sold: tell the buyers" in page
    assert "Tobias Rook" in page
    post(client, f"/kits/lot/{lot.pk}/", why="leaks")
    assert Kit.objects.filter(state="recalled").count() == 2
    assert "Recalled: not to be sold" in text(client.get("/kits/"))
    post(client, f"/kits/find/{made[1].code}/", action="apart", lot=str(lot.pk), note="recall")
    lot.refresh_from_db()
    assert (lot.on_hand, lot.quarantined) == (0, 2)


def test_used_in_a_job(client: Client) -> None:
    kit = make(kit_of_three(), 1)[0]
    job = open_job(load_shipped_type("larkmere-48"))
    here = f"/kits/find/{kit.code}/"
    assert f'value="{job.number}"' in client.get(here).content.decode()
    post(client, here, action="use", job=str(job.number))
    assert "Used in job 1" in text(client.get(here))
    assert f"{kit.code} for C1, C4, C7, C8, C9" in text(client.get(f"/jobs/{job.number}/"))


def test_codes_lead_where_they_belong(client: Client) -> None:
    batch = kits_batch.begin(kit_of_three(), 2, who=ADA)
    for code in (f"K{batch.pk}-1", f"b{batch.pk}-2"):
        assert client.get(f"/kits/find/{code}/").url == f"/kits/batch/{batch.pk}/"
    assert client.get("/kits/find/", {"code": "http://x/kits/find/K3-1/"}).url == "/kits/find/K3-1/"
    assert client.get("/kits/find/K999-1/").status_code == 404


def test_labels_and_sheet_carry_value_places_codes_and_cautions(client: Client) -> None:
    kit = make(kit_of_three(), 2)[0]
    bags = text(client.get(f"/kits/batch/{kit.batch_id}/labels/?what=bags"))
    for each in ("100 µF 25 V 105 °C", "2 × E100: C1, C4", "stripe or dark half to minus", "lot 2501", "Ada, 20"):
        assert each.lower() in bags.lower()
    assert bags.count(f"B{kit.batch_id}-2") == 2
    labels = client.get(f"/kits/batch/{kit.batch_id}/labels/")
    assert labels.content.count(b"<svg") >= 2
    # the shipped Larkmere 48 has its own mains supply: a label without that word would be a danger
    assert "Mains voltage inside: for a competent person" in text(labels)
    sheet = text(client.get(f"/kits/{kit.batch.version_id}/sheet/?kit={kit.code}"))
    for each in ("For a competent person only", "Mains voltage", "Bursting parts", "Solder fume", "1 spare", kit.code):
        assert each in sheet


def test_wishes(client: Client) -> None:
    version = kit_of_three()
    here = f"/kits/{version.pk}/"
    assert post(client, here, action="wish", count="3", by="31-12").status_code == 422
    post(client, here, action="wish", count="3", by="2031-12-24")
    assert "3 wished for" in text(client.get(here))
    wished = kits.open_wishes(version).get()
    post(client, here, action="close", wish=str(wished.pk))
    assert kits.needs() == {}
