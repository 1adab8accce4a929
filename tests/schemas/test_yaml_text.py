"""The YAML reader: YAML 1.2 core schema, places, aliases, and no more than a circuit document needs."""

from __future__ import annotations

import json
from functools import partial
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.document import parse_text, read
from schemas.problems import DocumentProblems
from tests.schemas.corpus import GOOD_YAML
from tests.schemas.test_json_text import every


@pytest.mark.parametrize(
    ("scalar", "value"),
    [
        # YAML 1.2.2, section 10.3.2, tag resolution of the core schema
        ("null", None),
        ("Null", None),
        ("NULL", None),
        ("~", None),
        ("", None),
        ("true", True),
        ("True", True),
        ("TRUE", True),
        ("false", False),
        ("False", False),
        ("FALSE", False),
        ("0", 0),
        ("-19", -19),
        ("+12", 12),
        ("0010", 10),
        ("0.", 0.0),
        ("-0.0", -0.0),
        (".5", 0.5),
        ("+12e03", 12000.0),
        ("-2E+05", -200000.0),
        ("1e5", 100000.0),
        # YAML 1.1 makes values of these, 1.2 does not (YAML 1.2.2, section 1.2, changes)
        ("on", "on"),
        ("off", "off"),
        ("yes", "yes"),
        ("no", "no"),
        ("y", "y"),
        ("12:30", "12:30"),
        ("1_000", "1_000"),
        ("2027-06-30", "2027-06-30"),
        ("=", "="),
        ("<<", "<<"),
        # in the core schema integers; left as text here, so that a quantity refuses them with its own words
        ("0o14", "0o14"),
        ("0x3A", "0x3A"),
        # text that looks like a number or a constant
        ("nUll", "nUll"),
        ("tRUE", "tRUE"),
        ("1e", "1e"),
        ("e5", "e5"),
        ("4k7", "4k7"),
        ("+", "+"),
        (".", "."),
        ("1.2.3", "1.2.3"),
        ("\u0661", "\u0661"),
        ("n1", "n1"),
        ("None", "None"),
        ("'1'", "1"),
        ('"true"', "true"),
        ("'~'", "~"),
        ("5 %", "5 %"),
        ("-20/+50 %", "-20/+50 %"),
    ],
)
def test_plain_scalars(scalar: str, value: Any) -> None:
    data = parse_text(f"a: {scalar}", "yaml")[0]
    assert data == {"a": value}
    assert type(data["a"]) is type(value)


PLAIN_TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn", "Co"]), max_size=8)
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers(-(10**20), 10**20)
    | st.floats(allow_nan=False, allow_infinity=False)
    | PLAIN_TEXT
)
TREES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(PLAIN_TEXT, inner, max_size=4),
    max_leaves=12,
)


scalar = partial(json.dumps, ensure_ascii=False)


def block(data: Any, indent: int = 0) -> str:
    """Block style, scalars and names as in JSON: valid YAML by construction."""
    pad = "\n" + " " * indent
    if isinstance(data, dict) and data:
        return "".join(f"{pad}{scalar(k)}: {block(v, indent + 2)}" for k, v in data.items())
    if isinstance(data, list) and data:
        return "".join(f"{pad}- {block(v, indent + 2)}" for v in data)
    return f"{scalar(data)}  # a remark"


@given(TREES, st.sampled_from(["block", "flow", "indented flow"]))
def test_data_and_places(data: Any, style: str) -> None:
    """JSON is YAML (YAML 1.2.2, section 1.1), so JSON data in three styles must come back the same."""
    text = block(data) if style == "block" else scalar(data, indent=1 if style == "indented flow" else None)
    read_back, positions = parse_text(text, "yaml")
    assert json.dumps(read_back) == json.dumps(data)
    assert list(positions) == [pointer for pointer, _ in every(data)]
    for pointer, value in every(data):
        mark = positions.value(pointer)
        piece = " " * (mark.column - 1) + text[mark.start : mark.end]
        assert parse_text(piece, "yaml")[0] == value
        assert not text[mark.start : mark.end].endswith(("remark", " ", "\n"))


