"""Lists of kits: typed, grouped, refused by line, read from a board."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from refettle.parts.board_reading import read_board
from refettle.parts.capacitor import KINDS, Rated
from refettle.parts.capacitor_text import read_capacitor
from refettle.parts.kit_list import list_of_board, read_list, words_of
from refettle.parts.kits import KitError
from tests.web.board_lists import parts_list


def test_one_line_for_each_value() -> None:
    found = read_list("""
# main board
C10, C2: 100u 25V 105C aluminium
C7: 10u 50V aluminium +1
C1: 105C 25V 100uF aluminium
DRIVE: part BELT-71
part SCREW-3 x4
""")
    assert [(w.refs, w.quantity, w.spares) for w in found] == [
        (("C1", "C2", "C10"), 3, 0),
        (("C7",), 2, 1),
        (("DRIVE",), 1, 0),
        ((), 4, 0),
    ]
    assert found[0].rated == Rated("aluminium", 100e-6, 25, 105)
    assert [w.part for w in found] == ["", "", "BELT-71", "SCREW-3"]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("C1: 100u 25V aluminium\nC1: 10u aluminium", r"line 2: C1 found, which line 1 has"),
        ("C1: hundred", r"line 1: 'hundred' found"),
        ("C1: 100u 25V", r"line 1: .*no kind found"),
        ("C1, C2: 10u film x1", r"line 1: x1 for 2 places found; allowed: at least 2"),
        ("1C: 10u film", r"line 1: places '1C' found"),
        ("# nothing", r"list: nothing found"),
    ],
)
def test_refusals_name_the_line(text: str, says: str) -> None:
    with pytest.raises(KitError, match=says):
        read_list(text)


def test_a_kind_for_lines_without_one() -> None:
    found = read_list("C1: 100u 25V\nC2: 1u film", "aluminium")
    assert [w.rated.kind for w in found if w.rated] == ["aluminium", "film"]


@given(
    st.sampled_from(KINDS),
    st.sampled_from([1e-9, 4.7e-6, 100e-6, 2200e-6]),
    st.sampled_from([None, 6.3, 25.0, 450.0]),
    st.sampled_from([None, 85.0, 105.0]),
    st.sampled_from([None, 2.5e-3, 5e-3]),
)
def test_words_are_read_back(
    kind: str, farad: float, volt: float | None, celsius: float | None, pitch: float | None
) -> None:
    rated = Rated(kind, farad, volt, celsius, pitch=pitch)  # type: ignore[arg-type]
    again = read_capacitor(words_of(rated))
    assert (again.kind, again.volt, again.celsius) == (kind, volt, celsius)
    assert again.farad == pytest.approx(farad)
    assert (again.pitch or 0) == pytest.approx(pitch or 0)


def test_a_boards_list_reads_back_whole() -> None:
    text, left_out = list_of_board(read_board(parts_list(40)))
    found = read_list(text)
    assert sum(w.quantity for w in found) + len(left_out) == 40
    assert len(found) < 40
