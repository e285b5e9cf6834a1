"""The pages of suppliers: a list is looked at, taken in, compared, linked; refusals keep what was typed."""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from refettle.book.models_prices import Offer, PriceList, Sold, Supplier
from refettle.book.models_stores import Part
from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db

FIRST = "Part no;Description;Stock;1+;100+\nT-1;Electrolytic 100 µF 25 V;50;0,25;0,19\nT-2;Film 100 nF 63 V;;0,15;\n"
SECOND = "Part no;Description;Stock;1+;100+\nT-1;Electrolytic 100 µF 25 V;50;0,30;0,19\nT-3;Fuse 2 A;;0,40;\n"


@pytest.fixture
def tarn() -> Supplier:
    return Supplier.objects.create(name="Tarn Components", currency="EUR")


def upload(client: Client, supplier: Supplier, text: str | bytes, name: str = "tarn.csv") -> str:
    """Send a file; gives the address of its preview."""
    data = text.encode() if isinstance(text, str) else text
    sent = {"action": "upload", "file": SimpleUploadedFile(name, data)}
    answer = client.post(f"/suppliers/{supplier.pk}/import/", sent)
    assert answer.status_code == 302, text_of(answer.content.decode())
    return answer["Location"]


def take(client: Client, address: str, **changed: str) -> Any:
    """Say yes to a preview, as its form would."""
    answer = client.get(address)
    context = answer.context
    sent = {
        "action": "take",
        "file": context["sha256"],
        "name": context["name"],
        "columns": context["columns_json"],
        "valid_from": context["valid_from"],
        **changed,
    }
    return client.post(urlsplit(address).path, sent)


def test_a_supplier_is_written_down_and_teaches_what_comes_next(client: Client) -> None:
    assert "Nobody to buy from yet" in text_of(get(client, "/suppliers/"))
    answer = client.post("/suppliers/", {"name": "Tarn Components", "currency": "eur", "shipping": "4,90"})
    made = Supplier.objects.get()
    assert answer["Location"] == f"/suppliers/{made.pk}/import/"
    assert (made.currency, str(made.shipping), made.free_from) == ("EUR", "4.90", None)
    assert "No list of Tarn Components is in the book yet" in text_of(get(client, f"/suppliers/{made.pk}/"))


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"name": ""}, "name: 0 letters found; allowed: 1 to 120"),
        ({"currency": "EURO"}, "currency: 'EURO' found; allowed: three letters of ISO 4217"),
        ({"shipping": "-1"}, "shipping: '-1' found; allowed: an amount from 0"),
        ({"lead_days": "soon"}, "lead days: 'soon' found; allowed: a whole number"),
    ],
)
def test_terms_that_cannot_be_are_refused_and_kept_in_the_form(
    client: Client, typed: dict[str, str], says: str
) -> None:
    answer = client.post("/suppliers/", {"name": "Tarn", "currency": "EUR", "note": "rings back", **typed})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert says in text_of(page)
    assert "rings back" in page
    assert not Supplier.objects.exists()


def test_a_list_is_looked_at_before_it_is_taken(client: Client, tarn: Supplier) -> None:
    address = upload(client, tarn, FIRST)
    page = text_of(get(client, address))
    assert "2 numbers understood" in page
    assert "1: 0.25 EUR" in page
    assert "100: 0.19 EUR" in page
    assert not PriceList.objects.exists()  # looking takes nothing in
    assert take(client, address)["Location"] == f"/suppliers/{tarn.pk}/"
    assert Offer.objects.get(sku="T-1").breaks == [[1, "0.25"], [100, "0.19"]]
    assert client.get(f"/suppliers/{tarn.pk}/lists/{PriceList.objects.get().pk}/file/").content == FIRST.encode()


def test_the_next_list_says_what_it_changed(client: Client, tarn: Supplier) -> None:
    take(client, upload(client, tarn, FIRST), valid_from="2026-01-01")
    take(client, upload(client, tarn, SECOND), valid_from="2026-06-01")
    page = text_of(get(client, f"/suppliers/{tarn.pk}/"))
    assert "1 dearer, 0 cheaper, 1 gone, 1 new, 0 the same" in page
    assert "+20 %" in page
    number = get(client, f"/suppliers/{tarn.pk}/number/?sku=T-1")
    assert "from 0.25 EUR in 2026-01-01 to 0.30, 20 % up" in number
    assert "not in the newest list" in text_of(get(client, f"/suppliers/{tarn.pk}/number/?sku=T-2"))
    assert list(Offer.objects.filter(sku="T-1").values_list("current", flat=True)) == [False, True]


