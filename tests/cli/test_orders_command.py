"""refettle orders: from what is needed to what came, with clear refusals."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from refettle.book import stores
from refettle.book.models_orders import Order, OrderPlan
from refettle.book.store import open_job
from refettle.book.stores_facts import on_order
from refettle.cli import orders as command
from refettle.cli.main import main
from refettle.knowledge.loading import load_shipped_type
from tests.book.orders_made import part, sells, supplier, wanted

pytestmark = pytest.mark.django_db
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    monkeypatch.setattr(command, "open_book", lambda: None)

    def act(*words: str) -> tuple[int, str, str]:
        status = main(["orders", *words])
        out, err = capsys.readouterr()
        return status, out, err

    return act


@pytest.fixture
def fuse() -> Any:
    made = part("FUSE")
    sells(supplier(), FUSE="Fuse 1 A;10;0.20;0.15")
    wanted(open_job(load_shipped_type("larkmere-48")), "FUSE", 12)
    return made


def test_from_what_is_needed_to_what_came(run: Run, fuse: Any) -> None:
    assert "job:1:1" in run("plan", "--needs")[1]
    status, out, _ = run("plan")
    assert status == 0
    assert "Proven cheapest" in out
    assert "8 spare; sold in packs of 10" in out
    assert "job 1: 8.90" in out
    plan = OrderPlan.objects.get().pk
    assert json.loads(run("plan", str(plan), "--json")[1])["moved"] == []
    assert run("make", str(plan))[1] == "Order 1: Tarn Components, not sent yet.\n"
    assert run("show", "1", "--csv")[1].splitlines()[1].startswith("1,T-FUSE,Fuse 1 A,2,10,20")
    assert "is sent, due" in run("send", "1")[1]
    assert run("receive", "1", "T-FUSE=8,lot=3114,price=0.25")[1].splitlines() == [
        "8 received of order 1.",
        "T-FUSE: 0.25 EUR paid for one, 0.2 as ordered: 0.40 more EUR for 8.",
    ]
    assert "partly here" in run("list")[1]
    assert run("cancel", "1", "--line", "T-FUSE", "--why", "sold out")[1].startswith("12 pieces")
    assert on_order() == {}
    assert run("list")[1] == "No orders to come.\n"
    assert json.loads(run("list", "--all", "--json")[1])[0]["state"] == "closed"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["make", "9"], "plan: 9 found; allowed: one of none yet"),
        (["show", "9"], "order: 9 found"),
        (["plan", "--rate", "GBP"], "--rate: 'GBP' found"),
        (["plan", "--at-most", "0"], "at_most_suppliers: found 0"),
    ],
)
def test_refused_in_one_clear_line(run: Run, fuse: Any, words: list[str], said: str) -> None:
    status, _, err = run(*words)
    assert status == 2
    assert said in err
    assert err.count("\n") == 1


def test_what_came_is_typed_clearly(run: Run, fuse: Any) -> None:
    run("plan")
    run("make", str(OrderPlan.objects.get().pk))
    run("send", "1")
    for words, said in (("T-FUSE", "allowed: a number of order 1"), ("T-FUSE=x", "'x' pieces found"),
                        ("T-FUSE=1,lotto=2", "'lotto=2' found"), ("T-FUSE=30", "are to come")):  # fmt: skip
        status, _, err = run("receive", "1", words)
        assert status == 2
        assert said in err
    assert run("receive", "1", "T-FUSE=30", "--over")[0] == 0
    assert Order.objects.get().closed is not None


def test_what_stays_short_is_exit_status_1(run: Run) -> None:
    part("LAMP")
    assert run("plan")[0] == 0
    wanted(open_job(load_shipped_type("larkmere-48")), "LAMP", 1)
    status, out, _ = run("plan")
    assert status == 1
    assert "obody offers LAMP" in out
    stores.receive(stores.find_part("LAMP"), 1, who="Ada")
    assert run("plan")[0] == 0
