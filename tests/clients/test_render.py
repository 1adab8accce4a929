"""What a person reads: complete, within 80 columns, plain."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clients.layout import WIDTH, columns
from clients.render import mend_text, review_text, verdict
from clients.render_lesson import lesson_text, rules_text
from clients.render_states import states_text
from clients.render_values import changes, finding_value, literal, quantity


def line_of(pointer: str) -> int | None:
    return {"/parts/R1/resistance": 14, "/parts/Q1": 16}.get(pointer)


def card(review: dict[str, Any], **options: Any) -> str:
    return review_text(review, title="A lamp", label="lamp.yaml", locate=line_of, **options)


def test_a_card_tells_the_whole_finding(review: dict[str, Any]) -> None:
    assert card(review).startswith("""\
lamp: A lamp
  in lamp.yaml

error: min-beta-drive: Q1, R1 (bright, beta min)
  Q1 gets 403.4 uA of base current where 43.7 mA of lamp current and a gain of
  65 need 672.3 uA: the overdrive is 0.6, at least 3 is wanted.

  read and worked out
    I_B       403.4 uA  derived   base current of Q1
    R_B        10 kohm  declared  base resistor (R1 resistance, line 14)
    beta_min        65  assumed   smallest gain at 43.7 mA (Q1, line 16;
                                  published type data)
    I_X       infinite  derived   a current that nothing limits

  judged  0.6 >= 3 is not met: 2.4 short

  rule of thumb  Give a switch three times the base current of its weakest part.
    ODF = beta_min * I_B / I_C
    source: common practice, no source

  remedies, smallest change first
    1. lower R1 to 1.8 kohm
       /parts/R1/resistance, line 14: 10k -> 1.8 kohm
       0.6 -> 3.3 (limit 3); proven at min, typical, max
       then I_U1 = 2.3 mA, largest current from U1

  advice without proof
    - swap Q1 for a type with more gain: withdrawn: no type in the list reaches
      3

  it also causes
    warning: saturation-headroom: Q1 (bright, beta min): Q1 stays at 4.93 V in
      the state bright.
""")


def test_a_review_ends_with_outcomes_assumptions_cautions_and_a_verdict(review: dict[str, Any]) -> None:
    assert card(review).endswith("""
outcomes
  min-beta-drive  1 violated, 1 satisfied
  reset-path      1 undecided
  timing-leakage  1 failed
  not applicable: divider-stiffness
  undecided: reset-path: C1: needs a requirement
  failed: timing-leakage: the rule raised ValueError

assumed, because the document does not say (2 values)
  stated default: R1 tolerance 5 %
  published type data: Q1 icbo 50 nA

cautions
  - Not for anything that people depend on.

