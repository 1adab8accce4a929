"""Text within a fixed width."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clients.layout import clean, columns, grid, table, wrap

TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=200)


def test_wrap_breaks_at_blanks_and_indents() -> None:
    assert wrap("one two three", width=9, first="- ") == ["- one two", "  three"]


def test_wrap_cuts_words_that_fit_on_no_line() -> None:
    assert wrap("abcdefgh xy", width=4) == ["abcd", "efgh", "xy"]


def test_wrap_keeps_line_breaks_and_empty_text() -> None:
    assert wrap("a\n\nb", first="> ") == ["> a", "", "  b"]
    assert wrap("", first="name:") == ["name:"]


@given(TEXTS, st.integers(8, 80), st.integers(0, 6))
def test_wrap_never_exceeds_the_width_and_loses_no_character(text: str, width: int, indent: int) -> None:
    lines = wrap(text, width, first=" " * indent)
    assert max(map(columns, lines)) <= width
    shown = clean(text.replace("\t", " ").replace("\n", " "))
    assert "".join("".join(lines).split()) == "".join(shown.split())


@given(st.lists(st.lists(TEXTS, min_size=1, max_size=5), min_size=1, max_size=4), st.integers(20, 80))
def test_tables_stay_within_the_width(rows: list[list[str]], width: int) -> None:
    assert all(columns(line) <= width for line in table(rows, width=width, indent="  "))


@given(st.lists(st.tuples(TEXTS, TEXTS), max_size=9), st.integers(20, 80))
def test_grids_stay_within_the_width(items: list[tuple[str, str]], width: int) -> None:
    assert all(columns(line) <= width for line in grid(items, width=width, indent="  "))


def test_table_aligns_and_wraps_only_the_widest_column() -> None:
    rows = [["R1", "4.7 kohm", "a long remark that wraps"], ["R10", "100 ohm", "short"]]
    assert table(rows, align=("<", ">"), width=32) == [
        "R1   4.7 kohm  a long remark",
        "               that wraps",
        "R10   100 ohm  short",
    ]


def test_grid_fills_downwards() -> None:
    items = [("a", "1 V"), ("b", "2 V"), ("c", "10 V"), ("d", "0 V"), ("e", "5 V")]
    assert grid(items, width=22) == ["a   1 V   d   0 V", "b   2 V   e   5 V", "c  10 V"]


@pytest.mark.parametrize(("text", "shown"), [
    ("plain", "plain"),
    ("\x1b[31mred", "\\x1b[31mred"),
    ("bell\x07", "bell\\x07"),
    ("\u202eflip", "\\u202eflip"),
    ("Brücke", "Brücke"),
])
def test_control_characters_cannot_steer_a_terminal(text: str, shown: str) -> None:
    assert clean(text) == shown


def test_wide_characters_count_twice_and_combining_ones_not() -> None:
    assert columns("魚") == 2
    assert columns("e\u0301") == 1
