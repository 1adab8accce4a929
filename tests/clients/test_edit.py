"""Splicing patches into the text: only the touched tokens change, the rest stays byte for byte."""

from __future__ import annotations

import json
import os
import stat
from pathlib import Path
from typing import Any

import jsonpatch
import jsonpointer
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clients.edit import CannotEdit, create_file, patch_bytes, patch_text, same, write_file
from clients.edit_text import parse

YAML = """\
# bench lamp
name: lamp   # a name
parts:
  R1:  {kind: resistor, resistance: 4k7, tolerance: '5 %', pins: {a: n1, b: n2}}  # base
  R10: {kind: resistor, resistance: "10k",
        power: 0.25 W,   # half would do
        pins: {a: n1, b: n3}}
  Q1:
    kind: npn
    beta: {min: 60}

    pins:
      collector: n3   # to the lamp
      base: n2
# the end
requirements:
- {kind: delay, target: 30 s}
- kind: re-arm
  at_most: 60 s
notes: [one, two]
empty: {}
"""


def edited(text: str, *operations: dict[str, Any], spelling: Any = "yaml") -> list[tuple[str, str]]:
    """Lines that differ, old and new; only for edits that keep the number of lines."""
    new = patch_text(text, spelling, operations).split("\n")
    old = text.split("\n")
    assert len(old) == len(new)
    return [(before, after) for before, after in zip(old, new, strict=True) if before != after]


def added(text: str, *operations: dict[str, Any], spelling: Any = "yaml") -> list[str]:
    """Lines that are new; every old line has to be there still, in order."""
    new = iter(patch_text(text, spelling, operations).split("\n"))
    fresh = []
    for line in text.split("\n"):
        for candidate in new:
            if candidate == line:
                break
            fresh.append(candidate)
        else:
            raise AssertionError(f"{line!r} is gone")
    return fresh + list(new)


def replace(path: str, value: Any) -> dict[str, Any]:
    return {"op": "replace", "path": path, "value": value}


def add(path: str, value: Any) -> dict[str, Any]:
    return {"op": "add", "path": path, "value": value}


def remove(path: str) -> dict[str, Any]:
    return {"op": "remove", "path": path}


@pytest.mark.parametrize(("path", "value", "old", "new"), [
    ("/parts/R1/resistance", "3k9", "resistance: 4k7,", "resistance: 3k9,"),
    ("/parts/R1/tolerance", "1 %", "'5 %'", "'1 %'"),
    ("/parts/R1/tolerance", "it's", "'5 %'", "'it''s'"),
    ("/parts/R10/resistance", "8k2", '"10k"', '"8k2"'),
    ("/parts/R10/power", 0.5, "0.25 W,", "0.5,"),
    ("/parts/R10/power", 5.0, "0.25 W,", "5,"),
    ("/parts/R10/power", "5", "0.25 W,", '"5",'),
    ("/parts/R10/power", "a, b", "0.25 W,", '"a, b",'),
    ("/parts/R10/power", True, "0.25 W,", "true,"),
    ("/parts/R10/power", "-20/+50 %", "0.25 W,", "-20/+50 %,"),
    ("/parts/Q1/beta", 90, "{min: 60}", "90"),
    ("/parts/Q1/beta/min", 90, "60", "90"),
    ("/parts/Q1/pins/collector", "n9", "n3   # to", "n9   # to"),
    ("/name", "lamp-2", "lamp   #", "lamp-2   #"),
    ("/requirements/1/at_most", "90 s", "60 s", "90 s"),
    ("/notes/1", "three", "two", "three"),
    ("/empty", {"a": 1}, "{}", "{a: 1}"),
])
def test_replacing_changes_one_token(path: str, value: Any, old: str, new: str) -> None:
    ((before, after),) = edited(YAML, replace(path, value))
    assert after == before.replace(old, new)
    assert before != after


