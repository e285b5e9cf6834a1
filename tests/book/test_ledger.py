"""One out, one in, the right way round; and nothing left over at the end."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.book.ledger import Ledger, ledger, refuse
from refettle.book.log import LogError, check_entry, effective


def log(*contents: dict[str, Any]) -> list[dict[str, Any]]:
    return [
        {"n": n, "at": "2031-03-02T10:00:00+00:00", "who": "", **check_entry(content)}
        for n, content in enumerate(contents, start=1)
    ]


def book(*contents: dict[str, Any]) -> Ledger:
    return ledger(effective(log(*contents)))


def out(ref: str, minus: str = "left", **more: Any) -> dict[str, Any]:
    return {
        "kind": "part-out",
        "ref": ref,
        "value": "100u 25V",
        "fitted": minus,
        "printed": minus,
        "by_net": minus,
        **more,
    }


def put(ref: str, minus: str = "left") -> dict[str, Any]:
    return {"kind": "part-in", "ref": ref, "value": "100u 35V", "minus": minus}


def off(item: str, count: int = 1, **more: Any) -> dict[str, Any]:
    return {"kind": "off", "item": item, "what": "screw", "count": count, **more}


def test_a_reversed_part_is_stopped() -> None:
    with pytest.raises(LogError, match="minus: 'right' found; allowed: 'left'"):
        refuse(book(out("C1")), put("C1", "right"))
    refuse(book(out("C1")), put("C1", "left"))


def test_three_signs_that_disagree_stop_until_it_is_shown_which_is_right() -> None:
    odd = out("C1") | {"printed": "right"}
    with pytest.raises(LogError, match=r"three that do not agree found .*printed: right"):
        refuse(book(), odd)
    settled = odd | {"minus": "right", "resolved": "left pad is 5 V above the right one, by meter"}
    refuse(book(), settled)
    with pytest.raises(LogError, match="allowed: 'right'"):
        refuse(book(settled), put("C1", "left"))


def test_one_out_one_in() -> None:
    with pytest.raises(LogError, match="C2 found while C1 is out"):
        refuse(book(out("C1")), out("C2"))
    refuse(book(out("C1")), out("C2", others_out="C1 sits under it"))
    with pytest.raises(LogError, match=r"C2 found, which is not out; allowed: a part that is out .C1"):
        refuse(book(out("C1")), put("C2"))
    assert [p.ref for p in book(out("C1"), put("C1"), out("C2")).out_now] == ["C2"]


def test_nothing_left_over_before_proving_without_a_reason() -> None:
    stage = {"kind": "stage", "stage": "proving"}
    left = book(off("lid", 4, length_mm=12), {"kind": "back", "item": "lid", "count": 3}, out("C9"))
    with pytest.raises(LogError, match="C9 is out; lid: 1 of 4 still off"):
        refuse(left, stage)
    refuse(left, stage | {"why": "screw lost, new one ordered; C9 waits for its part"})
    done = book(off("lid", 4), {"kind": "back", "item": "lid", "count": 4}, out("C9"), put("C9"))
    refuse(done, stage)
    written = book(off("foot"), {"kind": "left-off", "item": "foot", "why": "crumbled, owner told"})
    refuse(written, stage)


def test_more_back_than_came_off_is_refused() -> None:
    with pytest.raises(LogError, match="count: 3 found for 'lid'; allowed: at most 2"):
        refuse(book(off("lid", 2)), {"kind": "back", "item": "lid", "count": 3})
    with pytest.raises(LogError, match="item: 'shield' found; allowed: lid"):
        refuse(book(off("lid", 2)), {"kind": "back", "item": "shield"})


def test_a_voided_entry_was_never_made() -> None:
    entries = log(off("lid", 2), {"kind": "back", "item": "lid", "count": 2})
    entries.append({"n": 3, "at": entries[0]["at"], "who": "", "kind": "correction", "corrects": 2, "with": None})
    assert ledger(effective(entries)).left_over() == "lid: 2 of 2 still off"


@given(st.lists(st.tuples(st.sampled_from("abc"), st.booleans(), st.integers(1, 4)), max_size=30))
def test_what_is_off_is_what_came_off_less_what_went_back(moves: list[tuple[str, bool, int]]) -> None:
    written: list[dict[str, Any]] = []
    balance: dict[str, int] = {}
    for item, away, count in moves:
        entry = off(item, count) if away else {"kind": "back", "item": item, "count": count}
        if not away and balance.get(item, 0) < count:
            with pytest.raises(LogError):
                refuse(book(*written), entry)
            continue
        refuse(book(*written), entry)
        written.append(entry)
        balance[item] = balance.get(item, 0) + (count if away else -count)
    lines = book(*written).lines
    assert {item: line.missing for item, line in lines.items()} == balance


def test_another_part_than_the_one_that_came_out_is_stopped() -> None:
    came_out = book(out("C1", value="100u 25V"))
    with pytest.raises(LogError, match=r"value: '100u 6.3V' found for C1, where 100u 25V came out"):
        refuse(came_out, put("C1") | {"value": "100u 6.3V"})
    with pytest.raises(LogError, match=r"value: '10u 25V' found for C1"):
        refuse(came_out, put("C1") | {"value": "10u 25V"})
    refuse(came_out, put("C1") | {"value": "100u 35V 105C"})
    refuse(came_out, put("C1") | {"value": "47u 25V", "why": "agreed with the owner, filter only"})