verdict: 1 error, 1 warning, 1 rule could not be run
""")


def test_the_line_form_is_one_paragraph_per_finding(review: dict[str, Any]) -> None:
    lines = card(review, depth="line").splitlines()
    heads = [line for line in lines if not line.startswith("  ")]
    assert heads == [
        "lamp.yaml:14: error: min-beta-drive: Q1, R1 (bright, beta min): Q1 gets 403.4 uA",
        "lamp.yaml:14: warning: saturation-headroom: Q1 (bright, beta min): Q1 stays at",
        "lamp.yaml: failed: timing-leakage: the rule raised ValueError",
        "lamp.yaml: 1 error, 1 warning, 1 rule could not be run",
    ]


def test_the_lesson_form_adds_the_grounds_and_the_way_to_the_lesson(review: dict[str, Any]) -> None:
    more = set(card(review, depth="lesson").splitlines()) - set(card(review).splitlines())
    assert more >= {"      ODF  overdrive factor", "    holds: for a saturated switch",
                    "    does not hold: for a lamp at switch-on",
                    "  the whole lesson: thumbrule lesson min-beta-drive", "  identity: min-beta-drive/1/aa",
                    "  /parts/R1/tolerance    5 %  stated default"}


def test_remedies_can_be_left_out(review: dict[str, Any]) -> None:
    assert "remedies" not in card(review, remedies=False)


def test_a_finding_whose_cause_is_not_there_stands_alone(review: dict[str, Any]) -> None:
    review["findings"][1]["caused_by"] = "elsewhere/1/cc"
    text = card(review)
    assert "it also causes" not in text
    assert "\nwarning: saturation-headroom: Q1" in text


def test_findings_that_blame_each_other_are_both_shown(review: dict[str, Any]) -> None:
    first, second = review["findings"]
    first["caused_by"] = second["identity"]
    text = card(review)
    assert "\nerror: min-beta-drive" in text
    assert "\nwarning: saturation-headroom" in text


def test_other_states_and_corners_of_the_same_finding_are_listed_once(review: dict[str, Any]) -> None:
    review["findings"][0]["occurrences"] = [
        {"state": "bright", "corner": corner} for corner in ("min", "typical", "typical")]
    assert "\n  also at  bright, beta typical\n" in card(review)


def test_an_unproven_remedy_is_shown_as_withdrawn(review: dict[str, Any]) -> None:
    remedy = review["findings"][0]["remedies"][0]
    remedy["proof"] = {**remedy["proof"], "proven": False, "reason": "Q1 would get too hot"}
    text = card(review)
    assert "remedies, smallest" not in text
    assert "  considered and withdrawn\n    - lower R1 to 1.8 kohm" in text
    assert "because: Q1 would get too hot" in text


def test_states_are_summarised_by_position(review: dict[str, Any]) -> None:
    review["states"] = [
        {"contacts": {"S1": "open"}, "drivers": {}, "name": "off", "stable": True},
        {"contacts": {"S1": "open"}, "drivers": {}, "name": "between", "stable": False},
        {"contacts": {"S1": "closed"}, "drivers": {}, "name": "on", "stable": True}]
    assert "states at typical gain\n  S1 open: off, between (unstable)\n  S1 closed: on\n" in card(review)


@pytest.mark.parametrize(("changed", "said"), [
    ({"findings": [], "outcomes": []}, "nothing found"),
    ({"outcomes": []}, "1 error, 1 warning"),
    ({"findings": [], "outcomes": [], "complete": False},
     "nothing found, the search for states was not complete"),
    ({"findings": [], "outcomes": [], "problems": ["a loop of sources"]},
     "nothing found, the network itself has faults"),
])
def test_the_verdict_names_what_could_not_be_checked(review: dict[str, Any], changed: dict[str, Any],
                                                     said: str) -> None:
    assert verdict({**review, **changed}) == said


TEXT = st.text(st.characters(codec="utf-8", exclude_categories=("Cs",)), max_size=120)
NUMBER = st.one_of(st.none(), st.floats(-1e12, 1e12), st.integers(-10**9, 10**9))


@given(TEXT, TEXT, NUMBER, st.sampled_from(["line", "card", "lesson"]))
def test_no_line_is_ever_wider_than_a_terminal(long: str, name: str, number: Any, depth: Any) -> None:
    quantity_item = {"symbol": name, "meaning": long, "value": number, "unit": "V", "origin": "declared",
                     "pointer": "/" + name, "source": long}
    finding = {
        "identity": name, "rule": name, "severity": "warning", "parts": [name, name], "nets": [name],
        "pointers": ["/" + name], "state": name, "corner": name, "message": long,
        "evidence": [quantity_item] * 2,
        "test": {"left": number, "relation": "<=", "right": number, "unit": name, "margin": number},
        "grounds": {"rule_of_thumb": long, "formula": long, "symbols": {name: long}, "source": long,
                    "holds": long, "fails": long},
        "remedies": [{"summary": long,
                      "patch": [{"op": "add", "path": "/" + name, "value": {"a": [long, number]}}],
                      "proof": {"proven": True, "before": number, "after": number, "limit": number,
                                "unit": "V", "corners": [name], "effects": [quantity_item]}}],
        "advice": [long], "caused_by": None,
    }
    review = {"circuit": name, "complete": True, "findings": [finding, {**finding, "identity": "x" + name}],
              "outcomes": [{"rule": name, "kind": "undecided", "subject": [name], "reason": long}],
              "assumed": [quantity_item], "cautions": [long], "problems": [long], "states": []}
    pins = dict.fromkeys(("collector", "base", "emitter"), number)
    state = {"name": name, "stable": None, "index": 1, "devices": {name: "off"},
             "nets": {name: number, "b": number}, "currents": {name: {"a": number, "b": number}, "Q": pins},
             "power": {name: number, "Q": number}}
    answer = {"circuit": name, "complete": False, "assumed": [{}], "problems": [long],
              "configurations": [{"contacts": {name: "open"}, "drivers": {}, "states": [state]}]}
    mended = {"applied": [{"rule": name, **finding["remedies"][0]}], "remaining": [finding],
              "withdrawn": long}
    lesson = {"slug": name, "title": long, "protects": long, "grounds": finding["grounds"],
              "limits": [{"name": name, "value": number, "unit": "V", "meaning": long, "source": long}],
              "lesson": dict.fromkeys(("why", "breaks", "mend", "failing", "passing"), long)}
    texts = [review_text(review, title=long, label=name, depth=depth), states_text(answer, title=long),
             mend_text(mended, label=name), lesson_text(lesson), rules_text([lesson])]
    for text in texts:
        assert text.endswith("\n")
        assert max(columns(line) for line in text.split("\n")) <= WIDTH


STATES = {
    "circuit": "latch", "complete": True, "assumed": [], "beta": "min", "held": {"C1": 1.5},
    "configurations": [{"contacts": {"S1": "open"}, "drivers": {"U1": "low"}, "states": [{
        "name": "lit", "stable": True, "index": 1, "devices": {"Q1": "saturated", "D1": "off"},
        "nets": {"b1": 0.7, "out": 8.8, "loose": None, "leak": 2e-5},
        "currents": {"D1": {"anode": 0.0, "cathode": 0.0}, "PS1": {"minus": 0.01, "plus": -0.01},
                     "Q1": {"base": 1e-4, "collector": 0.01, "emitter": -0.0101},
                     "R1": {"a": 1e-19, "b": -1e-19}, "R2": {"a": None, "b": None}},
        "power": {"D1": 0.0, "PS1": -0.09, "Q1": 2.1e-3, "R1": 0.0, "R2": None},
    }]}],
}


def test_states_are_told_in_aligned_tables() -> None:
    assert states_text(STATES, title="A latch") == """\
