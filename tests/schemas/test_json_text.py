"""The JSON reader takes just what RFC 8259 allows, and gives the data of the standard library."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.document import parse_text
from schemas.positions import PositionMap
from schemas.problems import DocumentProblems, escape
from tests.schemas.corpus import GOOD_JSON

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
)
DATA = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"]), max_size=6), inner, max_size=4)
    ),
    max_leaves=12,
)


def strict(text: str) -> Any:
    """The standard library's reader, made to refuse what it lets pass by default."""

    def constant(word: str) -> Any:
        raise ValueError(word)

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len(dict(pairs)) != len(pairs):
            raise ValueError("a name stands twice")
        return dict(pairs)

    return json.loads(text, parse_constant=constant, object_pairs_hook=members)


def every(data: Any, pointer: str = "") -> list[tuple[str, Any]]:
    """All values of plain data with their pointers, by a walk of its own."""
    found = [(pointer, data)]
    if isinstance(data, dict):
        for key, value in data.items():
            found += every(value, f"{pointer}/{escape(key)}")
    elif isinstance(data, list):
        for index, value in enumerate(data):
            found += every(value, f"{pointer}/{index}")
    return found


def check_places(text: str, data: Any, positions: PositionMap) -> None:
    values = every(data)
    assert list(positions) == [pointer for pointer, _ in values]
    lines = text.split("\n")
    for pointer, value in values:
        mark = positions.value(pointer)
        assert strict(text[mark.start : mark.end]) == value
        assert text[mark.start : mark.end].strip() == text[mark.start : mark.end]
        offset = sum(len(line) + 1 for line in lines[: mark.line - 1]) + mark.column - 1
        assert offset == mark.start
        parent, _, token = pointer.rpartition("/")
        if parent in dict(values) and isinstance(dict(values)[parent], dict) and pointer:
            key = positions.key(pointer)
            assert escape(strict(text[key.start : key.end])) == token
            assert key.end < mark.start


@given(DATA, st.sampled_from([None, 0, 1, 3]), st.booleans())
def test_data_and_places(data: Any, indent: int | None, ascii_only: bool) -> None:
    text = json.dumps(data, indent=indent, ensure_ascii=ascii_only)
    read, positions = parse_text(text, "json")
    assert read == data
    assert json.dumps(read) == json.dumps(data)  # tells 1 from 1.0 and True, and keeps the order
    check_places(text, data, positions)


def test_the_good_document() -> None:
    data, positions = parse_text(GOOD_JSON, "json")
    check_places(GOOD_JSON, data, positions)


SMALL = '{"a": [1, -2.5e3, true], "b": {"c": "x\\u0041\\n", "d/e": null}, "~": ""}'


@given(
    st.integers(0, len(SMALL)),
    st.integers(0, 2),
    st.sampled_from([*'{}[],:"\\ \n01.-eEtnN/x\u00e9', "\ud800"]),
)
def test_damaged_text_is_taken_just_where_the_standard_takes_it(at: int, cut: int, put: str) -> None:
    text = SMALL[:at] + put + SMALL[at + cut :]
    try:
        expected = strict(text)
        taken = True
    except ValueError:
        taken = False
    try:
        data, positions = parse_text(text, "json")
    except DocumentProblems as refused:
        said = str(refused)
        places = [p.line or 0 for p in refused.problems]
    else:
        assert taken
        assert data == expected
        check_places(text, data, positions)
        return
    assert not taken or any(word in said for word in ("surrogate", "too small", "too large"))
    assert all(1 <= line <= text.count("\n") + 1 for line in places)


@pytest.mark.parametrize("blank", ["\u00a0", "\ufeff", "\u2028", "\x0c", "\x0b", "\u3000"])
def test_only_the_four_blanks_of_the_standard_separate(blank: str) -> None:
    # RFC 8259, section 2: space, horizontal tab, line feed, carriage return
    with pytest.raises(DocumentProblems, match=r"a value is expected|holds a byte order mark"):
        parse_text(f'{blank}{{"a": 1}}', "json")
    assert parse_text('\r\n\t {"a": 1}', "json")[0] == {"a": 1}


def test_a_repeated_member_keeps_the_first_and_both_are_read_over() -> None:
    text = '{"a": {"b": 1}, "a": {"c": [NaN]}, "d": 2}'
    with pytest.raises(DocumentProblems) as caught:
        parse_text(text, "json")
    assert [(p.pointer, p.column) for p in caught.value.problems] == [("/a", 17), ("/a/c/0", 29)]
    assert not caught.value.malformed


def test_surrogate_pairs_are_one_character() -> None:
    assert parse_text('["\\ud83d\\ude00"]', "json")[0] == ["\U0001f600"]
