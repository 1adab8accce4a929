"""Rename, references, definition and highlights: every place, nothing else, in both spellings."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from lsprotocol import types as lsp

import clients
from clients.language_server.lines import changed
from clients.language_server.rename import (
    PLACES,
    CannotRename,
    Sort,
    definition,
    highlights,
    places,
    prepare,
    references,
    rename,
    renamed,
)
from clients.language_server.snapshot import Snapshot, take
from schemas.document import check_raw, parse_text
from schemas.references import references as unknown_names
from service.documents import type_kinds

EXAMPLES = sorted(path for path in (Path(clients.__file__).parent / "examples").iterdir()
                  if path.suffix in (".json", ".yaml"))
CORPUS = sorted((Path(__file__).parents[2] / "corpus" / "circuits").iterdir())
LAMP = """\
format: thumbrule/1
name: lamp \U0001f4a1
ground: &g gnd   # the reference
ambient: {low: 0 degC, nominal: 20 degC, high: 40 degC}
parts:
  BT1: {kind: battery, voltage: 9 V, pins: {plus: rail, minus: *g}}
  S1:  {kind: contact, pins: {a: rail, b: 'n1'}}
  R1:  {kind: resistor, resistance: 10k, pins: {a: "n1", b: base}}   # feeds base
  R2:  {kind: resistor, resistance: 10k, pins: &two {a: base, b: *g}}
  R3:  {kind: resistor, resistance: 1M, pins: *two}
  Q1:  {kind: npn, type: 2N3904, pins: {collector: out, base: base, emitter: *g}}
  LS1: {kind: load, resistance: 330 ohm, pins: {plus: rail, minus: out}}
nets: {out: {terminal: true}, base: {label: base}}
states: {lit: {Q1: on}, dark: {Q1: off}}
stimuli: {press: [{at: 0 s, part: S1, to: closed}]}
requirements:
  - {kind: net-voltage, net: out, state: lit, at_most: 1 V, name: out}
  - {kind: re-arm, stimulus: press, at_most: 1 s}
waivers:
  - {rule: base-bleed, parts: [Q1, R2], nets: [base], reason: R2 and base, owner: R2, expires: 2027-01-31}