latch: A latch
  beta min; C1 held at 1.5 V

S1 open, U1 low: 1 state

  lit: stable, index +1
    node voltages
      b1       0.700 V   out      8.800 V   loose  undefined   leak       20 uV
    transistors, current into each pin
                     collector    base   emitter   power
      Q1  saturated      10 mA  100 uA  -10.1 mA  2.1 mW
    other parts, current into the pin named
      PS1  plus     -10 mA     -90 mW
      R2   a     undefined  undefined
    no current: D1 (off), R1
"""


def test_a_search_that_was_cut_short_says_so_first() -> None:
    answer = {**STATES, "complete": False, "problems": ["the step budget of 10 was used up"]}
    assert states_text(answer).splitlines()[2:4] == [
        "  NOT COMPLETE: there may be more states than these", "  - the step budget of 10 was used up"]


def test_an_unstable_state_is_called_so_once() -> None:
    state = {**STATES["configurations"][0]["states"][0], "stable": False, "index": -1}
    states = [{**state, "name": "Q1 active (unstable)"}, {**state, "name": "between"},
              {**state, "stable": None}]
    answer = {**STATES, "configurations": [{"states": states}]}
    lines = states_text(answer).splitlines()
    assert "as drawn: 3 states" in lines
    assert "  Q1 active (unstable): index -1" in lines
    assert "  between: unstable, index -1" in lines
    assert "  lit: stability not decided, index -1" in lines


TIMED = {
    "name": "ringing", "stable": True, "index": 1, "held": {"C1": 0.0},
    "ends": {"capacitor": "C1", "voltage": 3.964, "kind": "fold", "changed": [], "current": 2.7e-5,
             "after": 29.83},
    "course": [{"devices": {"Q1": "active"}, "from": 0.0, "to": 3.964, "duration": 29.83}],
    "then": [{"from": "quiet", "course": [
        {"devices": {"Q1": "off"}, "from": 3.964, "to": 0.7, "duration": 76.0},
        {"devices": {"Q1": "off"}, "from": 0.7, "to": 0.0, "duration": None}]}],
    "outcome": "settles",
}


def test_a_timed_state_says_how_it_ends_and_what_follows() -> None:
    answer = {"circuit": "bell", "complete": True, "configurations": [{"states": [], "timed": [TIMED]}]}
    text = states_text(answer)
    assert text == """\
