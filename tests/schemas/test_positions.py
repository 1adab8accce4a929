"""Places in a text, asked for by pointer."""

from __future__ import annotations

import pytest

from schemas.document import parse_text
from schemas.positions import Mark, PositionMap

TEXT = '{"a": {"b/c": [10, 20]},\r\n "d": 3}'
POSITIONS = parse_text(TEXT, "json")[1]


def test_marks() -> None:
    assert POSITIONS.value("/a/b~1c/1") == Mark(1, 20, 1, 22, 19, 21)
    assert POSITIONS.key("/a/b~1c") == Mark(1, 8, 1, 13, 7, 12)
    assert POSITIONS.value("/d") == Mark(2, 7, 2, 8, 32, 33)
    assert POSITIONS.value("") == Mark(1, 1, 2, 9, 0, len(TEXT))


def test_nearest_is_the_closest_ancestor_there_is() -> None:
    assert POSITIONS.nearest("/a/b~1c/7/x") == POSITIONS.value("/a/b~1c")
    assert POSITIONS.nearest("/nowhere") == POSITIONS.value("")
    assert POSITIONS.nearest_key("/a/b~1c/7") == POSITIONS.key("/a/b~1c")
    assert POSITIONS.nearest_key("/a/b~1c/1") == POSITIONS.value("/a/b~1c/1")
    assert POSITIONS.nearest_key("") == POSITIONS.value("")


def test_what_is_not_there() -> None:
    with pytest.raises(KeyError):
        POSITIONS.value("/x")
    with pytest.raises(KeyError):
        POSITIONS.key("/a/b~1c/0")
    with pytest.raises(KeyError):
        PositionMap("", {}, {}).nearest("/x")


def test_it_is_a_collection_of_pointers() -> None:
    assert list(POSITIONS) == ["", "/a", "/a/b~1c", "/a/b~1c/0", "/a/b~1c/1", "/d"]
    assert len(POSITIONS) == 6
    assert "/a" in POSITIONS
    assert "/x" not in POSITIONS


@pytest.mark.parametrize(
    ("text", "offset", "place"),
    [
        ("a\nb", 2, (2, 1)),
        ("a\r\nb", 3, (2, 1)),
        ("a\rb", 2, (2, 1)),
        ("a\n\rb", 3, (3, 1)),
        ("\n\n", 2, (3, 1)),
    ],
)
def test_line_ends(text: str, offset: int, place: tuple[int, int]) -> None:
    assert PositionMap(text, {}, {}).place(offset) == place