@pytest.mark.parametrize(("operation", "old", "new"), [
    (add("/parts/R1/power", "0.25 W"), "b: n2}}", "b: n2}, power: 0.25 W}"),
    (add("/parts/R1/pins/c", "n4"), "b: n2}", "b: n2, c: n4}"),
    (add("/parts/Q1/beta/max", 300), "{min: 60}", "{min: 60, max: 300}"),
    (add("/parts/R1/resistance", "1k"), "4k7", "1k"),
    (add("/requirements/0/within", "5 %"), "30 s}", "30 s, within: 5 %}"),
    (add("/notes/-", "three"), "two]", "two, three]"),
    (add("/notes/0", "zero"), "[one", "[zero, one"),
    (add("/empty/x", "y"), "{}", "{x: y}"),
    (remove("/parts/R1/tolerance"), "tolerance: '5 %', ", ""),
    (remove("/parts/R1/pins/b"), ", b: n2}", "}"),
    (remove("/notes/1"), ", two]", "]"),
    (remove("/notes/0"), "one, ", ""),
    (remove("/parts/Q1/beta/min"), "{min: 60}", "{}"),
])
def test_members_of_bracketed_values_stay_on_their_line(operation: dict[str, Any], old: str,
                                                        new: str) -> None:
    ((before, after),) = edited(YAML, operation)
    assert after == before.replace(old, new)
    assert before != after


def test_a_new_part_lines_up_with_its_neighbours() -> None:
    text = "parts:\n  R1:  {kind: resistor}\n  R10: {kind: load}  # last\n\n# next\nname: x\n"
    assert added(text, add("/parts/D1", {"kind": "diode", "pins": {"anode": "a", "cathode": "b"}})) == [
        "  D1:  {kind: diode, pins: {anode: a, cathode: b}}"]
    assert added(text, add("/parts/LS100", {"kind": "load"})) == ["  LS100: {kind: load}"]


def test_a_new_part_among_block_parts_is_a_block() -> None:
    text = "parts:\n    R1:\n      kind: resistor\n      pins: {a: x, b: y}\nname: x\n"
    assert added(text, add("/parts/D1", {"kind": "diode", "pins": {"anode": "a"}})) == [
        "    D1:", "      kind: diode", "      pins: {anode: a}"]


def test_a_member_of_a_block_goes_behind_the_last_one_and_its_comment() -> None:
    text = "Q1:\n  kind: npn\n  base: n2  # drive\n  # about the next part\nQ2: {}\n"
    assert patch_text(text, "yaml", [add("/Q1/type", "2N3904")]) == (
        "Q1:\n  kind: npn\n  base: n2  # drive\n  type: 2N3904\n  # about the next part\nQ2: {}\n")


def test_a_text_without_a_final_line_break_stays_so() -> None:
    assert patch_text("a: 1\nb: 2", "yaml", [add("/c", 3)]) == "a: 1\nb: 2\nc: 3"
    assert patch_text("a: 1\nb: 2", "yaml", [remove("/b")]) == "a: 1"


def test_block_lists() -> None:
    assert added(YAML, add("/requirements/-", {"kind": "delay"})) == ["- kind: delay"]
    assert added(YAML, add("/requirements/0", {"kind": "delay"})) == ["- {kind: delay}"]
    without = patch_text(YAML, "yaml", [remove("/requirements/1")])
    assert without == YAML.replace("- kind: re-arm\n  at_most: 60 s\n", "")
    first = patch_text(YAML, "yaml", [remove("/requirements/1/kind")])
    assert first == YAML.replace("- kind: re-arm\n  at_most: 60 s\n", "- at_most: 60 s\n")


def test_removing_a_block_member_takes_its_lines_only() -> None:
    assert patch_text(YAML, "yaml", [remove("/parts/R10")]) == YAML.replace(
        '  R10: {kind: resistor, resistance: "10k",\n        power: 0.25 W,   # half would do\n'
        "        pins: {a: n1, b: n3}}\n", "")
    assert patch_text(YAML, "yaml", [remove("/parts/Q1/pins/collector")]) == YAML.replace(
        "      collector: n3   # to the lamp\n", "")