def test_a_column_said_to_be_another_is_read_so(client: Client, tarn: Supplier) -> None:
    address = upload(client, tarn, "sku;text;a;b\nT-1;Fuse;0.25;0.75\n")
    query = {k: v[0] for k, v in parse_qs(urlsplit(address).query).items()}
    said = {**query, "said": "1", "header": "1", "c1": "sku", "c2": "name", "c3": "", "c4": "step", "f4": "10"}
    answer = client.get(urlsplit(address).path, said)
    (offer,) = answer.context["read"].offers
    assert [(n, str(p)) for n, p in offer.breaks] == [(10, "0.75")]
    assert offer.least == 10
    wrong = client.get(urlsplit(address).path, {**said, "c1": "price", "c4": "price"})
    assert wrong.status_code == 422
    assert "no column is said to be the supplier's number" in text_of(wrong.content.decode())


def test_what_is_no_list_is_refused_with_the_reason(client: Client, tarn: Supplier) -> None:
    sent = {"action": "upload", "file": SimpleUploadedFile("list.pdf", b"%PDF-1.4 ...")}
    answer = client.post(f"/suppliers/{tarn.pk}/import/", sent)
    assert answer.status_code == 422
    assert "a PDF found; allowed: CSV or XLSX" in text_of(answer.content.decode())
    nothing = client.post(f"/suppliers/{tarn.pk}/import/", {"action": "upload"})
    assert "file: nothing found" in text_of(nothing.content.decode())
    get(client, f"/suppliers/{tarn.pk}/import/?file={'0' * 64}", 422)


def test_the_same_list_and_another_currency_are_refused_on_the_page(client: Client, tarn: Supplier) -> None:
    address = upload(client, tarn, FIRST)
    take(client, address, valid_from="2026-01-01")
    again = take(client, address, valid_from="2026-01-01")
    assert again.status_code == 422
    assert "once more" in text_of(again.content.decode())
    other = take(client, upload(client, tarn, "sku;price USD\nT-1;0.5\n"))
    assert "a list in USD found; allowed: EUR" in text_of(other.content.decode())
    assert PriceList.objects.count() == 1


def test_numbers_are_linked_only_by_a_tick(client: Client, tarn: Supplier) -> None:
    cap = Part.objects.create(code="E-100-25", name="Electrolytic", kind="aluminium", unit="F", amount=100e-6, volt=25)
    Part.objects.create(code="E-100-50", name="Electrolytic", kind="aluminium", unit="F", amount=100e-6, volt=50)
    take(client, upload(client, tarn, FIRST))
    page = get(client, f"/suppliers/{tarn.pk}/parts/")
    assert f'value="{cap.pk} T-1"' in page
    assert "checked" not in page
    assert "E-100-50" not in page
    assert not Sold.objects.exists()
    assert client.post(f"/suppliers/{tarn.pk}/parts/", {}).status_code == 422
    client.post(f"/suppliers/{tarn.pk}/parts/", {"link": f"{cap.pk} T-1"})
    assert Sold.objects.get().part == cap
    client.post(f"/suppliers/{tarn.pk}/number/?sku=T-1", {"action": "unlink", "sku": "T-1"})
    assert Sold.objects.get().ended is not None  # that it was said is kept
    wrong = client.post(f"/suppliers/{tarn.pk}/number/?sku=T-1", {"action": "link", "sku": "T-1", "part": "X"})
    assert wrong.status_code == 422


def test_prices_go_out_with_no_formula_in_them(client: Client, tarn: Supplier) -> None:
    take(client, upload(client, tarn, "Part no;Description;Price\n=1+1;@SUM(A1);0.5\n-5;+x;0.25\n"))
    text = client.get(f"/suppliers/{tarn.pk}/prices.csv").content.decode("utf-8-sig")
    assert "'=1+1;'@SUM(A1);" in text
    assert "'-5;'+x;" in text
