"""Hovers: the numbers of the states, their worst case, roles and origins, and the working of findings."""

from __future__ import annotations

from pathlib import Path

import pytest
from lsprotocol import types as lsp

import clients
from clients.language_server.hover import hover
from clients.language_server.hover_finding import finding_hover, lesson, working
from clients.language_server.hover_numbers import Numbers, warm
from clients.language_server.markdown import code, plain, table
from clients.language_server.snapshot import Snapshot, take
from rules.analysis.corners.worst import bounds
from rules.analysis.study import Study
from schemas.quantities import format_quantity
from service.facade import review, states
from service.timelines import study_of
from tests.clients.conftest import sample_review

EXAMPLES = sorted(path for path in (Path(clients.__file__).parent / "examples").iterdir()
                  if path.suffix in (".json", ".yaml"))
# 9 V over 1 kohm and 2 kohm: 6 V in the middle, 3 mA.  With 5 % each the middle lies between
# 9 * 1.9 / (1.05 + 1.9) = 5.80 V and 9 * 2.1 / (0.95 + 2.1) = 6.20 V.
DIVIDER = """\
format: thumbrule/1
name: divider
ground: gnd
parts:
  BT1: {kind: battery, voltage: 9 V, low: 9 V, high: 9 V, resistance: 0 ohm, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1k, tolerance: 5 %, power: 0.25 W, pins: {a: rail, b: mid}}
  R2: {kind: resistor, resistance: 2k, pins: {a: mid, b: gnd}}
  S1: {kind: contact, pins: {a: mid, b: loose}}
  C1: {kind: capacitor, capacitance: 1 uF, pins: {a: loose, b: gnd}}
nets: {mid: {label: half|way, terminal: true}}
"""


def of(text: str, name: str = "x.yaml") -> tuple[Snapshot, Study]:
    snapshot = take(f"file:///{name}", 1, text)
    assert snapshot.circuit is not None, snapshot.problems
    return snapshot, study_of(snapshot.circuit)


def shown(snapshot: Snapshot, at: int, study: Study | None = None, most: int = 100) -> str:
    found = hover(snapshot, at, study, most=most)
    if found is None:
        return ""
    assert isinstance(found.contents, lsp.MarkupContent)
    assert found.range is not None
    start, end = snapshot.lines.span_of(found.range)
    assert start <= at <= end
    return found.contents.value


def test_a_part_of_a_divider_as_ohm_has_it() -> None:
    snapshot, study = of(DIVIDER)
    text = shown(snapshot, DIVIDER.index("R1:"), study)
    assert text.startswith("**R1** resistor 1 kohm")
    # Across 3 V, 3 mA, 9 mW; worst: 9 V / 2.85 kohm = 3.158 mA, 9 V / 3.15 kohm = 2.857 mA.
    assert "| 3 V | 3 mA (2.86 to 3.16 mA) | 9 mW (" in text
    assert "S1 open" in text
    assert "S1 closed" in text
    assert "in brackets the worst case of all tolerances" in text
    assert "Assumed" not in text
    other = shown(snapshot, DIVIDER.index("R2:"), study)
    assert "Assumed:" in other
    assert "5 % resistors (Kuphaldt" in other


def test_a_net_with_its_band_pins_and_note() -> None:
    snapshot, study = of(DIVIDER)
    text = shown(snapshot, DIVIDER.index("mid}"), study)
    assert "net **mid**: `R1.b`, `R2.a`, `S1.a`" in text
    assert "- labelled half\\|way" in text
    assert "- leaves the board" in text
    assert "6 V (5.8 to 6.2 V)" in text
    assert "undefined" in shown(snapshot, DIVIDER.index("loose"), study)
    assert "the reference net" in shown(snapshot, DIVIDER.index("gnd"), study)
    assert shown(snapshot, DIVIDER.index("mid: {"), study) == text


def test_a_pin_has_voltage_and_current() -> None:
    snapshot, study = of(DIVIDER)
    text = shown(snapshot, DIVIDER.index("b: mid"), study)
    assert "pin `R1.b` on net **mid**" in text
    assert "| 6 V (5.8 to 6.2 V) | -3 mA (-3.16 to -2.86 mA) |" in text


def test_a_value_says_where_it_came_from() -> None:
    snapshot, study = of(DIVIDER)
    text = shown(snapshot, DIVIDER.index("5 %"), study)
    assert "- tolerance low: -5 %, declared" in text
    assert "rated dissipation" in shown(snapshot, DIVIDER.index("0.25 W"), study)


