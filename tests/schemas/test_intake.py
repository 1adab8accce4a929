"""Bytes that are refused before they are a document, and work that stays bounded."""

from __future__ import annotations

import json
from typing import Any, Literal

import pytest

from schemas.document import Spelling, load, parse_text, read
from schemas.intake import MAX_BYTES, MAX_DEPTH, MAX_DIGITS, MAX_NAME, MAX_NODES, sniff
from schemas.layout import (
    MAX_ACTIONS,
    MAX_NETS,
    MAX_PARTS,
    MAX_REQUIREMENTS,
    MAX_STATES,
    MAX_STIMULI,
    MAX_WAIVERS,
)
from schemas.problems import MAX_PROBLEMS, DocumentProblems, Malformed
from tests.schemas.corpus import GOOD_JSON, GOOD_YAML

BOTH: tuple[Spelling, ...] = ("json", "yaml")


def refused(data: bytes, spelling: Literal["json", "yaml"] | None = None, name: str = "") -> DocumentProblems:
    with pytest.raises(DocumentProblems) as caught:
        read(data, spelling, name)
    return caught.value


# --- bytes -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("spelling", BOTH)
@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "the document is empty"),
        (b" \n\t \r\n", "the document is empty"),
        (b"\xef\xbb\xbf", "the document is empty"),
        (b"name: caf\xe9", "not UTF-8: byte 9 in line 1; seen: the byte 0xe9; accepted: UTF-8"),
        (b"\xef\xbb\xbfa: 1\nb: \xff", "not UTF-8: byte 11 in line 2"),
        (b"a: \xc0\xaf", "not UTF-8: byte 3"),  # an overlong slash
        (b"a: \xed\xa0\x80", "not UTF-8: byte 3"),  # a surrogate
        ("{}".encode("utf-16"), "written in UTF-16; seen: the byte order mark ff fe"),
        ("{}".encode("utf-32"), "written in UTF-32; seen: the byte order mark ff fe 00 00"),
        (b"\xfe\xff\x00{\x00}", "written in UTF-16; seen: the byte order mark fe ff"),
        (b"x" * (MAX_BYTES + 1), f"the document is too long; seen: {MAX_BYTES + 1} bytes"),
    ],
    ids=lambda value: repr(value)[:30],
)
def test_bytes_that_are_no_text(data: bytes, words: str, spelling: Spelling) -> None:
    problems = refused(data, spelling)
    assert isinstance(problems, Malformed)
    assert [p.pointer for p in problems.problems] == [""]
    assert words in str(problems)
    (problem,) = problems.problems
    assert (problem.line, problem.column) == ((2, 4) if "line 2" in words else
                                              (1, 10) if "byte 9" in words else
                                              (1, 4) if "byte 3" in words else (1, 1))  # fmt: skip


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_the_place_of_a_byte_is_told_in_lines_and_characters(newline: str) -> None:
    (problem,) = refused(f"# \u00b5\u03a9{newline}\U0001f600x".encode() + b"\xe9").problems
    assert (problem.line, problem.column) == (2, 3)


@pytest.mark.parametrize("text", [GOOD_YAML, GOOD_JSON], ids=["yaml", "json"])
def test_a_byte_order_mark_is_noted_and_left_out(text: str) -> None:
    plain, marked = read(text.encode()), read(b"\xef\xbb\xbf" + text.encode())
    assert (plain.marked, marked.marked) == (False, True)
    assert marked.text == plain.text == text
    assert marked.circuit == plain.circuit
    assert marked.positions.value("/ground") == plain.positions.value("/ground")


def test_a_document_of_the_greatest_length_is_read() -> None:
    text = GOOD_YAML + "#" * (MAX_BYTES - len(GOOD_YAML.encode()))
    assert read(text.encode()).circuit.name == "pond-pump"


