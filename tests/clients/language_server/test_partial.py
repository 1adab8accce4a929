"""Half-typed texts: the place of a cursor and the names that are there, whatever is missing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

import clients
from clients.language_server.partial import MOST_READ, Node, Partial, Spot, known, read_partial
from clients.language_server.snapshot import take

EXAMPLES = sorted(path for path in (Path(clients.__file__).parent / "examples").iterdir()
                  if path.suffix in (".json", ".yaml"))
CORPUS = sorted((Path(__file__).parents[2] / "corpus" / "circuits").iterdir())


def data(partial: Partial, node: Node | None) -> Any:
    node = partial.target(node)
    if node is None:
        return None
    if node.kind == "scalar":
        return node.text
    if node.kind == "list":
        return [data(partial, item) for item in node.items]
    return {member.name: data(partial, member.value) for member in node.members}


def same(strict: Any, read: Any) -> bool:
    """Whether the tolerant reading says what the strict one says; single values as text."""
    if isinstance(strict, dict):
        return isinstance(read, dict) and strict.keys() == read.keys() and all(
            same(value, read[key]) for key, value in strict.items())
    if isinstance(strict, list):
        return isinstance(read, list) and len(strict) == len(read) and all(map(same, strict, read))
    if isinstance(strict, bool):
        return bool(read == str(strict).lower())
    if isinstance(strict, (int, float)):
        return float(read) == strict
    return bool(strict == read)


def spot(text: str, spelling: str = "yaml") -> Spot:
    """The place of the mark ``|`` in a text."""
    at = text.index("|")
    return read_partial(text[:at] + text[at + 1:], spelling).at(at)


@pytest.mark.parametrize("recover", [False, True])
@pytest.mark.parametrize("path", [*EXAMPLES, *CORPUS], ids=lambda path: path.stem)
def test_a_whole_text_is_read_as_the_strict_reader_reads_it(path: Path, recover: bool) -> None:
    snapshot = take(path.as_uri(), 1, path.read_text(encoding="utf-8"))
    partial = read_partial(snapshot.text, snapshot.spelling, recover=recover)
    assert same(snapshot.raw, data(partial, partial.root))
    circuit = snapshot.circuit
    assert circuit is not None
    found = known(partial)
    assert dict(found.parts) == {name: part.kind for name, part in circuit.parts.items()}
    assert sorted(found.nets) == list(circuit.net_names)
    assert found.nets[0] == circuit.ground
    assert list(found.states) == sorted(circuit.states)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_way_of_writing_it_is_read(path: Path) -> None:
    raw = take(path.as_uri(), 1, path.read_text(encoding="utf-8")).raw
    texts = [("json", json.dumps(raw, indent=indent)) for indent in (None, 0, 2)]
    texts += [("yaml", text) for _, text in texts]
    texts += [("yaml", yaml.safe_dump(raw, default_flow_style=False, sort_keys=False)),
              ("yaml", yaml.safe_dump(raw, default_flow_style=False, indent=6)),
              ("yaml", yaml.safe_dump(raw, default_flow_style=None).replace("\n", "\r\n"))]
    for spelling, text in texts:
        for recover in (True, False):
            partial = read_partial(text, spelling, recover=recover)
            assert same(raw, data(partial, partial.root)), (spelling, recover, text[:60])
    folded = yaml.safe_dump(raw, default_flow_style=True, width=60)
    partial = read_partial(folded, "yaml", recover=False)
    assert same(raw, data(partial, partial.root))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_prefix_in_both_spellings_is_read_and_keeps_the_names_before_it(path: Path) -> None:
    whole = take(path.as_uri(), 1, path.read_text(encoding="utf-8"))
    assert whole.circuit is not None
    other = json.dumps(whole.raw, indent=1) if whole.spelling == "yaml" else yaml.safe_dump(whole.raw)
    for spelling, text in ((whole.spelling, whole.text),
                           ("json" if whole.spelling == "yaml" else "yaml", other)):
        parts: set[str] = set()
        for end in range(len(text) + 1):
            partial = read_partial(text[:end], spelling)
            found = partial.at(end)
            assert 0 <= found.start <= end <= found.end <= len(text)
            now = set(partial.parts) & set(whole.circuit.parts)
            assert parts <= now, (spelling, end)  # a part that was read stays known
            parts = now
        assert parts == set(whole.circuit.parts)


@given(st.text(alphabet="{}[]:,\"'#&*|>-!%@ \t\n\rab1.~", max_size=60), st.sampled_from(["json", "yaml"]),
       st.booleans())
def test_no_text_is_too_broken(text: str, spelling: str, recover: bool) -> None:
    partial = read_partial(text, spelling, recover=recover)
    for at in range(-1, len(text) + 2):
        found = partial.at(at)
        assert 0 <= found.start <= found.end <= len(text)
    known(partial)


@pytest.mark.parametrize("piece", ["{", "[", '{"a":', '"', "'", "- ", "a: ", "a:\n ", "\n", " \n",
                                   "{a: [b, {c: ", "a: &x [*x, *x]\n", "a: |\n", "- - ", "a b ", "a:b", '"\\',
                                   "}", ",:", "/*"])
def test_long_nonsense_is_read_in_proportion_to_its_length(piece: str) -> None:
    """Counted in steps of the interpreter, so that no clock decides."""
    import sys

    def steps(count: int, spelling: str) -> int:
        calls = 0

        def count_calls(frame: object, event: str, argument: object) -> None:
            nonlocal calls
            calls += 1
        sys.setprofile(count_calls)
        try:
            known(read_partial(piece * count, spelling))
        finally:
            sys.setprofile(None)
        return calls
    for spelling in ("json", "yaml"):
        assert steps(4000, spelling) <= 2.6 * steps(2000, spelling) + 2000


@pytest.mark.parametrize(("text", "role", "path", "before"), [
    ("na|", "key", (), "na"),
    ("name: x\n|", "key", (), ""),
    ("name: la|mp", "value", ("name",), "la"),
    ("parts:\n  R1: {ki|", "key", ("parts", "R1"), "ki"),
    ("parts:\n  R1: {kind: re|", "value", ("parts", "R1", "kind"), "re"),
    ("parts:\n  R1: {kind: resistor, |}", "key", ("parts", "R1"), ""),
    ("parts:\n  R1: {kind: resistor, pins: {a: n|\n  R2: {kind: led}\n", "value",
     ("parts", "R1", "pins", "a"), "n"),
    ("parts:\n  R1: {kind: resistor, pins: {a: n1, b: \n  R2: {kind: l|ed}\n", "value",
     ("parts", "R2", "kind"), "l"),
    ("parts:\n  R1:\n    kind: resistor\n    |\n  R2: {}\n", "key", ("parts", "R1"), ""),
    ("parts:\n  R1:\n    kind: resistor\n  |\n  R2: {}\n", "key", ("parts",), ""),
    ("parts:\n  R1:\n    kind: resistor\n|\n", "key", (), ""),
    ("parts:\n  R1:\n    |\n", "key", ("parts", "R1"), ""),
    ("parts:\n  R1:\n    kind: resistor\n    resi|\n", "key", ("parts", "R1"), "resi"),
    ("parts:\n  R1:\n    resistance: 4.7 |\n", "value", ("parts", "R1", "resistance"), "4.7 "),
    ("parts:\n  R1:\n    resistance: '4.7 k|'\n", "value", ("parts", "R1", "resistance"), "4.7 k"),
    ("requirements:\n  - {kind: delay, st|}\n", "key", ("requirements", 0), "st"),
    ("requirements:\n  - kind: delay\n    sta|\n", "key", ("requirements", 0), "sta"),
    ("requirements:\n  - kind: delay\n  - kind: re-|\n", "value", ("requirements", 1, "kind"), "re-"),
    ("requirements:\n  - kind: delay\n  |\n", "item", ("requirements",), ""),
    ("requirements:\n- {kind: delay}\n- |\n", "value", ("requirements", 1), ""),
    ("waivers:\n  - {rule: x, parts: [R1, |]}\n", "value", ("waivers", 0, "parts", 1), ""),
    ("name: x # in a com|ment\nuse: bench\n", "none", ("name",), ""),
    ("# lamp |\nuse: bench\n", "none", (), ""),
    ("stimuli:\n  press:\n    - at: 0 s\n      part: S|\n", "value", ("stimuli", "press", 0, "part"), "S"),
])
def test_where_the_cursor_is_in_yaml(text: str, role: str, path: tuple[str | int, ...], before: str) -> None:
    found = spot(text)
    assert (found.role, found.before) == (role, before)
    if role != "none":
        assert found.path == path


@pytest.mark.parametrize(("text", "role", "path", "before"), [
    ("{|", "key", (), ""),
    ('{"na|', "key", (), "na"),
    ('{"na|"}', "key", (), "na"),
    ('{"name": "la|', "value", ("name",), "la"),
    ('{"name": |}', "value", ("name",), ""),
    ('{"name": "x"| }', "after", (), ""),
    ('{"name": "x", |', "key", (), ""),
    ('{"name" "x", "use": "b|', "value", ("use",), "b"),
    ('{"name": "x" "use": "b|', "value", ("use",), "b"),
    ('{\n "name": "x\n "use": "b|\n}', "value", ("use",), "b"),
    ('{\n "parts": {\n  "R1": {"kind": "re|\n  "R2": {"kind": "led"}\n }\n}', "value",
     ("parts", "R1", "kind"), "re"),
    ('{\n "parts": {\n  "R1": {"kind": "resistor", "pins": {"a": \n  "R2": {"kind": "l|ed"}\n }\n}', "value",
     ("parts", "R2", "kind"), "l"),
    ('{"parts": {"R1": {"kind": , "resistance": 4.|7', "value", ("parts", "R1", "resistance"), "4."),
    ('{"parts": {"R1": {"kind": "pins": {"a": "n|', "value", ("parts", "R1", "pins", "a"), "n"),
    ('{"parts": {"R1": {"resistance": 4.7 k|', "value", ("parts", "R1", "resistance"), "4.7 k"),
    ('{"waivers": [{"parts": ["R1", "|"]}]}', "value", ("waivers", 0, "parts", 1), ""),
    ('{"requirements": [{"kind": "delay"}, {"|"}]}', "key", ("requirements", 1), ""),
])
def test_where_the_cursor_is_in_json(text: str, role: str, path: tuple[str | int, ...], before: str) -> None:
    found = spot(text, "json")
    assert (found.role, found.path, found.before) == (role, path, before)


def test_the_range_that_is_replaced() -> None:
    text = "parts: {R1: {kind: resistor, pins: {a: rail, b: gnd}}}"
    at = text.index("rail") + 2
    found = read_partial(text, "yaml").at(at)
    assert text[found.start:found.end] == "rail"
    quoted = '{"name": "lamp", "use": "ben"}'
    found = read_partial(quoted, "json").at(quoted.index("ben") + 1)
    assert (quoted[found.start:found.end], found.quote, found.closed) == ("ben", '"', True)
    open_ = '{"name": "lamp", "use": "be'
    found = read_partial(open_, "json").at(len(open_))
    assert (open_[found.start:found.end], found.quote, found.closed) == ("be", '"', False)


def test_aliases_lead_to_what_they_stand_for_and_never_round_in_circles() -> None:
    text = "parts:\n  R1: &r {kind: resistor, pins: &p {a: x, b: y}}\n  R2: *r\n  R3: {kind: led, pins: *p}\n"
    partial = read_partial(text, "yaml")
    assert dict(partial.parts["R2"].pins) == {"a": "x", "b": "y"}
    assert partial.nets == ("x", "y")
    assert read_partial("parts: &a {b: *a, c: {pins: *a, d: *z}}", "yaml").nets == ()


def test_what_cannot_be_read_is_taken_from_the_last_circuit() -> None:
    path = Path(clients.__file__).parent / "examples" / "workshop-lamp.yaml"
    good = take(path.as_uri(), 1, path.read_text(encoding="utf-8")).circuit
    assert good is not None
    found = known(read_partial("parts: {X1: {kind: led, pins: {anode: zz", "yaml"), good)
    assert set(found.parts) == {"X1", *good.parts}
    assert found.nets[0] == good.ground
    assert "zz" in found.nets
    assert found.states == tuple(sorted(good.states))


@pytest.mark.parametrize("spelling", ["yaml", "json"])
def test_of_a_text_without_end_the_beginning_is_read(spelling: str) -> None:
    line = '"R1": {"kind": "resistor"},\n'
    text = '{"parts": {' + line + "{\n" * MOST_READ
    partial = read_partial(text, spelling)
    assert partial.parts["R1"].kind == "resistor"
    assert partial.at(text.index("resistor") + 2).path == ("parts", "R1", "kind")
    for offset in (MOST_READ, MOST_READ + 7, len(text)):
        spot = partial.at(offset)
        assert (spot.role, spot.path) == ("none", ())