def test_a_member_of_a_bracketed_value_over_several_lines_gets_a_line() -> None:
    text = "R1: {kind: resistor,\n     power: 1 W   # hot\n    }\nx: 1\n"
    assert patch_text(text, "yaml", [add("/R1/tolerance", "5 %")]) == (
        "R1: {kind: resistor,\n     power: 1 W,   # hot\n     tolerance: 5 %\n    }\nx: 1\n")
    trailing = "R1: {\n  kind: resistor,\n  power: 1 W,\n}\n"
    assert patch_text(trailing, "yaml", [add("/R1/tolerance", "5 %")]) == (
        "R1: {\n  kind: resistor,\n  power: 1 W,\n  tolerance: 5 %,\n}\n")


PRETTY = """{
  "name": "lamp",
  "parts": {
    "R1": {"kind": "resistor", "resistance": "4k7"},
    "Q1": {
      "kind": "npn",
      "pins": {"base": "n2"}
    }
  },
  "list": []
}
"""


@pytest.mark.parametrize(("operation", "old", "new"), [
    (replace("/parts/R1/resistance", "3k9"), '"4k7"', '"3k9"'),
    (replace("/name", 4700.0), '"lamp"', "4700"),
    (add("/parts/R1/power", "1 W"), '"4k7"}', '"4k7", "power": "1 W"}'),
    (add("/parts/Q1/pins/emitter", "gnd"), '"n2"}', '"n2", "emitter": "gnd"}'),
    (add("/list/0", {"a": [1]}), "[]", '[{"a": [1]}]'),
    (remove("/parts/R1/kind"), '"kind": "resistor", ', ""),
])
def test_json_members_on_one_line(operation: dict[str, Any], old: str, new: str) -> None:
    ((before, after),) = edited(PRETTY, operation, spelling="json")
    assert after == before.replace(old, new)


def test_json_members_on_lines_of_their_own() -> None:
    assert patch_text(PRETTY, "json", [add("/parts/Q1/type", "2N3904")]) == PRETTY.replace(
        '{"base": "n2"}\n', '{"base": "n2"},\n      "type": "2N3904"\n')
    assert patch_text(PRETTY, "json", [add("/parts/D1", {"kind": "diode"})]) == PRETTY.replace(
        "    }\n  },", '    },\n    "D1": {"kind": "diode"}\n  },')
    assert patch_text(PRETTY, "json", [remove("/parts/Q1/pins")]) == PRETTY.replace(
        ',\n      "pins": {"base": "n2"}', "")


@pytest.mark.parametrize("operation", [
    add("/a/c", 1), add("/d", {"e": [1, 2]}), replace("/a/b", {"x": 1, "y": 2}), add("/z", "y")])
def test_compact_json_stays_compact(operation: dict[str, Any]) -> None:
    text = '{"a":{"b":2},"z":"x"}'
    wanted = jsonpatch.apply_patch(json.loads(text), [operation])
    assert patch_text(text, "json", [operation]) == json.dumps(wanted, separators=(",", ":"))


def test_several_operations_are_made_in_order() -> None:
    patch = [{"op": "test", "path": "/parts/R1/kind", "value": "resistor"},
             replace("/parts/R1/resistance", "1k"),
             add("/parts/R2", {"kind": "load"}), replace("/parts/R2/kind", "coil"), remove("/parts/R10")]
    assert parse(patch_text(YAML, "yaml", patch), "yaml")[0] == jsonpatch.apply_patch(
        parse(YAML, "yaml")[0], patch)