bell
  beta typical

as drawn: no state and 1 timed state

  ringing: stable, index +1
    only while C1 is at 0 V
    ends after 29.83 s, when C1 reaches 3.964 V and still takes 27 uA: the state
      ceases to exist
    course of the capacitor
                  0.000 V  to 3.964 V  29.83 s  Q1 active
      then quiet  3.964 V  to 0.700 V     76 s  Q1 off
                  0.700 V  to 0.000 V   no end  Q1 off
    in the end it comes to rest
"""


@pytest.mark.parametrize(("changed", "said"), [
    ({"ends": None}, "nothing ends it"),
    ({"ends": {**TIMED["ends"], "changed": ["Q1", "Q2"]}}, "27 uA: Q1, Q2 change region"),
    ({"outcome": "oscillates"}, "in the end it starts anew: it oscillates"),
])
def test_how_a_timed_state_goes_on(changed: dict[str, Any], said: str) -> None:
    answer = {"circuit": "bell", "configurations": [{"states": [{**TIMED, **changed}]}]}
    assert said in " ".join(states_text(answer).split())


def test_mend_tells_what_was_done_and_what_is_left(review: dict[str, Any]) -> None:
    first, second = review["findings"]
    answer = {"applied": [{"rule": first["rule"], **first["remedies"][0]}], "remaining": [second]}
    assert mend_text(answer, label="lamp.yaml", locate=line_of) == """\
lamp.yaml: 1 proven remedy applied
  min-beta-drive: lower R1 to 1.8 kohm
    /parts/R1/resistance, line 14: 10k -> 1.8 kohm
    0.6 -> 3.3 (limit 3); proven at min, typical, max
    then I_U1 = 2.3 mA, largest current from U1

left for a person to decide
  warning: saturation-headroom: Q1 (bright, beta min): Q1 stays at 4.93 V in the
    state bright.
"""
    assert mend_text({}, label="x").startswith("x: 0 proven remedies applied")


@pytest.mark.parametrize(("value", "unit", "text"), [
    (4700.0, "ohm", "4.7 kohm"), (None, "V", "undefined"), (2, "", "2"), ("0.01CV", "", "0.01CV"),
    (True, "", "True"), (-1.5e-6, "A", "-1.5 uA")])
def test_quantities(value: Any, unit: str, text: str) -> None:
    assert quantity(value, unit) == text


@pytest.mark.parametrize(("value", "unit", "text"), [
    (None, "s", "without end"), (None, "A", "infinite"), (0.01, "1/s", "0.01 1/s"), (2e-3, "A", "2 mA")])
def test_numbers_of_findings(value: Any, unit: str, text: str) -> None:
    assert finding_value(value, unit) == text


@pytest.mark.parametrize(("value", "text"), [
    ("4k7", "4k7"), (4700.0, "4700"), (0.5, "0.5"), (True, "true"), (None, "null"), ([1, "a"], '[1, "a"]'),
    ({"kind": "diode", "pins": {"anode": "a"}}, "{kind: diode, pins: {anode: a}}")])
def test_literals(value: Any, text: str) -> None:
    assert literal(value) == text


def test_changes_take_the_old_values_from_the_guards() -> None:
    patch = [{"op": "test", "path": "/a", "value": "1k"}, {"op": "test", "path": "/b", "value": 2},
             {"op": "replace", "path": "/a", "value": "2k"}, {"op": "remove", "path": "/b"},
             {"op": "add", "path": "/c", "value": "5 %"}, {"op": "replace", "path": "/d", "value": 1},
             {"op": "remove", "path": "/e"}]
    assert changes(patch) == [("/a", "1k -> 2k"), ("/b", "remove 2"), ("/c", "add 5 %"), ("/d", "1"),
                              ("/e", "remove")]
