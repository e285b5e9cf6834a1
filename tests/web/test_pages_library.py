"""Unit types, block kinds, cautions, help, and what is not there."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.test import Client

from refettle.knowledge.loading import load_library, shipped_types
from tests.web.pages import get, text_of

pytestmark = pytest.mark.django_db


def test_types(client: Client) -> None:
    page = get(client, "/types/")
    for slug in shipped_types():
        assert f"/types/{slug}/" in page


@pytest.mark.parametrize("slug", list(shipped_types()))
def test_a_type(client: Client, slug: str) -> None:
    page = text_of(get(client, f"/types/{slug}/"))
    for words in ("Power-on", "Points to look at", "Blocks", "Acceptance"):
        assert words in page


def test_the_file_of_a_type(client: Client) -> None:
    response = client.get("/types/larkmere-48/file/")
    assert response.content == shipped_types()["larkmere-48"].read_bytes()


def test_a_file_of_any_name(client: Client, own_folders: Path) -> None:
    text = shipped_types()["larkmere-48"].read_text(encoding="utf-8")
    (own_folders / "types" / "my köchin, 48.yaml").write_text(text, encoding="utf-8")
    assert "/types/my%20k%C3%B6chin,%2048/" in get(client, "/types/")
    for page in ("/types/{}/", "/types/{}/file/", "/take-in/{}/"):
        assert client.get(page.format("my köchin, 48")).status_code == 200, page


def test_a_file_with_mistakes_is_listed_with_them(client: Client, own_folders: Path) -> None:
    (own_folders / "types" / "broken.yaml").write_text("unit_type: Broken\nblocks: 3\n", encoding="utf-8")
    page = text_of(get(client, "/types/"))
    assert "Its file cannot be used" in page
    assert "broken.yaml:2" in page
    assert "broken.yaml:2" in text_of(get(client, "/types/broken/", 404))


def test_kinds(client: Client) -> None:
    page = get(client, "/kinds/")
    for kind in load_library().kinds:
        assert f"/kinds/{kind}/" in page


@pytest.mark.parametrize("kind", list(load_library().kinds))
def test_a_kind_stands_with_its_cautions(client: Client, kind: str) -> None:
    library = load_library()
    page = text_of(get(client, f"/kinds/{kind}/"))
    found = library.kinds[kind]
    for step in (*found.checks.values(), *found.repairs.values()):
        for caution in step.cautions:
            assert " ".join(library.cautions[caution].hazard.split()) in page
    assert "estimate" in page


def test_cautions(client: Client) -> None:
    page = text_of(get(client, "/cautions/"))
    for caution in load_library().cautions.values():
        assert caution.name in page
        assert " ".join(caution.defer.split()) in page


def test_help(client: Client) -> None:
    assert "How suspicion is worked out" in get(client, "/help/")


@pytest.mark.parametrize(
    "address", ["/nothing/", "/types/../", "/types/nothing/", "/kinds/nothing/", "/jobs/0/", "/jobs/7/"]
)
def test_what_is_not_there(client: Client, address: str) -> None:
    assert "To the bench" in get(client, address, 404)


@pytest.mark.parametrize("address", ["/", "/types/", "/kinds/", "/cautions/", "/help/", "/take-in/"])
def test_reading_pages_take_no_post(client: Client, address: str) -> None:
    assert client.post(address).status_code == 405


def test_a_fault_of_our_own_is_told(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from refettle.web.views import library

    def fail() -> None:
        raise RuntimeError("told in the terminal only")

    monkeypatch.setattr(library, "listed_types", fail)
    client.raise_request_exception = False
    page = get(client, "/types/", 500)
    assert "A fault of the bench book" in page
    assert "told in the terminal only" not in page