@pytest.mark.parametrize(("operation", "said"), [
    ({"op": "test", "path": "/name", "value": "other"}, "does not fit"),
    (replace("/parts/R7/resistance", "1k"), "does not fit"),
    (remove("/parts/R7"), "does not fit"),
    (add("/name/x", 1), "does not fit"),
    (add("/notes/9", 1), "does not fit"),
    ({"op": "copy", "from": "/name", "path": "/title"}, "'copy' is not one"),
    (replace("", {}), "whole document"),
    (replace("name", "x"), "does not fit"),
])
def test_what_does_not_fit_is_refused(operation: dict[str, Any], said: str) -> None:
    with pytest.raises(CannotEdit, match=said):
        patch_text(YAML, "yaml", [operation])


@pytest.mark.parametrize("path", ["/one", "/two", "/three/x"])
def test_values_that_are_shared_by_an_anchor_are_refused(path: str) -> None:
    text = "one: &r 4k7\ntwo: *r\nthree: &m {x: 1}\nfour: *m\n"
    with pytest.raises(CannotEdit, match=r"anchor|alias"):
        patch_text(text, "yaml", [replace(path, "3k9")])


@pytest.mark.parametrize("text", ["{", "a: [", "a: 1\na: 2\n", "- {"])
def test_text_that_is_no_document_is_refused(text: str) -> None:
    with pytest.raises(CannotEdit, match="cannot be read"):
        patch_text(text, "yaml", [])


def test_line_ends_and_byte_order_mark_are_kept() -> None:
    data = b"\xef\xbb\xbf" + YAML.replace("\n", "\r\n").encode()
    patch = [replace("/name", "x"), add("/parts/Q1/type", "2N3904"), remove("/empty")]
    new = patch_bytes(data, "yaml", patch)
    assert new == b"\xef\xbb\xbf" + patch_text(YAML, "yaml", patch).replace("\n", "\r\n").encode()
    with pytest.raises(CannotEdit, match="UTF-8"):
        patch_bytes(b"a: \xff", "yaml", [])


@pytest.mark.parametrize(("left", "right", "equal"), [
    (1, 1.0, True), (True, 1, False), (0, False, False), ("1", 1, False), (None, None, True),
    ({"a": [1, True]}, {"a": [1.0, True]}, True), ({"a": 1}, {"a": 1, "b": 2}, False), ([1], [1, 2], False)])
def test_sameness_is_that_of_json(left: Any, right: Any, equal: bool) -> None:
    assert same(left, right) is equal


NAMES = st.text("abcRQ1/~ -", min_size=1, max_size=5)
SCALARS = st.one_of(st.text(st.characters(codec="utf-8", exclude_categories=("Cs", "Cc")), max_size=8),
                    st.sampled_from(["4k7", "-10 degC", "5 %", "null", "true", "1e5", "12:30", "- x", "#1",
                                     "a: b"]),
                    st.integers(-10**6, 10**6), st.booleans(), st.none(),
                    st.floats(-1e9, 1e9, allow_subnormal=False))
DATA = st.dictionaries(NAMES, st.recursive(
    SCALARS, lambda inner: st.one_of(st.dictionaries(NAMES, inner, max_size=3), st.lists(inner, max_size=3)),
    max_leaves=8), min_size=1, max_size=4)


def pointers(value: Any, at: str = "") -> list[str]:
    found = [at] if at else []
    if isinstance(value, dict):
        for key, item in value.items():
            found += pointers(item, f"{at}/{key.replace('~', '~0').replace('/', '~1')}")
    elif isinstance(value, list):
        for index, item in enumerate(value):
            found += pointers(item, f"{at}/{index}")
    return found


def block_yaml(value: Any, indent: str = "") -> str:
    """Block style two levels deep, flow style below, a comment on every line."""
    rows = []
    for key, item in value.items():
        lead = f"{indent}{json.dumps(key)}:"
        if isinstance(item, dict) and item and len(indent) < 4:
            rows.append(f"{lead}  # {len(rows)}\n{block_yaml(item, indent + '  ')}")
        elif isinstance(item, list) and item:
            lines = "".join(f"{indent}- {json.dumps(entry, ensure_ascii=False)}  # {at}\n"
                            for at, entry in enumerate(item))
            rows.append(f"{lead}\n{lines}")
        else:
            rows.append(f"{lead} {json.dumps(item, ensure_ascii=False)}  # {len(rows)}\n")
    return "".join(rows)


