"""Edits of the original text that amount to a whole patch: the same result as one operation after another."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import jsonpatch
import jsonpointer
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clients.edit import patch_text
from clients.edit_text import CannotEdit, Splice, add_member, parse, remove_member, replace_value
from clients.sources import Source
from clients.splices import applied, edits_of, same
from service import facade

EXAMPLES = Path(__file__).parents[2] / "clients" / "examples"
YAML = """\
# bench lamp
name: lamp   # a name
parts:
  R1:  {kind: resistor, resistance: 4k7, tolerance: '5 %', pins: {a: n1, b: n2}}  # base
  Q1:
    kind: npn
    pins:
      collector: n3   # to the lamp
      base: n2
notes: [one, two]
"""


def one_by_one(text: str, spelling: Any, patch: Sequence[Mapping[str, Any]]) -> str:
    """The plain way: each operation is written into the text that the one before left."""
    for operation in patch:
        if operation["op"] == "test":
            continue
        splice = Splice(text, spelling, *parse(text, spelling))
        path = operation["path"]
        if operation["op"] == "remove":
            edits = remove_member(splice, path)
        elif operation["op"] == "replace" or splice.is_member(path):
            edits = replace_value(splice, path, operation["value"])
        else:
            edits = add_member(splice, path, operation["value"])
        for start, end, new in sorted(edits, reverse=True):
            text = text[:start] + new + text[end:]
    return text


def check(text: str, spelling: Any, patch: Sequence[Mapping[str, Any]]) -> None:
    """Sorted, apart, with an effect, inside the text, and together what the plain way gives."""
    edits = edits_of(text, spelling, patch)
    assert all(0 <= start <= end <= len(text) and text[start:end] != new for start, end, new in edits)
    assert all(before[1] < after[0] for before, after in pairwise(edits))
    whole = one_by_one(text, spelling, patch)
    assert applied(text, edits) == whole == patch_text(text, spelling, patch)


def shown(text: str, *patch: dict[str, Any], spelling: Any = "yaml") -> list[tuple[str, str]]:
    """Each edit as the old text and the new one."""
    return [(text[start:end], new) for start, end, new in edits_of(text, spelling, patch)]


def replace(path: str, value: Any) -> dict[str, Any]:
    return {"op": "replace", "path": path, "value": value}


def add(path: str, value: Any) -> dict[str, Any]:
    return {"op": "add", "path": path, "value": value}


def remove(path: str) -> dict[str, Any]:
    return {"op": "remove", "path": path}


def test_each_value_is_an_edit_of_its_own() -> None:
    assert shown(YAML, replace("/parts/R1/resistance", "3k9"), replace("/parts/Q1/pins/base", "n1"),
                 replace("/name", "lamp-2")) == [("lamp", "lamp-2"), ("4k7", "3k9"), ("n2", "n1")]


def test_the_same_place_changed_twice_is_one_edit() -> None:
    assert shown(YAML, replace("/name", "x"), replace("/name", "y")) == [("lamp", "y")]
    assert shown(YAML, replace("/name", "x"), replace("/name", "lamp")) == []
    assert shown(YAML, add("/parts/R1/power", "1 W"), replace("/parts/R1/power", "2 W")) == [
        ("", ", power: 2 W")]


def test_what_was_added_and_taken_away_again_leaves_no_edit() -> None:
    assert shown(YAML, add("/parts/R1/power", "1 W"), remove("/parts/R1/power")) == []


def test_a_new_part_and_a_changed_net_are_two_edits() -> None:
    assert shown(YAML, replace("/parts/R1/pins/b", "n2_2"),
                 add("/parts/R2", {"kind": "resistor", "resistance": "1 kohm"})) == [
        ("n2", "n2_2"), ("", "\n  R2:\n    kind: resistor\n    resistance: 1 kohm")]


def test_a_larger_value_is_trimmed_to_the_tokens_that_differ() -> None:
    assert shown(YAML, replace("/parts/R1/pins", {"a": "n1", "b": "n9"})) == [("n2", "n9")]
    assert shown(YAML, replace("/notes", ["one", "three"])) == [("two", "three")]
    assert shown('{"a": [1, 22, 3]}', replace("/a", [1, 23, 3]), spelling="json") == [("22", "23")]


def test_a_value_with_a_unit_is_one_token() -> None:
    assert shown("a: 4.7 kohm\n", replace("/a", "4.3 kohm")) == [("4.7 kohm", "4.3 kohm")]
    assert shown("a: '4.7 kohm'\n", replace("/a", "4.3 kohm")) == [("'4.7 kohm'", "'4.3 kohm'")]


def test_line_ends_of_two_characters_are_not_torn() -> None:
    text = YAML.replace("\n", "\r\n")
    patch = [add("/parts/Q1/type", "2N3904"), remove("/notes"), replace("/name", "x")]
    check(text, "yaml", patch)
    for start, end, new in edits_of(text, "yaml", patch):
        assert "\n" not in new.replace("\r\n", "")
        for at in (start, end):
            assert text[at - 1:at + 1] != "\r\n"


def test_a_border_is_never_between_the_two_characters_of_a_line_end() -> None:
    """Texts with mixed line ends could have such a place in common."""
    from clients.splices import _is_border

    assert [_is_border("ab\r\ncd", at) for at in range(7)] == [True, False, True, False, True, False, True]


@pytest.mark.parametrize("operation", [
    replace("/parts/R7/resistance", "1k"), {"op": "test", "path": "/name", "value": "x"},
    {"op": "move", "from": "/name", "path": "/title"}, replace("", {})])
def test_what_does_not_fit_is_refused(operation: dict[str, Any]) -> None:
    with pytest.raises(CannotEdit):
        edits_of(YAML, "yaml", [operation])


def test_a_shared_value_is_refused() -> None:
    with pytest.raises(CannotEdit, match="shared"):
        edits_of("one: &r 4k7\ntwo: *r\n", "yaml", [replace("/one", "3k9")])


def spellings(text: str, raw: Any) -> list[tuple[str, Any]]:
    """One document written in several ways."""
    return [(text, "json" if text.lstrip().startswith("{") else "yaml"),
            (text.replace("\n", "\r\n"), "yaml"),
            (json.dumps(raw, ensure_ascii=False), "json"),
            (json.dumps(raw, indent=2).replace("\n", "\r\n"), "json"),
            (json.dumps(raw, separators=(",", ":")), "json"),
            ("# head\n" + json.dumps(raw, indent=1, ensure_ascii=False) + "  # tail\n", "yaml")]


@pytest.mark.parametrize("name", ["frost-bell.yaml", "vent-relay.yaml", "workshop-lamp.yaml",
                                  "class-microphone.yaml"])
def test_proven_remedies_and_mending_of_the_examples(name: str) -> None:
    document = Source(str(EXAMPLES / name)).document
    answer = facade.mend(document)
    patches = [item["patch"] for item in answer["applied"]]
    assert patches
    for text, spelling in spellings(document.text, document.raw):
        check(text, spelling, answer["patch"])
        check(text, spelling, patches[0])
        edited = applied(text, edits_of(text, spelling, answer["patch"]))
        assert same(parse(edited, spelling)[0], answer["document"])


KEYS = st.text("abcR1/~ -", min_size=1, max_size=3)
SCALARS = st.one_of(st.text("ab,{}[]:'\"# µΩ\U0001f600", max_size=6),
                    st.sampled_from(["4k7", "5 %", "4.7 kohm"]),
                    st.integers(-99, 99), st.booleans())
TREES = st.dictionaries(KEYS, st.recursive(
    SCALARS, lambda inner: st.one_of(st.dictionaries(KEYS, inner, max_size=3), st.lists(inner, max_size=3)),
    max_leaves=6), min_size=1, max_size=4)


def pointers(value: Any, at: str = "") -> list[str]:
    members: list[tuple[Any, Any]] = []
    if isinstance(value, dict):
        members = [(key.replace("~", "~0").replace("/", "~1"), item) for key, item in value.items()]
    elif isinstance(value, list):
        members = list(enumerate(value))
    return [path for key, item in members for path in (f"{at}/{key}", *pointers(item, f"{at}/{key}"))]


def drawn(data: st.DataObject, value: Any) -> tuple[list[dict[str, Any]], Any]:
    """Up to four operations, each of which fits what the ones before left."""
    patch: list[dict[str, Any]] = []
    for _ in range(data.draw(st.integers(1, 4))):
        places = pointers(value)
        if not places:
            break
        path = data.draw(st.sampled_from(places))
        kind = data.draw(st.sampled_from(["replace", "remove", "add"]))
        if kind == "add":
            path = data.draw(st.sampled_from([path, f"{path.rpartition('/')[0]}/new"]))
        operation = {"op": kind, "path": path}
        if kind != "remove":
            operation["value"] = data.draw(st.one_of(SCALARS, st.dictionaries(KEYS, SCALARS, max_size=2)))
        try:
            value = jsonpatch.apply_patch(value, [operation])
        except (jsonpatch.JsonPatchException, jsonpointer.JsonPointerException):
            continue
        patch.append(operation)
    return patch, value


@given(TREES, st.data(), st.integers(0, 5))
def test_many_operations_in_any_layout(value: dict[str, Any], data: st.DataObject, layout: int) -> None:
    patch, wanted = drawn(data, value)
    text, spelling = spellings(json.dumps(value, indent=3), value)[layout]
    try:
        edits = edits_of(text, spelling, patch)
    except CannotEdit:
        # Then the plain way must not have given a whole document either.
        try:
            plain = parse(one_by_one(text, spelling, patch), spelling)[0]
        except CannotEdit:
            return
        assert not same(plain, wanted)
        return
    assert same(parse(applied(text, edits), spelling)[0], wanted)
    check(text, spelling, patch)