"""


def snapshot_of(text: str, name: str = "lamp.yaml") -> Snapshot:
    return take(f"file:///{name}", 1, text)


def edited(snapshot: Snapshot, edits: list[lsp.TextEdit]) -> str:
    """The text after edits that all refer to the text before (LSP 3.17, section "TextEdit[]")."""
    spans = sorted(snapshot.lines.span_of(edit.range) for edit in edits)
    assert all(one[1] <= other[0] for one, other in pairwise(spans))
    return changed(snapshot.text, [lsp.TextDocumentContentChangePartial(range=edit.range, text=edit.new_text)
                                   for edit in sorted(edits, key=lambda e: snapshot.lines.span_of(e.range),
                                                      reverse=True)])


def put(text: str, at: str, new: str, shift: int = 0, name: str = "lamp.yaml") -> str:
    snapshot = snapshot_of(text, name)
    return edited(snapshot, rename(snapshot, text.index(at) + shift, new))


def test_a_part_in_all_its_places() -> None:
    text = put(LAMP, "Q1:", "Q7")
    assert text == (LAMP.replace("Q1:  {", "Q7:  {").replace("{Q1: on}", "{Q7: on}")
                    .replace("{Q1: off}", "{Q7: off}").replace("[Q1, R2]", "[Q7, R2]"))


def test_a_net_in_all_its_places_with_its_quotes() -> None:
    assert put(LAMP, "'n1'", "in", 2) == LAMP.replace("'n1'", "'in'").replace('"n1"', '"in"')
    text = put(LAMP, "out, base", "bell")
    assert text == (LAMP.replace("collector: out", "collector: bell").replace("minus: out", "minus: bell")
                    .replace("{out: {terminal", "{bell: {terminal").replace("net: out,", "net: bell,"))
    text = put(LAMP, "base: base, emitter", "b", 6)
    assert text == (LAMP.replace("b: base}}   #", "b: b}}   #").replace("{a: base, b: *g", "{a: b, b: *g")
                    .replace("base: base, emitter", "base: b, emitter").replace("base: {label", "b: {label")
                    .replace("nets: [base]", "nets: [b]"))


def test_an_anchor_is_written_once() -> None:
    assert put(LAMP, "gnd", "zero") == LAMP.replace("&g gnd", "&g zero")


def test_a_name_that_yaml_would_take_for_something_else_gets_quotes() -> None:
    for new in ("on", "1", "1e5", "null", "0x1F", "y"):
        text = put(LAMP, "rail", new)
        assert f'plus: "{new}"' in text
    assert "plus: on2" in put(LAMP, "rail", "on2")
    assert "'1'" in put(LAMP, "'n1'", "1", 1)


def test_a_state_and_a_stimulus() -> None:
    assert put(LAMP, "lit: {", "glow") == LAMP.replace("{lit:", "{glow:").replace("state: lit", "state: glow")
    assert put(LAMP, "press: [", "tap") == LAMP.replace("{press:", "{tap:").replace(": press,", ": tap,")


def test_the_range_is_right_behind_a_character_of_two_units() -> None:
    text = LAMP.replace("  S1:  {", "  S1:  {label: \U0001f4a1, ")
    snapshot = snapshot_of(text)
    reach, name = prepare(snapshot, text.index("rail, b") + 1)
    line = text.splitlines()[reach.start.line]
    assert name == "rail"
    assert reach.start.character == line.index("rail") + 1


def test_the_range_leaves_the_quotes_out() -> None:
    snapshot = snapshot_of(LAMP)
    reach, name = prepare(snapshot, LAMP.index("'n1'"))
    start, end = snapshot.lines.span_of(reach)
    assert (LAMP[start:end], name) == ("n1", "n1")


@pytest.mark.parametrize(("at", "new", "reason"), [
    ("R1:", "R2", "there is a part R2 already, in line 9"),
    ("R1:", "", "is not a name"),
    ("R1:", "R 1", "is not a name"),
    ("R1:", "R\u00b5", "is not a name"),
    ("R1:", "x" * 65, "is not a name"),
    ("rail", "gnd", "there is a net gnd already, in line 3"),
    ("lit: {", "dark", "there is a state dark already"),
    ("10k", "12k", "no name of a part"),
    ("# feeds", "x", "no name of a part"),
])
def test_refused_with_the_reason(at: str, new: str, reason: str) -> None:
    snapshot = snapshot_of(LAMP)
    with pytest.raises(CannotRename, match=reason):
        rename(snapshot, LAMP.index(at), new)


def test_refused_where_an_anchor_is_shared_with_something_else() -> None:
    text = LAMP.replace("name: lamp \U0001f4a1", "name: &n rail")
    text = text.replace("plus: rail, minus: *g", "plus: *n, minus: *g")
    with pytest.raises(CannotRename, match="shares its place"):
        rename(snapshot_of(text), text.index("a: rail") + 4, "top")


@pytest.mark.parametrize("text", [LAMP + "parts: {}\n", LAMP + "x: [", LAMP.replace("9 V", "1e999")])
def test_refused_where_not_all_of_the_text_is_read(text: str) -> None:
    with pytest.raises(CannotRename, match="so that not every place"):
        rename(snapshot_of(text), text.index("R1:"), "R9")


def test_a_text_with_other_problems_can_be_renamed_in() -> None:
    text = LAMP.replace("10k, pins: {a: \"n1\"", "10 V, pins: {a: \"n1\"")
    assert not snapshot_of(text).document
    assert put(text, "R1:", "R9") == text.replace("R1:", "R9:")


def test_the_same_name_stays() -> None:
    assert rename(snapshot_of(LAMP), LAMP.index("R1:"), "R1") == []


def _whole(raw: Any) -> list[tuple[Sort, str]]:
    found = {(place.sort, place.name) for place in places(snapshot_of(json.dumps(raw), "x.json"))}
    return sorted(found)


@pytest.mark.parametrize("path", [*EXAMPLES, *CORPUS], ids=lambda path: path.stem)
def test_every_name_of_every_circuit_can_be_changed_and_nothing_else_is(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    original = take(path.as_uri(), 1, text)
    assert original.document is not None
    names = {(place.sort, place.name): place for place in places(original)}
    assert {name for sort, name in names if sort == "part"} == set(original.document.circuit.parts)
    assert {name for sort, name in names if sort == "net"} == set(original.document.circuit.net_names)
    for (sort, name), place in sorted(names.items()):
        new = "off" if sort == "net" else f"{name}-x"
        after = edited(original, rename(original, place.start, new))
        found, _ = parse_text(after, original.spelling)
        assert found == renamed(original.raw, sort, name, new)
        # The checks of the document, names that lead nowhere among them, find nothing wrong with it.
        circuit, problems, _ = check_raw(found, type_kinds())
        assert circuit is not None, (sort, name, problems)
        back = take(path.as_uri(), 2, after)
        again = next(p for p in places(back) if (p.sort, p.name) == (sort, new))
        if original.spelling == "json":
            assert edited(back, rename(back, again.start, name)) == text
        assert renamed(found, sort, new, name) == original.raw


@pytest.mark.parametrize("path", CORPUS[::12], ids=lambda path: path.stem)
def test_json_twins_of_the_corpus(path: Path) -> None:
    raw = take(path.as_uri(), 1, path.read_text(encoding="utf-8")).raw
    for indent in (None, 2):
        snapshot = snapshot_of(json.dumps(raw, indent=indent), "x.json")
        for sort, name in _whole(raw):
            place = next(p for p in places(snapshot) if (p.sort, p.name) == (sort, name))
            after = edited(snapshot, rename(snapshot, place.start, "new.1"))
            assert json.loads(after) == renamed(raw, sort, name, "new.1")


def test_every_name_that_the_document_checks_is_in_the_table() -> None:
    """A name that leads nowhere is complained about at exactly the places of the table that use one."""
    raw = snapshot_of(LAMP).raw
    used = {place.pointer for place in places(snapshot_of(LAMP))}
    for sort in PLACES:
        for name in {place.name for place in places(snapshot_of(LAMP)) if place.sort == sort}:
            section = {"part": "parts", "state": "states", "stimulus": "stimuli"}.get(sort)
            if section is None:
                continue
            broken = {**raw, section: {("other" if key == name else key): value
                                       for key, value in raw[section].items()}}
            complained = {"".join(f"/{step}" for step in c.at) for c in unknown_names(broken)}
            assert complained <= used | {p.replace(f"/{name}", "/other", 1) for p in used}, (sort, name)


def test_references_definition_and_highlights() -> None:
    snapshot = snapshot_of(LAMP)
    at = LAMP.index("[Q1")  + 1
    lines = [location.range.start.line for location in references(snapshot, at)]
    assert lines == [10, 13, 13, 19]
    assert [loc.range.start.line for loc in references(snapshot, at, declaration=False)] == [13, 13, 19]
    found = definition(snapshot, at)
    assert found is not None
    start, end = snapshot.lines.span_of(found.range)
    assert (LAMP[start:end], found.range.start.line) == ("Q1", 10)
    marks = highlights(snapshot, at)
    assert [mark.kind for mark in marks].count(lsp.DocumentHighlightKind.Write) == 1
    net = definition(snapshot, LAMP.index("rail, b"))
    assert net is not None
    assert net.range.start.line == 5  # no note: its first pin
    noted = definition(snapshot, LAMP.index("out, base"))
    assert noted is not None
    assert noted.range.start.line == 12
    assert references(snapshot, LAMP.index("10k")) == []
    assert definition(snapshot, LAMP.index("10k")) is None
    assert highlights(snapshot_of("parts: {R1"), 8) == []