@given(DATA, st.data(), st.sampled_from(["compact", "pretty", "spaced", "flow", "block"]))
def test_the_edited_text_reads_back_as_the_patched_data(value: dict[str, Any], data: st.DataObject,
                                                        layout: str) -> None:
    text = {
        "compact": lambda: json.dumps(value, separators=(",", ":")),
        "pretty": lambda: json.dumps(value, indent=2) + "\n",
        "spaced": lambda: json.dumps(value, ensure_ascii=False) + "\n",
        "flow": lambda: "# head\n" + json.dumps(value, indent=1, ensure_ascii=False) + " # tail\n",
        "block": lambda: block_yaml(value),
    }[layout]()
    spelling: Any = "yaml" if layout in ("flow", "block") else "json"
    path = data.draw(st.sampled_from(pointers(value)))
    new = data.draw(st.one_of(SCALARS, st.dictionaries(NAMES, SCALARS, max_size=2)))
    kind = data.draw(st.sampled_from(["replace", "remove", "add"]))
    if kind == "add":
        path = data.draw(st.sampled_from([path, f"{path.rpartition('/')[0]}/fresh"]))
    operation = {"op": kind, "path": path} | ({} if kind == "remove" else {"value": new})
    try:
        wanted = jsonpatch.apply_patch(value, [operation])
    except (jsonpatch.JsonPatchException, jsonpointer.JsonPointerException):
        with pytest.raises(CannotEdit):
            patch_text(text, spelling, [operation])
        return
    result = patch_text(text, spelling, [operation])
    assert same(parse(result, spelling)[0], wanted)
    if kind != "remove" and not isinstance(jsonpointer.resolve_pointer(value, path, None), (dict, list)):
        # Nothing but the one token (and a comma or line for it) may differ.
        gone = [line for line in text.split("\n") if line not in result.split("\n")]
        assert len(gone) <= 1


def test_a_file_is_replaced_in_one_step_and_keeps_its_mode(tmp_path: Path) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_bytes(b"a: 1\n")
    path.chmod(0o640)
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    write_file(link, b"a: 1\n", b"a: 2\n")
    assert path.read_bytes() == b"a: 2\n"
    assert link.is_symlink()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["lamp.yaml", "link.yaml"]


def test_a_file_that_changed_meanwhile_is_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_bytes(b"a: 3\n")
    with pytest.raises(CannotEdit, match="changed by someone else"):
        write_file(path, b"a: 1\n", b"a: 2\n")
    assert path.read_bytes() == b"a: 3\n"


def test_what_is_not_a_plain_file_is_not_replaced(tmp_path: Path) -> None:
    with pytest.raises(CannotEdit, match="not a plain file"):
        write_file(tmp_path, b"", b"x")
    with pytest.raises(FileNotFoundError):
        write_file(tmp_path / "none", b"", b"x")


def test_a_failed_write_leaves_the_file_and_no_litter(tmp_path: Path,
                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "lamp.yaml"
    path.write_bytes(b"a: 1\n")

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OSError, match="No space"):
        write_file(path, b"a: 1\n", b"a: 2\n")
    assert path.read_bytes() == b"a: 1\n"
    assert [entry.name for entry in tmp_path.iterdir()] == ["lamp.yaml"]


def test_new_files_obey_the_umask_and_old_ones_keep_their_mode(tmp_path: Path) -> None:
    path = tmp_path / "new.yaml"
    before = os.umask(0o027)
    try:
        create_file(path, b"a: 1\n")
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    path.chmod(0o600)
    create_file(path, b"a: 2\n")
    assert (path.read_bytes(), stat.S_IMODE(path.stat().st_mode)) == (b"a: 2\n", 0o600)
    create_file(Path(os.devnull), b"x")