def test_places_of_the_good_document() -> None:
    data, positions = parse_text(GOOD_YAML, "yaml")
    assert list(positions) == [pointer for pointer, _ in every(data)]
    lines = GOOD_YAML.splitlines()
    for pointer, value in every(data):
        mark = positions.value(pointer)
        piece = GOOD_YAML[mark.start : mark.end]
        if isinstance(value, str):
            assert piece == value
        assert parse_text(" " * (mark.column - 1) + piece, "yaml")[0] == value
        assert lines[mark.line - 1][mark.column - 1 :].startswith(piece.splitlines()[0])
    assert GOOD_YAML[positions.key("/parts/R1/pins/a").start :].startswith("a: rail")


BLOCK = """\
# before
a:
  b: 1   # remark

  c:
    - x
    - y: "two"   # remark

# between
d: |
  text
e: 'it''s'
"""


def test_a_block_ends_with_its_last_value_not_with_the_next_token() -> None:
    positions = parse_text(BLOCK, "yaml")[1]
    ends = {p: BLOCK[positions.value(p).start : positions.value(p).end] for p in positions}
    assert ends["/a"] == 'b: 1   # remark\n\n  c:\n    - x\n    - y: "two"'
    assert ends["/a/c"] == '- x\n    - y: "two"'
    assert ends["/a/c/1"] == 'y: "two"'
    assert ends["/a/b"] == "1"
    assert ends["/e"] == "'it''s'"
    assert (positions.value("/a/c").line, positions.value("/a/c").column) == (6, 5)


def test_properties_do_not_belong_to_the_value() -> None:
    text = "a: &one   4k7\nb: *one\nc: &two\n  x: 1\nd: &three {y: 2}\n"
    data, positions = parse_text(text, "yaml")
    assert data == {"a": "4k7", "b": "4k7", "c": {"x": 1}, "d": {"y": 2}}
    pieces = {p: text[positions.value(p).start : positions.value(p).end] for p in positions}
    assert pieces["/a"] == pieces["/b"] == "4k7"
    assert pieces["/c"] == "x: 1"
    assert pieces["/d"] == "{y: 2}"


def test_an_alias_and_its_anchor_share_one_text() -> None:
    text = "a: &r {x: {y: 1}}\nb: *r\nc: 2\n"
    data, positions = parse_text(text, "yaml")
    assert data["b"] == {"x": {"y": 1}}
    assert {p for p in positions if positions.is_shared(p)} == {
        "/a",
        "/a/x",
        "/a/x/y",
        "/b",
        "/b/x",
        "/b/x/y",
    }
    assert positions.value("/b/x/y") == positions.value("/a/x/y")


def test_aliases_are_counted_as_often_as_they_are_used() -> None:
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 9)]
    with pytest.raises(DocumentProblems, match="too many values"):
        parse_text("\n".join(lines), "yaml")


def test_an_alias_inside_its_own_anchor_is_refused() -> None:
    with pytest.raises(DocumentProblems, match="/a/0, line 1, column 8: the alias stands inside the value"):
        parse_text("a: &a [*a]", "yaml")


def test_anchored_parts_make_a_circuit() -> None:
    text = GOOD_YAML.replace("R2: {", "R2: &r {").replace("  S1: {kind", "  R3: *r\n  S1: {kind")
    circuit = read(text.encode(), "yaml").circuit
    assert circuit.parts["R3"].values == circuit.parts["R2"].values
    assert circuit.parts["R3"].name == "R3"


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_lines_are_counted_as_editors_count_them(ending: str) -> None:
    text = GOOD_YAML.replace("resistance: 4k7", "resistance: 4x7").replace("\n", ending)
    with pytest.raises(DocumentProblems) as caught:
        read(text.encode(), "yaml")
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (18, 24)


def test_columns_count_code_points() -> None:
    text = GOOD_YAML.replace("ground: gnd", 'ground: gnd\n"\U0001f600\U0001f600": 1')
    with pytest.raises(DocumentProblems) as caught:
        read(text.encode(), "yaml")
    assert (caught.value.problems[0].line, caught.value.problems[0].column) == (5, 1)
    text = '{"\U0001f600": {}, "format": 1}'
    with pytest.raises(DocumentProblems) as caught:
        read(text.encode(), "json")
    assert [p.column for p in caught.value.problems if p.pointer == "/format"] == [11]