def test_an_unknown_spelling_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="toml"):
        read(b"{}", "toml")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "name", "spelling"),
    [
        ("format: thumbrule/1", "", "yaml"),
        ('{"format": 1}', "", "json"),
        (" \n {}", "", "json"),
        ("{format: thumbrule/1}", "", "yaml"),
        ("[1]", "", "yaml"),
        ('["a"]', "", "json"),
        ("[{}]", "", "json"),
        ("# remark", "", "yaml"),
        ("---", "", "yaml"),
        ("{}", "a.yaml", "yaml"),
        ("{}", "a.yml", "yaml"),
        ("a: 1", "a.json", "json"),
        ("a: 1", "A.JSON", "json"),
        ('{"a": 1}', "dir.json/file", "json"),
        ("a: 1", "dir.json/file", "yaml"),
        ("a: 1", "json", "yaml"),
        ("a: 1", "circuit.txt", "yaml"),
    ],
)
def test_the_spelling_is_told_by_name_or_first_characters(text: str, name: str, spelling: str) -> None:
    assert sniff(text, name) == spelling


def test_flow_yaml_with_json_quotes_reads_the_same_either_way() -> None:
    assert read(GOOD_JSON.encode(), "yaml").raw == read(GOOD_JSON.encode(), "json").raw


# --- limits ----------------------------------------------------------------------------------------------


def test_depth() -> None:
    for spelling in BOTH:
        assert parse_text("[" * MAX_DEPTH + "]" * MAX_DEPTH, spelling)[0]
        with pytest.raises(Malformed, match=f"nested too deeply; seen: over {MAX_DEPTH} levels"):
            parse_text("[" * (MAX_DEPTH + 2) + "]" * (MAX_DEPTH + 2), spelling)


