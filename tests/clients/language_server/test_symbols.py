"""The outline: what is there, and ranges that hold their names and their children."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
import yaml
from lsprotocol import types as lsp

import clients
from clients.language_server.snapshot import Snapshot, take
from clients.language_server.symbols import MAIN_VALUES, document_symbols, flat_symbols
from schemas.kinds import KINDS

EXAMPLES = sorted(path for path in (Path(clients.__file__).parent / "examples").iterdir()
                  if path.suffix in (".json", ".yaml"))


def every(symbols: Sequence[lsp.DocumentSymbol]) -> Iterator[lsp.DocumentSymbol]:
    for symbol in symbols:
        yield symbol
        yield from every(symbol.children or ())


def checked(snapshot: Snapshot) -> list[lsp.DocumentSymbol]:
    """The outline, checked: a selection lies in its range (LSP 3.17), children in their parent's."""
    found = document_symbols(snapshot)

    def spans(symbols: Sequence[lsp.DocumentSymbol], start: int, end: int) -> None:
        for symbol in symbols:
            from_, to = snapshot.lines.span_of(symbol.range)
            first, last = snapshot.lines.span_of(symbol.selection_range)
            assert start <= from_ <= first <= last <= to <= end, symbol.name
            assert symbol.name
            spans(symbol.children or (), from_, to)
    spans(found, 0, len(snapshot.text))
    return found


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_outline_of_an_example_in_every_way_of_writing(path: Path) -> None:
    own = take(path.as_uri(), 1, path.read_text(encoding="utf-8"))
    assert own.circuit is not None
    twins = [("x.json", json.dumps(own.raw, indent=2)), ("x.json", json.dumps(own.raw)),
             ("x.yaml", yaml.safe_dump(own.raw, sort_keys=False)),
             ("x.yaml", yaml.safe_dump(own.raw, sort_keys=False).replace("\n", "\r\n"))]
    for snapshot in (own, *(take(f"file:///{name}", 1, text) for name, text in twins)):
        found = {symbol.name: symbol for symbol in checked(snapshot)}
        parts = found["parts"].children or []
        assert {part.name for part in parts} == set(own.circuit.parts)
        for symbol in parts:
            part = own.circuit.parts[symbol.name]
            assert symbol.detail is not None
            assert symbol.detail.startswith(part.kind)
            start, end = snapshot.lines.span_of(symbol.selection_range)
            assert snapshot.text[start:end] == symbol.name
            assert {pin.name: pin.detail for pin in symbol.children or ()} == dict(part.pins)
            # The range is that of the part alone: read by itself it is the part again.
            start, end = snapshot.lines.span_of(symbol.range)
            inside = snapshot.text[start:end].replace('"', "")
            assert not [other for other in own.circuit.parts
                        if other != symbol.name and re.search(rf"(?<![\w]){other}:", inside)]
        for section in ("states", "stimuli", "nets"):
            if section in found:
                assert [s.name for s in found[section].children or ()] == list(own.raw[section])
        if "requirements" in found:
            assert len(found["requirements"].children or ()) == len(own.circuit.requirements)


def test_names_and_details() -> None:
    text = """\
parts:
  R1: {kind: resistor, resistance: 4k7, pins: {a: n1, b: gnd}}
  Q1:
    kind: npn
    beta: 100
  X9: {kind: gadget}
nets: {n1: {label: to the bell}}
states: {lit: {Q1: on, Q2: off}}
stimuli: {press: [{at: 0 s, part: S1, to: closed}]}
requirements: [{kind: delay, name: ring time, target: 3 s, within: 5 %}, {}]
waivers: [{rule: base-bleed, parts: [Q1], nets: [n1], reason: x, owner: y, expires: 2027-01-01}]
"""
    found = {symbol.name: symbol.detail for symbol in every(checked(take("file:///x.yaml", 1, text)))}
    assert found["R1"] == "resistor 4k7"
    assert found["Q1"] == "npn"
    assert found["X9"] == "gadget"
    assert found["n1"] == "to the bell"
    assert found["lit"] == "Q1 on, Q2 off"
    assert found["press"] == "S1 closed"
    assert found["delay ring time"] == "target 3 s, within 5 %"
    assert "requirement 2" in found
    assert found["base-bleed"] == "Q1, n1 until 2027-01-01"
    assert found["a"] == "n1"


@pytest.mark.parametrize("path", [EXAMPLES[0], *(p for p in EXAMPLES if p.suffix == ".json")],
                         ids=lambda path: path.stem)
def test_every_prefix_has_an_outline(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for end in range(0, len(text) + 1, 3):
        checked(take(path.as_uri(), 1, text[:end]))


def test_clients_without_nesting_get_a_flat_list() -> None:
    snapshot = take("file:///shed/x.yaml", 1, "parts: {R1: {kind: resistor, pins: {a: n1")
    found = flat_symbols(snapshot)
    assert [(s.name, s.container_name) for s in found] == [("parts", "x.yaml"), ("R1", "parts"), ("a", "R1")]
    assert found[0].location.uri == snapshot.uri


def test_every_kind_has_a_member_that_tells_its_parts_apart() -> None:
    assert set(MAIN_VALUES) == set(KINDS)
    for name, member in MAIN_VALUES.items():
        assert KINDS[name].parameter(member) is not None


def test_aliases_and_nonsense() -> None:
    text = "parts:\n  R1: &r {kind: resistor, resistance: 1k, pins: {a: x, b: y}}\n  R2: *r\nstates: 3\n"
    outline = checked(take("file:///x.yaml", 1, f"{text}nets: [1]\n"))
    found = {symbol.name: symbol.detail for symbol in every(outline)}
    assert found["R2"] == "resistor 1k"
    for nonsense in ("", "[]", "{", "parts", "parts: *a", "waivers: [[], {rule: [1]}]",
                     "requirements: {a: b}"):
        for name in ("x.json", "x.yaml"):
            checked(take(f"file:///{name}", 1, nonsense))
