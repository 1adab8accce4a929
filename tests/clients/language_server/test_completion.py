"""Completion in half-typed texts: what is offered, and the text after an item was taken."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from lsprotocol import types as lsp

import clients
from clients.language_server.completion import complete
from clients.language_server.completion_words import DESIGNATORS, part_body, quantities
from clients.language_server.lines import changed
from clients.language_server.snapshot import Snapshot, take
from schemas.document import parse_text
from schemas.kinds import KINDS
from schemas.quantities import DIMENSIONS, parse

EXAMPLES = Path(clients.__file__).parent / "examples"
LAMP = """\
format: thumbrule/1
name: bench lamp \U0001f4a1
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, pins: {a: rail, b: n1}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: out, base: n1, emitter: gnd}}
"""
RULES = {"min-beta-drive": "Base drive", "divider-stiffness": "Stiff dividers"}


def asked(text: str, spelling: str = "yaml", **options: object) -> tuple[Snapshot, lsp.CompletionList]:
    """What is offered at the mark ``|`` of a text."""
    at = text.index("|")
    snapshot = take(f"file:///lamp.{spelling}", 1, text[:at] + text[at + 1:])
    return snapshot, complete(snapshot, at, rules=RULES, **options)  # type: ignore[arg-type]


def labels(text: str, spelling: str = "yaml", **options: object) -> list[str]:
    return [item.label for item in asked(text, spelling, **options)[1].items]


def taken(text: str, label: str, spelling: str = "yaml", **options: object) -> str:
    """The text after the item ``label`` was taken."""
    snapshot, found = asked(text, spelling, **options)
    item = next(item for item in found.items if item.label == label)
    assert isinstance(item.text_edit, lsp.TextEdit)
    reach = item.text_edit.range
    assert reach.start.line == reach.end.line
    return changed(snapshot.text, [lsp.TextDocumentContentChangePartial(range=reach,
                                                                        text=item.text_edit.new_text)])


def test_the_members_of_the_document_that_are_missing() -> None:
    assert labels("format: thumbrule/1\nname: x\n|")[:2] == ["ground", "parts"]
    assert "name" not in labels("format: thumbrule/1\nname: x\n|")
    assert labels("|")[:2] == ["format", "name"]
    assert taken("gro|\nname: x\n", "ground") == "ground: \nname: x\n"


def test_part_kinds_with_their_pins_and_meaning() -> None:
    _, found = asked(LAMP + "  R1: {kind: |")
    assert [item.label for item in found.items] == list(KINDS)
    resistor = next(item for item in found.items if item.label == "resistor")
    assert resistor.detail == "pins a, b"
    assert resistor.documentation == "a fixed resistor"


def test_the_members_of_a_kind_needed_ones_first() -> None:
    assert labels(LAMP + "  R1: {kind: resistor, |}")[:2] == ["pins", "resistance"]
    assert labels(LAMP + "  R1: {kind: resistor, resistance: 1k, pins: {}, to|}") == ["tolerance", "power"]
    assert labels(LAMP + "  R1:\n    kind: resistor\n    |\n")[:2] == ["pins", "resistance"]
    assert labels(LAMP + "  R1: {|}") == ["kind"]


def test_a_member_being_typed_does_not_hide_itself() -> None:
    assert "resistance" in labels(LAMP + "  R1: {kind: resistor, resistance|}")


def test_pins_that_are_missing_in_the_pin_set_that_was_begun() -> None:
    assert labels(LAMP + "  C1: {kind: capacitor, pins: {|}}") == ["plus", "minus", "a", "b"]
    assert labels(LAMP + "  C1: {kind: capacitor, pins: {a: rail, |}}") == ["b"]
    assert labels(LAMP + "  Q2: {kind: pnp, pins: {base: n1, |}}") == ["collector", "emitter"]


def test_nets_in_use_ground_first_with_what_is_on_them() -> None:
    _, found = asked(LAMP + "  R1: {kind: resistor, pins: {a: |")
    assert [item.label for item in found.items] == ["gnd", "n1", "out", "rail"]
    assert found.items[1].detail == "net"
    assert found.items[1].documentation == "Q1.base, S1.b"
    assert "ra" not in labels(LAMP + "  R1: {kind: resistor, pins: {a: ra|}}")  # typed only here


def test_a_net_is_put_in_the_place_of_the_word() -> None:
    text = taken(LAMP + "  R1: {kind: resistor, pins: {a: ra|, b: out}}", "rail")
    assert text.endswith("pins: {a: rail, b: out}}")
    assert taken(LAMP + "  R1: {kind: resistor, pins: {a:|", "rail").endswith("{a: rail")
    # An emoji before the word in the same line: two units of UTF-16, one code point.
    text = taken(LAMP + "  R1: {kind: resistor, label: \U0001f4a1\U0001f4a1, pins: {a: ra|, b: out}}", "rail")
    assert text.endswith("pins: {a: rail, b: out}}")


def test_published_types_of_the_kind() -> None:
    npn, pnp = (labels(LAMP + f"  Q2: {{kind: {kind}, type: |") for kind in ("npn", "pnp"))
    assert "2N3904" in npn
    assert "2N3906" in pnp
    assert not set(npn) & set(pnp)
    assert labels(LAMP + "  D1: {kind: diode, type: 1N|}")


def test_units_after_a_number_and_preferred_values() -> None:
    found = labels(LAMP + "  R1: {kind: resistor, resistance: 4.7|")
    assert found[:3] == ["4.7 kohm", "4.7 ohm", "4.7 Mohm"]
    text = taken(LAMP + "  R1: {kind: resistor, resistance: 4.7 k|}", "4.7 kohm")
    assert text.endswith("resistance: 4.7 kohm}")
    preferred = labels(LAMP + "  R1: {kind: resistor, resistance: 4|")
    assert {"4.3 kohm", "4.7 kohm", "47 kohm", "470 ohm"} <= set(preferred)
    assert "4.5 kohm" not in preferred
    _, listed = asked(LAMP + "  C1: {kind: capacitor, capacitance: 2|")
    assert listed.is_incomplete
    assert {"2 uF", "2.2 uF", "220 nF"} <= {item.label for item in listed.items}
    assert "0.25 W" in labels(LAMP + "  R1: {kind: resistor, power: |")
    assert "200 ms" in labels("stimuli: {press: [{at: 200 m|")


@pytest.mark.parametrize("dimension", sorted(DIMENSIONS))
@pytest.mark.parametrize("typed", ["", "0", "2", "4.", "4.7", "33 ", "1 m", "470u", "-3"])
def test_every_quantity_that_is_offered_is_read(dimension: str, typed: str) -> None:
    words = list(quantities(dimension, typed, "any"))
    for word in words:
        parse(word.text, dimension)
    if typed == "2" and dimension not in ("ratio", "gain"):
        assert words
    assert len({word.text for word in words}) == len(words)


def test_words_of_choices_and_flags() -> None:
    assert labels(LAMP + "  C1: {kind: capacitor, dielectric: |") == ["aluminium", "tantalum", "film",
                                                                      "ceramic"]
    assert labels(LAMP + "  S2: {kind: contact, material: g|") == ["silver", "gold"]
    assert labels(LAMP + "  LS1: {kind: load, inductive: |") == ["true", "false"]
    assert "medical" in labels("use: |")
    assert labels(LAMP + "  R1: {kind: resistor, tolerance: |")[2] == "5 %"
    assert labels("format: |") == ["thumbrule/1"]


def test_states_stimuli_requirements_and_waivers() -> None:
    rest = LAMP + "states: {lit: {Q1: on}}\nstimuli: {press: [{at: 0 s, part: S1, to: closed}]}\n"
    assert labels(rest + "requirements: [{kind: |") == ["delay", "re-arm", "net-voltage", "standing-current",
                                                        "battery-life"]
    assert labels(rest + "requirements: [{kind: delay, state: |") == ["lit"]
    assert labels(rest + "requirements: [{kind: delay, stimulus: |") == ["press"]
    assert labels(rest + "requirements: [{kind: net-voltage, net: |")[0] == "gnd"
    assert labels(rest + "requirements: [{kind: delay, target: 3 s, |}]") == ["stimulus", "state", "name",
                                                                              "within"]
    assert labels(rest + "requirements:\n  - kind: standing-current\n    |\n")[:2] == ["state", "at_most"]
    assert labels(LAMP + "states: {lit: {|}}") == ["Q1"]
    assert labels(LAMP + "states: {lit: {Q1: |}}") == ["off", "active", "saturated", "reverse", "on"]
    assert labels(LAMP + "stimuli: {press: [{at: 0 s, part: |") == ["S1"]
    assert labels(LAMP + "stimuli: {press: [{at: 0 s, part: S1, to: |") == ["open", "closed"]
    assert labels(LAMP + "waivers: [{rule: |") == sorted(RULES)
    assert labels(LAMP + "waivers: [{rule: x, parts: [Q1, |]}]") == ["BT1", "S1"]
    assert labels(LAMP + "waivers: [{rule: x, nets: [|]}]") == ["gnd", "n1", "out", "rail"]


def test_json_gets_its_quotes() -> None:
    start = '{"parts": {"R1": {"kind": '
    assert taken(start + "|", "resistor", "json") == start + '"resistor"'
    assert taken(start + '"re|"', "resistor", "json") == start + '"resistor"'
    assert taken(start + '"re|', "resistor", "json") == start + '"resistor"'
    assert taken(start + '"resistor", |', "resistance", "json") == start + '"resistor", "resistance": '
    assert taken(start + '"resistor", "res|"', "resistance", "json") == start + '"resistor", "resistance": '
    text = taken(start + '"resistor", "res|": 3}', "resistance", "json")
    assert text == start + '"resistor", "resistance": 3}'
    assert taken(start + '"resistor", "resistance": 4.7|}', "4.7 kohm", "json") == \
        start + '"resistor", "resistance": "4.7 kohm"}'
    assert taken('{"parts": {"LS1": {"kind": "load", "inductive": |', "true", "json").endswith(": true")


def test_a_whole_part_under_the_next_free_name() -> None:
    _, found = asked(LAMP + "  |", snippets=True)
    by_label = {item.label: item for item in found.items}
    item = by_label["Q2 npn"]
    assert item.insert_text_format == lsp.InsertTextFormat.Snippet
    assert isinstance(item.text_edit, lsp.TextEdit)
    assert item.text_edit.new_text.startswith("Q2: {kind: npn, type: ${1}, pins: {collector: ${2}")
    _, plain = asked(LAMP + "  |")
    assert all(item.insert_text_format == lsp.InsertTextFormat.PlainText for item in plain.items)
    assert taken(LAMP + "  |", "Q2 npn") == LAMP + "  Q2: "
    assert "Q2 npn" in labels(LAMP + "  Q2|", snippets=True)  # the name being typed is still free


@pytest.mark.parametrize("spelling", ["yaml", "json"])
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_snippet_filled_in_is_a_part(kind: str, spelling: str) -> None:
    body = part_body(kind, spelling).replace("\\}", "}")
    filled = re.sub(r"\$\{[0-9]+\}", "x", body)
    raw, _ = parse_text(filled if spelling == "json" else f"p: {filled}", spelling)  # type: ignore[arg-type]
    part = raw if spelling == "json" else raw["p"]
    assert part["kind"] == kind
    assert list(part["pins"]) == list(KINDS[kind].pins[0])
    assert {p.name for p in KINDS[kind].parameters if p.required} <= part.keys()
    assert DESIGNATORS[kind]


def test_names_of_the_last_circuit_when_the_text_is_broken() -> None:
    good = take("file:///x.json", 1, (EXAMPLES / "shed-fan.json").read_text(encoding="utf-8")).circuit
    assert good is not None
    found = labels('{"parts": {"R1": {"kind": "resistor", "pins": {"a": "|', "json", good=good)
    assert found[0] == good.ground
    assert set(good.net_names) <= set(found)


def test_nothing_in_comments_and_behind_values() -> None:
    assert labels("name: x # com|\n") == []
    assert labels('{"name": "x"| }', "json") == []


@pytest.mark.parametrize("name", ["shed-fan.json", "workshop-lamp.yaml"])
def test_at_every_place_of_every_prefix_an_item_can_be_taken(name: str) -> None:
    text = (EXAMPLES / name).read_text(encoding="utf-8")
    for end in range(0, len(text), 3):
        snapshot = take(f"file:///{name}", 1, text[:end])
        found = complete(snapshot, end, snippets=True, rules=RULES)
        for item in found.items[:3]:
            assert isinstance(item.text_edit, lsp.TextEdit)
            start, stop = snapshot.lines.span_of(item.text_edit.range)
            assert start <= end <= stop


def test_a_kind_taken_from_the_list_makes_json_that_reads() -> None:
    text = taken('{"parts": {"R1": {"kind": |}}}', "resistor", "json")
    assert json.loads(text) == {"parts": {"R1": {"kind": "resistor"}}}