def test_without_a_study_members_and_kinds_are_explained() -> None:
    snapshot = take("file:///x.yaml", 1, DIVIDER + "ambient: {low:")
    assert snapshot.document is None
    assert "a fixed resistor" in shown(snapshot, DIVIDER.index("resistor"))
    assert "Pins: a, b" in shown(snapshot, DIVIDER.index("resistor"))
    assert "rated dissipation" in shown(snapshot, DIVIDER.index("power"))
    assert shown(snapshot, DIVIDER.index("R1:")) == ""
    _, study = of(DIVIDER)
    found = hover(snapshot, DIVIDER.index("R1:"), study, earlier=True)
    assert found is not None
    assert isinstance(found.contents, lsp.MarkupContent)
    assert found.contents.value.endswith("Of the last version that could be read.")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_the_numbers_are_those_of_the_states(path: Path) -> None:
    snapshot, study = of(path.read_text(encoding="utf-8"), path.name)
    assert snapshot.document is not None
    answer = states(snapshot.document)
    stable = [state for one in answer["configurations"] for state in one["states"] if state["stable"]]
    for part in snapshot.document.circuit.parts.values():
        mark = snapshot.positions.key(f"/parts/{part.name}")
        text = shown(snapshot, mark.start + 1, study, most=0)
        assert f"**{plain(part.name)}** {part.kind}" in text
        for state in stable:
            assert plain(state["name"]) in text
            watts = state["power"][part.name]
            assert f" {'undefined' if watts is None else format_quantity(watts, 'W')} |" in text
            if part.name in state["devices"]:
                assert f"| {state['devices'][part.name]} |" in text
    for net in snapshot.document.circuit.net_names:
        pin = next(f"/parts/{part.name}/pins/{pin}" for part in snapshot.document.circuit.parts.values()
                   for pin, on in part.pins.items() if on == net)
        text = shown(snapshot, snapshot.positions.value(pin).start + 1, study, most=0)
        for state in stable:
            volts = state["nets"][net]
            assert f"| {'undefined' if volts is None else format_quantity(volts, 'V')} |" in text


def test_bands_are_the_worst_case_of_the_analysis_and_are_remembered() -> None:
    path = next(path for path in EXAMPLES if path.stem == "workshop-lamp")
    _, study = of(path.read_text(encoding="utf-8"), path.name)
    numbers = Numbers(study, left=1000)
    for row in numbers.shown():
        for net in study.circuit.net_names:
            ends = bounds(row.state, lambda state, net=net: state.nets[net])  # type: ignore[misc]
            band = numbers.band(row, ("net", net), lambda state, net=net: state.nets[net])  # type: ignore[misc]
            assert (ends is None) == (band is None)
            if ends is not None and band is not None:
                assert band[:2] == (ends.low.value, ends.high.value)
    poor = Numbers(study, left=0)
    remembered = poor.band(poor.rows[0], ("net", study.circuit.ground), lambda state: 1 / 0)
    assert remembered is not None
    assert poor.band(poor.rows[0], ("never asked",), lambda state: 1 / 0) is None  # not worked out


def test_few_bands_are_worked_out_for_one_hover_and_warming_makes_all_of_them() -> None:
    path = next(path for path in EXAMPLES if path.stem == "workshop-lamp")
    snapshot, study = of(path.read_text(encoding="utf-8"), path.name)
    at = snapshot.positions.key("/parts/Q1").start
    shown(snapshot, at, study, most=2)
    assert len(Numbers(study).bands) == 2
    for _ in warm(study):
        pass
    before = len(Numbers(study).bands)
    assert shown(snapshot, at, study, most=0) == shown(snapshot, at, study, most=1000)
    assert len(Numbers(study).bands) == before > 2


