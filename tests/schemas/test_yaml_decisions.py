"""Where YAML leaves a choice, or 1.1 and 1.2 part: what this reader does."""

from __future__ import annotations

from typing import Any

import pytest
import yaml

from schemas import yaml_text
from schemas.document import parse_text
from schemas.intake import Intake, Unreadable
from schemas.problems import DocumentProblems, Enough
from schemas.yaml_spans import one_to_one
from schemas.yaml_text import read_yaml


@pytest.fixture(params=["CSafeLoader", "SafeLoader"], autouse=True)
def build(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Both builds of the parser decide alike."""
    monkeypatch.setattr(yaml_text, "_Base", getattr(yaml, request.param))


@pytest.mark.parametrize(("text", "data"), [
    # YAML 1.2.2, section 5.4: U+0085, U+2028 and U+2029 are no line breaks; in 1.1 they are
    ("# hidden\u2028a: 1\nb: 2", {"b": 2}),
    ("# hidden\x85a: 1\nb: 2", {"b": 2}),
    ("a: x\u2029y", {"a": "x\u2029y"}),
    ('a: "x\u2028  y"', {"a": "x\u2028  y"}),
    ("a\u2028b: 1", {"a\u2028b": 1}),
    # what stands in for them while it is parsed may be written as an escape, or stand there itself
    ('a: ["\x85", "\\ue000", "\\U0000e001", "\ue002"]', {"a": ["\x85", "\ue000", "\ue001", "\ue002"]}),
    # section 3.2.2.2: an anchor may be set again; an alias means the last one before it
    ("a: &x 1\nb: *x\nc: &x 2\nd: *x", {"a": 1, "b": 1, "c": 2, "d": 2}),
    ("a: &x [&y 1, *y]\nb: &y 2\nc: *x\nd: *y", {"a": [1, 1], "b": 2, "c": [1, 1], "d": 2}),
    ("&a a: 1\nb: *a", {"a": 1, "b": "a"}),
    # only a bare << is a merge key, and only as a name
    ("'<<': 1\nb: <<", {"<<": 1, "b": "<<"}),
    # names that only look like a missing space
    ("'a:b': 1", {"a:b": 1}),
    ("{a:b: 1}", {"a:b": 1}),
    ("http://x: 1", {"http://x": 1}),
    ("%YAML 1.2\n---\na: 1\n...\n", {"a": 1}),
    ("---\na: 1\n", {"a": 1}),
    # a byte order mark and characters that do not print, as escapes
    ('a: "\\ufeff\\0\\x07\\e"', {"a": "\ufeff\0\x07\x1b"}),
    # section 10.3.2: no sexagesimal numbers, no digits in groups; octal and hexadecimal stay text here
    ("[1_000, 12:30, 0o17, 0x1F, 017]", ["1_000", "12:30", "0o17", "0x1F", 17]),
])  # fmt: skip
def test_what_is_read(text: str, data: Any) -> None:
    assert parse_text(text, "yaml")[0] == data


@pytest.mark.parametrize(("text", "places"), [
    # a missing value stands behind its colon, or its name
    ("a:\nb: 1", {"/a": (2, 2)}),
    ("{a  , b: \n\n, c: # x\n }", {"/a": (2, 2), "/b": (8, 8), "/c": (15, 15)}),
    ("? a\n? b\n", {"/a": (3, 3), "/b": (7, 7)}),
    ("- \n-\n", {"/0": (1, 1), "/1": (4, 4)}),
    # remarks between an anchor and its value
    ("a: &x # of b: c\n  b: 1\n", {"/a": (18, 22)}),
    ("a: &x\n\n  # remark\n  - 1\n", {"/a": (20, 23)}),
    # a pair in a list has no braces
    ("[a: 1  , b]", {"/0": (1, 5), "/1": (9, 10)}),
    ("a: |  # header\n  x\n\n  # no remark\n# remark\nb: >+\n y\n\n", {"/a": (3, 33), "/b": (46, 52)}),
    ("a: |\n  x\n     \n", {"/a": (3, 14)}),
])  # fmt: skip
def test_where_it_stands(text: str, places: dict[str, tuple[int, int]]) -> None:
    positions = parse_text(text, "yaml")[1]
    found = {place: positions.value(place) for place in places}
    assert {place: (mark.start, mark.end) for place, mark in found.items()} == places


def test_a_block_that_ends_with_an_alias_ends_there() -> None:
    text = "a: &x 1\nb:\n  c: *x\nd: 2\n"
    positions = parse_text(text, "yaml")[1]
    mark = positions.value("/b")
    assert text[mark.start : mark.end] == "c: *x"
    assert text[positions.value("/b/c").start :].startswith("1\n")


def test_what_was_open_where_reading_stopped_ends_with_what_it_holds() -> None:
    intake = Intake("a: 1\nb:\n  c: {d: 2, e: 3\n  f: [1, 2\n")
    with pytest.raises(Unreadable):
        read_yaml(intake)
    positions = intake.positions()
    marks = {place: positions.value(place) for place in positions}
    pieces = {place: intake.text[mark.start : mark.end] for place, mark in marks.items()}
    assert pieces["/b/c"].startswith("{d: 2, e: 3")
    assert pieces["/b"].startswith("c: {d: 2")
    assert pieces[""].startswith("a: 1\nb:\n  c: {d: 2")


def test_the_same_where_checking_stopped_at_too_many_problems() -> None:
    intake = Intake("a:\n" + "  b: 1\n" * 300)
    with pytest.raises(Enough):
        read_yaml(intake)
    mark = intake.positions().value("")
    assert mark.start == 0
    assert mark.end >= len("a:\n  b: 1")


def test_a_text_of_every_private_character_is_refused() -> None:
    every = "".join(map(chr, range(0xE000, 0xF900)))
    assert one_to_one(every) == (every, {})
    with pytest.raises(DocumentProblems, match="every private character"):
        parse_text(f'a: "{every}\x85"', "yaml")
    assert parse_text(f'a: "{every[2:]}\x85"', "yaml")[0] == {"a": f"{every[2:]}\x85"}
