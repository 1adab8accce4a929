"""Inlay hints: the numbers of the states, at the ends of nets and values."""

from __future__ import annotations

from pathlib import Path

import pytest
from lsprotocol import types as lsp

import clients
from clients.language_server.hints import hints, states_to_show
from clients.language_server.snapshot import Snapshot, take
from rules.analysis.study import Study
from schemas.quantities import format_quantity
from service.facade import states as told_states
from service.timelines import study_of

EXAMPLES = Path(clients.__file__).parent / "examples"
# 9 V over 1 kohm and 2 kohm: 6 V in the middle, 3 mA; `loose` hangs on an open contact.
DIVIDER = """\
format: thumbrule/1
name: divider \U0001f4a1
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, resistance: 0 ohm, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1k, pins: {a: rail, b: mid}}  # \u00b5
  R2: {kind: resistor, resistance: 2k, pins: {a: mid, b: gnd}}
  S1: {kind: contact, pins: {a: mid, b: loose}}
  C1: {kind: capacitor, capacitance: 1 uF, pins: {plus: loose, minus: gnd}}
"""


def of(text: str, name: str = "x.yaml") -> tuple[Snapshot, Study]:
    snapshot = take(f"file:///{name}", 1, text)
    assert snapshot.circuit is not None, snapshot.problems
    return snapshot, study_of(snapshot.circuit)


def told(value: float | None, unit: str) -> str:
    return "undefined" if value is None else format_quantity(value, unit, 3)


def behind(snapshot: Snapshot, hint: lsp.InlayHint) -> str:
    """The word that a hint stands behind."""
    at = snapshot.lines.offset(hint.position)
    start = at
    while start and snapshot.text[start - 1] not in " ,:{}":
        start -= 1
    return snapshot.text[start:at]


def test_a_divider_as_ohm_has_it() -> None:
    snapshot, study = of(DIVIDER)
    found = hints(snapshot, study)
    line = [(behind(snapshot, hint), hint.label) for hint in found if hint.position.line == 5]
    assert line == [("1k", "3 mA"), ("rail", "9 V"), ("mid", "6 V")]
    assert ("9 V", "-3 mA") in [(snapshot.text[max(0, snapshot.lines.offset(hint.position) - 3):
                                               snapshot.lines.offset(hint.position)], hint.label)
                                for hint in found]  # into the plus pin: what flows out is negative
    loose = [hint.label for hint in found if behind(snapshot, hint) == "loose"]
    assert [str(label).split(",")[0] for label in loose] == ["undefined", "undefined"]
    assert all("typical gain" in str(hint.tooltip) and hint.padding_left for hint in found)


def test_only_inside_the_range() -> None:
    snapshot, study = of(DIVIDER)
    every = hints(snapshot, study)
    reach = lsp.Range(lsp.Position(5, 0), lsp.Position(6, 0))
    assert hints(snapshot, study, None, reach) == [hint for hint in every if hint.position.line == 5]
    assert hints(snapshot, study, None, lsp.Range(lsp.Position(0, 0), lsp.Position(2, 0))) == []


@pytest.mark.parametrize("name", ["frost-bell-mended.yaml", "shed-fan.json", "barrel-latch.yaml"])
def test_the_numbers_are_those_of_the_states(name: str) -> None:
    snapshot, study = of((EXAMPLES / name).read_text(encoding="utf-8"), name)
    assert snapshot.document is not None
    answer = told_states(snapshot.document)
    first = next(state for state in answer["configurations"][0]["states"] if state["stable"])
    assert states_to_show(study)[0] == first["name"]
    found = hints(snapshot, study)
    assert found == hints(snapshot, study, "no such state")
    assert found
    for part, pins in snapshot.raw["parts"].items():
        for pin, net in pins["pins"].items():
            mark = snapshot.positions.value(f"/parts/{part}/pins/{pin}")
            label = next(str(hint.label) for hint in found
                         if snapshot.lines.offset(hint.position) == mark.end)
            volts = first["nets"][net]
            assert label.split(", ")[0] == told(volts, "V")
            if len(pins["pins"]) == 3:
                assert label.split(", ")[1] == told(first["currents"][part][pin], "A")
            assert f"in state {first['name']}" in str(next(
                hint.tooltip for hint in found if snapshot.lines.offset(hint.position) == mark.end))


def test_another_state_is_chosen_by_name() -> None:
    name = "barrel-latch.yaml"
    snapshot, study = of((EXAMPLES / name).read_text(encoding="utf-8"), name)
    states = states_to_show(study)
    assert {"dark", "lit"} <= set(states)
    dark, lit = (hints(snapshot, study, state) for state in ("dark", "lit"))
    assert [hint.position for hint in dark] == [hint.position for hint in lit]
    assert [hint.label for hint in dark] != [hint.label for hint in lit]
    assert all("state lit" in str(hint.tooltip) for hint in lit)


def test_a_shared_anchor_has_one_hint_for_one_number() -> None:
    text = DIVIDER + "  R3: &r {kind: resistor, resistance: 3k, pins: {a: rail, b: gnd}}\n  R4: *r\n"
    snapshot, study = of(text)
    found = [(hint.position.line, behind(snapshot, hint)) for hint in hints(snapshot, study)]
    assert found.count((9, "3k")) == 1
    assert not [line for line, _ in found if line == 10]


def test_a_text_that_has_moved_on_gets_no_wrong_number() -> None:
    _, study = of(DIVIDER)
    later = take("file:///x.yaml", 2, DIVIDER.replace("{a: rail, b: mid}", "{a: rail, b: middle}"))
    assert "middle" not in [behind(later, hint) for hint in hints(later, study)]
    assert hints(take("file:///x.yaml", 3, DIVIDER[:-40]), study) is not None


def test_a_circuit_without_a_state_has_no_hints() -> None:
    other = "  BT2: {kind: battery, voltage: 5 V, resistance: 0 ohm, pins: {plus: rail, minus: gnd}}\n"
    text = DIVIDER + other
    snapshot, study = of(text)
    assert not states_to_show(study)
    assert hints(snapshot, study) == []
