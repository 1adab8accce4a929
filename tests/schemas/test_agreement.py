"""The reader, the marshmallow schemas and the published JSON Schema agree on one corpus."""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import jsonschema
import jsonschema_rs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from marshmallow import ValidationError

from schemas.document import dump, load, parse_text
from schemas.json_schema import circuit_schema
from schemas.marshmallow_schemas import circuit_schema_class, problems_of
from schemas.problems import DocumentProblems, Problem
from tests.schemas.corpus import ACCEPTED, GOOD_YAML, MALFORMED, READABLE, Case, Good

SCHEMA = circuit_schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)
QUICK = jsonschema_rs.Draft202012Validator(SCHEMA)  # with ECMA-262 patterns, not those of Python
MARSHMALLOW = circuit_schema_class()()
each_case = pytest.mark.parametrize(("case", "raw"), READABLE, ids=[str(case) for case, _ in READABLE])

BEYOND_A_JSON_SCHEMA = {
    "calendar": "a date pattern does not know the days of a month",
    "members in order": "two members cannot be compared",
    "members together": "text in one member changes what another may be",
    "range of a text": "a pattern does not compare numbers",
    "reference": "a name cannot be looked up elsewhere in the document",
}


def test_the_published_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA


def test_a_copy_is_given_out() -> None:
    circuit_schema()["properties"].clear()
    assert circuit_schema() == SCHEMA


def test_the_corpus_is_large_enough_to_mean_something() -> None:
    assert len(MALFORMED) >= 170
    assert len({case.text for case in MALFORMED}) == len(MALFORMED)
    assert Counter(case.spelling for case in MALFORMED).keys() == {"json", "yaml"}
    assert len(READABLE) >= 150


@each_case
def test_marshmallow_finds_the_same_problems(case: Case, raw: Any) -> None:
    with pytest.raises(DocumentProblems) as ours:
        load(raw)
    with pytest.raises(ValidationError) as theirs:
        MARSHMALLOW.load(raw)
    assert problems_of(theirs.value) == ours.value.problems


@each_case
def test_the_json_schema_refuses_all_that_it_can_express(case: Case, raw: Any) -> None:
    assert VALIDATOR.is_valid(raw) == (case.beyond is not None)
    assert QUICK.is_valid(raw) == (case.beyond is not None)


def test_what_a_json_schema_cannot_express_is_just_the_named_set() -> None:
    passed = {case.beyond for case, raw in READABLE if QUICK.is_valid(raw)}
    assert passed == BEYOND_A_JSON_SCHEMA.keys()


@pytest.mark.parametrize("good", ACCEPTED, ids=str)
def test_all_three_accept_every_good_spelling(good: Good) -> None:
    raw, _ = parse_text(good.text, "yaml")
    circuit = load(raw)
    assert MARSHMALLOW.load(raw) == circuit
    assert QUICK.is_valid(raw)
    assert QUICK.is_valid(dump(circuit))
    assert MARSHMALLOW.dump(circuit) == dump(circuit)


def test_the_good_document_is_valid() -> None:
    raw, _ = parse_text(GOOD_YAML, "yaml")
    assert not list(VALIDATOR.iter_errors(raw))
    assert not list(VALIDATOR.iter_errors(dump(load(raw))))


@pytest.mark.parametrize("odd", [None, True, 0, -1, 1.5, "", "x", [], [1], {}, {"x": 1}], ids=repr)
def test_no_value_of_another_type_is_taken_anywhere(odd: Any) -> None:
    """Each member in turn replaced by an odd value: all three refuse or accept together."""
    raw, positions = parse_text(GOOD_YAML, "yaml")
    for pointer in positions:
        changed = _with(raw, pointer, odd)
        ours, theirs = _problems(changed)
        assert theirs == ours, pointer
        if QUICK.is_valid(changed):
            assert all(_beyond(p.detail) for p in ours), (pointer, ours)
        else:
            assert ours, pointer


RAW, POSITIONS = parse_text(GOOD_YAML, "yaml")
POINTERS = [pointer for pointer in POSITIONS if pointer]
NAMES = st.sampled_from(["_schema", "kind", "pins", "a", "R1", "gnd", "a/b~", "", "x y", "at", "1"])
VALUES = st.sampled_from(
    [None, True, 0, -3, 1e9, "", "gnd", "4k7", "5 %", "idle", "\n", [], ["R1"], {}, {"_schema": 1}]
)