@pytest.mark.parametrize("opening", ["[", '{"a":', "- ", "{a: ", "? ", "a: &a [*a, "])
@pytest.mark.parametrize("spelling", BOTH)
def test_endless_nesting_is_no_recursion_error(opening: str, spelling: Spelling) -> None:
    assert refused((opening * (200_000 // len(opening))).encode(), spelling).malformed


def test_the_number_of_values() -> None:
    for spelling in BOTH:
        assert len(parse_text(json.dumps([1] * (MAX_NODES - 1)), spelling)[0]) == MAX_NODES - 1
        with pytest.raises(Malformed, match=f"too many values; seen: over {MAX_NODES}"):
            parse_text(json.dumps([1] * MAX_NODES), spelling)


def test_the_length_of_numbers_and_names() -> None:
    for spelling in BOTH:
        assert parse_text("[" + "1" * MAX_DIGITS + "]", spelling)[0] == [int("1" * MAX_DIGITS)]
        for digits in (MAX_DIGITS + 1, 5000, 500_000):  # 4300 digits is where Python itself gives up
            with pytest.raises(DocumentProblems, match="the number is too long"):
                parse_text("[" + "1" * digits + "]", spelling)
        assert parse_text(json.dumps({"n" * MAX_NAME: 1}), spelling)[0]
        with pytest.raises(DocumentProblems) as caught:
            parse_text(json.dumps({"a": {"n" * (MAX_NAME + 1): 1}}), spelling)
        assert [(p.pointer, p.detail) for p in caught.value.problems] == [("/a", "a member name is too long")]


def resistor(a: str = "a", b: str = "b") -> dict[str, Any]:
    return {"kind": "resistor", "resistance": 1000, "pins": {"a": a, "b": b}}


def small(**sections: Any) -> dict[str, Any]:
    base = {"format": "thumbrule/1", "name": "n", "ground": "a", "parts": {"R1": resistor()}}
    return base | sections


def transistor(nets: list[str]) -> dict[str, Any]:
    names = (nets * 3)[:3]
    return {
        "kind": "npn",
        "beta": 100,
        "pins": dict(zip(("collector", "base", "emitter"), names, strict=True)),
    }


def many(count: int) -> dict[str, dict[str, Any]]:
    """A document for each sort of thing with ``count`` of them."""
    nets = ["a", *(f"n{i}" for i in range(1, count))]
    contact = {"S1": {"kind": "contact", "rest": "open", "pins": {"a": "a", "b": "b"}}}
    diode = {"D1": {"kind": "diode", "pins": {"anode": "a", "cathode": "b"}}}
    waiver = {"rule": "x", "nets": ["a"], "reason": "r", "owner": "o", "expires": "2027-01-01"}
    return {
        "parts": small(parts={f"R{i}": resistor() for i in range(count)}),
        "nets": small(parts={f"Q{i}": transistor(nets[3 * i : 3 * i + 3]) for i in range(-(-count // 3))}),
        "states": small(parts=diode, states={f"s{i}": {"D1": "off"} for i in range(count)}),
        "stimuli": small(
            parts=contact, stimuli={f"s{i}": [{"at": 0, "part": "S1", "to": "open"}] for i in range(count)}
        ),
        "actions": small(
            parts=contact, stimuli={"s": [{"at": i, "part": "S1", "to": "open"} for i in range(count)]}
        ),
        "requirements": small(requirements=[{"kind": "re-arm", "at_most": 1}] * count),
        "waivers": small(waivers=[waiver] * count),
    }


@pytest.mark.parametrize(
    ("section", "limit", "pointer"),
    [
        ("parts", MAX_PARTS, "/parts"),
        ("nets", MAX_NETS, "/parts"),
        ("states", MAX_STATES, "/states"),
        ("stimuli", MAX_STIMULI, "/stimuli"),
        ("actions", MAX_ACTIONS, "/stimuli/s"),
        ("requirements", MAX_REQUIREMENTS, "/requirements"),
        ("waivers", MAX_WAIVERS, "/waivers"),
    ],
)
def test_counts(section: str, limit: int, pointer: str) -> None:
    load(many(limit)[section])
    with pytest.raises(DocumentProblems) as caught:
        load(many(limit + 1)[section])
    (problem,) = caught.value.problems
    assert problem.pointer == pointer
    assert problem.message == f"too many {section}; seen: {limit + 1}; accepted: at most {limit}"


def test_checking_stops_at_a_number_of_problems_and_says_so() -> None:
    parts = {f"R{i}": {**resistor(), "resistence": 1} for i in range(MAX_PROBLEMS + 50)}
    for problems in (
        refused(json.dumps(small(parts=parts)).encode()),
        refused(
            GOOD_YAML.replace("ground: gnd", "\n".join(f"m{i}: 1" for i in range(MAX_PROBLEMS))).encode()
        ),
    ):
        assert len(problems.problems) == MAX_PROBLEMS
        assert not problems.complete
        assert not problems.malformed
        assert "there may be more problems" in str(problems)


def unknown(waiver: int) -> dict[str, Any]:
    nets = [f"n{i}x{waiver}" for i in range(90)]
    return {"rule": "x", "nets": nets, "reason": "r", "owner": "o", "expires": "2027-01-01"}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("unknown members", "{" + ",".join(f'"m{i}": 1' for i in range(15_000)) + "}"),
        ("one member again and again", '{"a": 1' + ', "a": 1' * 100_000 + "}"),
        ("names that no part has", json.dumps(small(waivers=[unknown(j) for j in range(180)]))),
        ("text that does not end", '{"a": "' + "\\n" * 500_000),
        ("a long escape", '{"a": "' + "\\u00e9" * 170_000 + '"}'),
        ("lines", "\n" * (MAX_BYTES - 2) + "{}"),
        ("digits", '{"a": ' + "0" * 1_000_000 + "}"),
        ("blanks in text", json.dumps(small(title=" " * 1_000_000))),
        (
            "quantity text",
            json.dumps(
                small(parts={f"R{i}": {**resistor(), "resistance": "9" * 60 + "."} for i in range(400)})
            ),
        ),
        ("list", "[" + "1," * 500_000 + "1]"),
    ],
    ids=lambda value: value if len(value) < 40 else "",
)
@pytest.mark.parametrize("spelling", BOTH)
# Work that grows with the square of the length takes minutes: it is stopped, not timed.
@pytest.mark.timeout(60)
def test_hostile_text_is_refused(name: str, text: str, spelling: Spelling) -> None:
    refused(text.encode(), spelling)
