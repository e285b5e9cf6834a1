"""An order from the first want to the job that goes on, on a phone, with taps alone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import DESK, PHONE, Book

pytestmark = pytest.mark.browser
LIST = "Part no;Description;Pack;1+;100+\nR-77;Fuse 2 A quick;10;0.30;0.20\n"


def test_wanted_planned_sent_received_and_on_it_goes(book: Book, open_page: Callable[..., Any], tmp_path: Path) -> None:
    number = book.job("larkmere-48")
    book.run("stores", "add", "Fuse 2 A quick", "--code", "FUSE-2A")
    (tmp_path / "list.csv").write_text(LIST, encoding="utf-8")
    book.run("prices", "import", "Reed Parts", str(tmp_path / "list.csv"), "--add")
    page = open_page(PHONE)
    page.goto("/suppliers/")
    page.get_by_role("link", name="Reed Parts").first.click()
    address = page.url.removeprefix(book.address)
    page.goto(f"{address}number/?sku=R-77")
    page.get_by_label("Code of the part in the stores").fill("FUSE-2A")
    page.get_by_role("button", name="It is this part").click()
    page.goto(f"/jobs/{number}/")
    page.get_by_text("Want a part").click()
    page.get_by_label("Or a part of the stores: its code").fill("FUSE-2A")
    page.get_by_label("Pieces").fill("3")
    page.get_by_role("button", name="Want it").click()
    page.get_by_role("link", name="Plan an order").click()
    page.get_by_role("button", name="Find the cheapest order").click()
    page.get_by_role("button", name="Make the order").wait_for(timeout=120_000)
    plan = page.url.removeprefix(book.address)
    page.get_by_role("button", name="Make the order").click()
    order = page.url.removeprefix(book.address)
    page.get_by_role("button", name="It is sent").click()
    page.goto("/")
    assert "waits for 3 parts, due" in page.get_by_role("row").filter(has_text="Larkmere").last.inner_text()
    page.get_by_role("link", name="waits for 3 parts").click()
    page.get_by_role("link", name="order").last.click()
    page.get_by_role("link", name="Receive", exact=True).last.click()
    page.get_by_label("Pieces that came").fill("12")
    page.get_by_role("button", name="Write the delivery").click()
    assert "12 came, and 10 are to come" in page.get_by_role("alert").inner_text()
    page.get_by_label("Pieces that came").fill("10")
    page.get_by_role("button", name="Write the delivery").click()
    page.get_by_role("button", name=f"Promise to job {number}").click()
    page.goto(f"/jobs/{number}/")
    assert "all is promised to it" in page.locator("#parts").inner_text()
    looks = [(size, scheme) for size in (DESK, PHONE) for scheme in ("light", "dark")]
    pages = (plan, order, f"{order}receive/?all=1", "/orders/?show=all", f"/jobs/{number}/")
    found = [each for size, scheme in looks for each in amiss(open_page(size, color_scheme=scheme), pages)]
    assert found == []


def amiss(page: Any, pages: Sequence[str]) -> list[str]:
    """What sticks out of a page, or bars somebody."""
    from axe_playwright_python.sync_playwright import Axe

    found = []
    for address in pages:
        page.goto(address)
        page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        if (wide := page.evaluate("document.documentElement.scrollWidth - window.innerWidth")) > 0:
            found.append(f"{address}: {wide} px stick out")
        for each in Axe().run(page).response["violations"]:
            where = each["nodes"][0]
            found.append(f"{address}: {each['id']}: {where['target']} {where['failureSummary'][:200]}")
    return found