@settings(max_examples=300)
@given(
    st.lists(
        st.tuples(st.sampled_from(POINTERS), st.sampled_from("dsra"), NAMES, VALUES), min_size=1, max_size=4
    )
)
def test_damaged_documents_have_the_same_problems(damage: list[tuple[str, str, str, Any]]) -> None:
    """Members removed, replaced, renamed and added at random, several at a time."""
    raw = RAW
    for pointer, how, name, value in damage:
        raw = _damaged(raw, pointer, how, name, value)
    ours, theirs = _problems(raw)
    assert theirs == ours
    if not ours:
        assert QUICK.is_valid(raw)


def _problems(raw: Any) -> tuple[tuple[Problem, ...], tuple[Problem, ...]]:
    """What the reader and what the marshmallow schemas say of the same data."""
    ours: tuple[Problem, ...] = ()
    theirs: tuple[Problem, ...] = ()
    try:
        load(raw)
    except DocumentProblems as refused:
        ours = refused.problems
    try:
        MARSHMALLOW.load(raw)
    except ValidationError as error:
        theirs = problems_of(error)
    return ours, theirs


def _damaged(raw: Any, pointer: str, how: str, name: str, value: Any) -> Any:
    copy = json.loads(json.dumps(raw))
    holder = copy
    *upper, last = pointer.split("/")[1:]
    for token in upper:
        key: Any = int(token) if isinstance(holder, list) and token.isdigit() else token
        try:
            holder = holder[key]
        except (KeyError, IndexError, TypeError):
            return copy  # an earlier damage has taken the place away
    if isinstance(holder, list):
        index = int(last) if last.isdigit() else len(holder)
        if how == "d" and index < len(holder):
            del holder[index]
        elif index < len(holder):
            holder[index] = value
    elif isinstance(holder, dict):
        if how == "d":
            holder.pop(last, None)
        elif how == "s":
            holder[last] = value
        elif how == "r" and last in holder:
            holder[name] = holder.pop(last)
        else:
            holder[name] = value
    return copy


def test_a_member_called_like_marshmallows_own_key_is_told_apart() -> None:
    raw = _with(RAW, "/parts/R1/pins/a", None)
    raw["_schema"] = 1
    raw["parts"]["_schema"] = {"kind": "resistor", "resistance": "x", "_schema": 1}
    raw["states"]["_schema"] = {"_schema": "on"}
    ours, theirs = _problems(raw)
    assert theirs == ours
    assert _problems(raw) == (ours, ours)  # nothing is left over from the time before
    assert [p.pointer for p in ours] == [
        "/_schema",
        "/parts/R1/pins/a",
        "/parts/_schema/_schema",
        "/parts/_schema/pins",
        "/parts/_schema/resistance",
        "/states/_schema/_schema",
    ]


def test_marshmallow_messages_are_plain_text_for_other_users() -> None:
    with pytest.raises(ValidationError) as caught:
        MARSHMALLOW.load(_with(RAW, "/parts/R1/resistance", "4,7k"))
    messages = json.loads(json.dumps(caught.value.messages))
    (words,) = messages["parts"]["R1"]["resistance"]
    assert "the decimal mark is a point" in words
    circuit = load(RAW)
    assert MARSHMALLOW.dump([circuit, circuit], many=True) == [dump(circuit)] * 2


def _with(raw: Any, pointer: str, value: Any) -> Any:
    """A copy of plain data with the value at a pointer replaced."""
    tokens = pointer.split("/")[1:]
    if not tokens:
        return value
    copy = json.loads(json.dumps(raw))
    holder = copy
    for token in tokens[:-1]:
        holder = holder[int(token)] if isinstance(holder, list) else holder[token]
    holder[int(tokens[-1]) if isinstance(holder, list) else tokens[-1]] = value
    return copy


def _beyond(detail: str) -> bool:
    """True for a complaint of a sort that the corpus marks as beyond a JSON Schema."""
    known = (
        "no pin uses this net",
        "the ground is not a net",
        "states has no state",
        "has no regions",
        "stimuli has none",
        "no part has this name",
        "has no region",
        "cannot be acted on",
        "does not go",
        "must not exceed",
        "must be below",
        "in order of time",
        "two actions at the same time",
        "a relative band around zero",
    )
    return any(words in detail for words in known)