def test_roles_states_and_requirements() -> None:
    path = next(path for path in EXAMPLES if path.stem == "frost-bell-mended")
    snapshot, study = of(path.read_text(encoding="utf-8"), path.name)

    def at(pointer: str, key: bool = False) -> str:
        positions = snapshot.positions
        return shown(snapshot, (positions.key if key else positions.value)(pointer).start + 1, study)
    assert "- switch: named saturated in the states of the document" in at("/parts/Q2", key=True)
    assert "a regenerative pair" in at("/parts/Q2/kind")
    assert "upper arm of the divider at the base of Q1" in at("/parts/R3", key=True)
    assert "times ringing: " in at("/parts/C1", key=True)
    assert "- moved by pass" in at("/parts/S1", key=True)
    assert at("/states/ringing/Q1", key=True).startswith("**Q1** npn")
    assert "| `Q2` | saturated |" in at("/states/ringing", key=True)
    delay = at("/requirements/0/kind")
    assert "**delay** ring time in state `ringing`: target 30 s, within 40 %" in delay
    assert "timed by C1, lasts" in delay
    assert "BT1 gives " in at("/requirements/2/kind")


def test_a_net_voltage_that_is_asked_for() -> None:
    text = next(path for path in EXAMPLES if path.stem == "barrel-latch").read_text(encoding="utf-8")
    assert "requirements:" not in text
    net = "rail"
    text += f"\nrequirements:\n  - {{kind: net-voltage, net: {net}, state: dark, at_least: 0.1 V}}\n"
    snapshot, study = of(text)
    found = shown(snapshot, text.index("kind: net-voltage") + 8, study)
    assert "**net-voltage** in state `dark`: at least 0.1 V" in found
    assert f": {plain(net)} " in found


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_offset_can_be_asked(path: Path) -> None:
    snapshot, study = of(path.read_text(encoding="utf-8"), path.name)
    told = sum(bool(shown(snapshot, at, study, most=0)) for at in range(len(snapshot.text) + 1))
    assert told > 0.2 * len(snapshot.text)
    for end in range(0, len(snapshot.text), 25):
        half = take(path.as_uri(), 2, snapshot.text[:end])
        shown(half, max(0, end - 1))
        shown(half, max(0, end - 1), study, most=0)


# --- findings --------------------------------------------------------------------------------------------


def test_the_working_of_a_finding() -> None:
    root, folded = sample_review()["findings"]
    text = working(root, locate=lambda pointer: 12, lessons="http://localhost:8000/")
    for piece in ("**error: min-beta-drive: Q1, R1 (bright, beta min)**",
                  "Judged: `0.6 >= 3` is not met, 2.4 short.",
                  "| `I_B` | 403.4 uA | derived | base current of Q1 |",
                  "| `beta_min` | 65 | assumed | smallest gain at 43.7 mA | Q1, line 12; published type data",
                  "infinite", "**Rule of thumb.** Give a switch three times", "`ODF = beta_min * I_B / I_C`",
                  "Source: common practice, no source", "Does not hold: for a lamp at switch-on",
                  "1. lower R1 to 1.8 kohm", "   - R1 resistance, line 12: `10k -> 1.8 kohm`",
                  "before 0.6, after 3.3, limit 3; proven at min, typical, max",
                  "then `I_U1` = 2.3 mA, largest current from U1",
                  "- swap Q1 for a type with more gain",
                  "[Lesson: min-beta-drive](http://localhost:8000/v1/rules/min-beta-drive)"):
        assert piece in text, piece
    assert "Proven remedies" not in working(folded)
    assert lesson("base-bleed", None) == "Lesson: `thumbrule lesson base-bleed`"


def test_findings_of_a_real_review_have_a_working() -> None:
    path = next(path for path in EXAMPLES if path.stem == "workshop-lamp")
    snapshot, _ = of(path.read_text(encoding="utf-8"), path.name)
    assert snapshot.document is not None
    found = review(snapshot.document, remedies=False)["findings"]
    assert found
    for finding in found:
        text = working(finding)
        assert plain(finding["message"]) in text
        assert all(code(item["symbol"]) in text for item in finding["evidence"])
    both = finding_hover(found, lsp.Range(lsp.Position(0, 0), lsp.Position(0, 1)))
    assert both is not None
    assert isinstance(both.contents, lsp.MarkupContent)
    assert both.contents.value.count("\n---\n") == len(found) - 1
    assert finding_hover([]) is None


def test_markdown_shows_what_stands_in_a_document_as_it_is() -> None:
    assert plain("a|b *c* <d>\n[e](f) _g_") == "a\\|b \\*c\\* \\<d\\> \\[e\\](f) \\_g\\_"
    assert code("a `b`") == "`` a `b` ``"
    assert table(("x", "y", "z"), [["1", "", "2"]]) == ["| x | z |", "|---|---|", "| 1 | 2 |"]
    assert table(("x",), []) == []
