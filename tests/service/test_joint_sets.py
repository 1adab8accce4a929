"""The smallest set of changes: found, proven as a whole, and stripped of what it does not need."""

from __future__ import annotations

import itertools
import random
from collections.abc import Iterable
from typing import Any

import jsonpatch
import pytest

from schemas.finding import Change, Outcome, Proposal
from schemas.finding import Test as Inequality
from service import facade
from service.documents import load_circuit, read_document
from service.joint import Option, covers, options, smallest
from service.mend import mend
from service.remedies import Bench
from service.ruleset import Ruleset, of_rules
from tests.service.fakes import (
    FakeRule,
    document,
    least_resistance,
    most_in_all,
    resistances,
    satisfied,
    set_value,
    violated,
)


def bench(rules: Ruleset, raw: dict[str, Any]) -> Bench:
    return Bench(rules, raw, load_circuit(raw))


def wants(slug: str, part: str, least: float, *proposals: Proposal, severity: str = "warning") -> FakeRule:
    """``part`` has at least ``least`` ohm; proposes what it is given."""

    def judge(study: Any) -> Iterable[Outcome]:
        test = Inequality.at_least(resistances(study)[part], least, "ohm")
        if test.holds:
            yield satisfied(slug, test, (part,))
        else:
            yield violated(slug, test, (part,), proposals, severity=severity)

    return FakeRule(slug, judge)


def test_fewest_places_win_over_the_first_remedy_of_each_finding() -> None:
    """Each finding alone is mended by its own resistor; one joint change of R3 clears both."""

    def pair(slug: str, part: str) -> FakeRule:
        def judge(study: Any) -> Iterable[Outcome]:
            ohms = resistances(study)
            test = Inequality.at_least(ohms[part] + ohms["R3"], 200.0, "ohm")
            if test.holds:
                yield satisfied(slug, test, (part,))
            else:
                own = set_value(part, "resistance", None, "180 ohm")
                both = set_value("R3", "resistance", None, "1 kohm")
                yield violated(slug, test, (part,), (own, both))

        return FakeRule(slug, judge)

    raw = document(R1="100 ohm", R2="100 ohm", R3="20 ohm")
    rules = of_rules([pair("one", "R1"), pair("two", "R2")])
    found = options(bench(rules, raw))
    assert len(found) == 4
    result = mend(load_circuit(raw), raw, rules)
    assert [step.remedy.summary for step in result.steps] == ["R3 resistance 1 kohm"]
    assert len(result.steps[0].clears) == 2
    assert result.review.findings == ()


def test_a_set_that_fails_as_a_whole_gives_way_to_the_next() -> None:
    """Both cheap remedies together break the sum; the dearer pair does not."""
    own = [set_value("R1", "resistance", None, "150 ohm"), set_value("R1", "resistance", None, "101 ohm")]
    rules = of_rules([
        wants("one", "R1", 100.0, *own),
        wants("two", "R2", 100.0, set_value("R2", "resistance", None, "140 ohm")),
        most_in_all(260.0),
    ])  # fmt: skip
    raw = document(R1="90 ohm", R2="90 ohm")
    result = mend(load_circuit(raw), raw, rules)
    assert {op["value"] for op in result.patch if op["op"] == "replace"} == {"101 ohm", "140 ohm"}
    assert result.review.findings == ()


def test_two_remedies_for_one_place_are_not_joined() -> None:
    rules = of_rules([
        wants("one", "R1", 100.0, set_value("R1", "resistance", None, "120 ohm")),
        wants("two", "R1", 110.0, set_value("R1", "resistance", None, "130 ohm")),
    ])  # fmt: skip
    raw = document(R1="90 ohm")
    together = smallest(*(lambda made: (made, options(made)))(bench(rules, raw)))
    assert together is not None
    assert len(together.options) == 1, "one value serves both"


def test_what_one_change_would_bring_up_is_mended_with_it() -> None:
    """A resistor too small keeps another one from being judged as too small."""

    def hidden(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)
        test = Inequality.at_least(ohms["R2"] if ohms["R1"] >= 100.0 else 1e6, 50.0, "ohm")
        if test.holds:
            yield satisfied("masked", test, ("R2",))
        else:
            yield violated("masked", test, ("R2",), (set_value("R2", "resistance", None, "68 ohm"),))

    first = wants("plain", "R1", 100.0, set_value("R1", "resistance", None, "150 ohm"))
    raw = document(R1="47R", R2="22R")
    result = mend(load_circuit(raw), raw, of_rules([first, FakeRule("masked", hidden)]))
    # R1 alone would cause a finding at R2, so the proof joins both
    assert result.review.findings == ()
    assert result.raw["parts"]["R1"]["resistance"] == "150 ohm"
    assert result.raw["parts"]["R2"]["resistance"] == "68 ohm"


SHORTED = b"""\
format: thumbrule/1
name: pond-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  D1: {kind: diode, pins: {anode: rail, cathode: gnd}}
  R1: {kind: resistor, resistance: 22R, pins: {a: rail, b: gnd}}
"""


def test_what_a_fault_of_the_network_hid_is_mended_in_the_next_pass() -> None:
    """A diode straight across the supply leaves no state to judge; without it R1 proves too small."""
    nothing_judged = []

    def judge(study: Any) -> Iterable[Outcome]:
        if study.faults:
            nothing_judged.append(1)
            yield Outcome("heat", "not-applicable", (), "there is no state to judge")
            return
        test = Inequality.at_least(resistances(study)["R1"], 50.0, "ohm")
        if test.holds:
            yield satisfied("heat", test, ("R1",))
        else:
            yield violated("heat", test, ("R1",), (set_value("R1", "resistance", None, "68 ohm"),))

    def across(study: Any) -> Iterable[Outcome]:
        count = sum(part.kind == "diode" for part in study.circuit.parts.values())
        test = Inequality.at_most(float(count), 0.0, "")
        if test.holds:
            yield satisfied("across", test, ())
        else:
            take_out = Proposal("without D1", (Change("/parts/D1", {}, None),))
            yield violated("across", test, ("D1",), (take_out,), severity="error")

    found = read_document(SHORTED, "yaml")
    rules = of_rules([FakeRule("across", across), FakeRule("heat", judge)])
    result = mend(found.circuit, found.raw, rules)
    assert nothing_judged
    assert [(step.finding.rule, step.in_pass) for step in result.steps] == [("across", 1), ("heat", 2)]
    assert "shows now what the fault hid: heat at R1" in result.steps[0].remedy.proof.reason
    assert result.review.findings == ()


@pytest.mark.parametrize("structural", [True, False])
def test_only_a_mended_wire_may_show_what_was_not_judged_before(structural: bool) -> None:
    def loose(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)
        test = Inequality.at_least(ohms["R1"], 10.0, "ohm")
        if test.holds:
            yield satisfied("loose", test, ("R1",))
        else:
            yield violated("loose", test, ("R1",), (set_value("R1", "resistance", None, "47 ohm"),))

    def wakes(study: Any) -> Iterable[Outcome]:
        if resistances(study)["R1"] < 10.0:
            yield Outcome("wakes", "not-applicable", ("R1",), "nothing flows there")
        else:
            yield violated("wakes", Inequality.at_least(1.0, 2.0, "ohm"), ("R1",))

    raw = document(R1="1 ohm", R2="1k0")
    rules = of_rules([FakeRule("loose", loose, structural=structural), FakeRule("wakes", wakes)])
    result = mend(load_circuit(raw), raw, rules)
    assert [step.finding.rule for step in result.steps] == (["loose"] if structural else [])
    assert [f.rule for f in result.review.findings] == (["wakes"] if structural else ["loose"])


def test_a_change_that_is_not_needed_is_put_back() -> None:
    """The only proposal changes two places; one of them does nothing."""
    both = Proposal(
        "R1 and R2",
        (
            Change("/parts/R1/resistance", None, "150 ohm"),
            Change("/parts/R2/resistance", None, "1.2 kohm"),
        ),
    )
    raw = document(R1="47R", R2="1k0")
    result = mend(load_circuit(raw), raw, of_rules([wants("one", "R1", 100.0, both)]))
    assert result.restored == ("/parts/R2/resistance",)
    assert [op["path"] for op in result.patch if op["op"] == "replace"] == ["/parts/R1/resistance"]
    assert jsonpatch.apply_patch(raw, list(result.patch)) == result.raw
    assert result.raw["parts"]["R2"]["resistance"] == "1k0"


def test_what_remains_says_why() -> None:
    yaml = b"""\
format: thumbrule/1
name: propagator-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 47R, pins: {a: rail, b: gnd}}
"""
    answer = facade.mend(
        read_document(yaml, "yaml"),
        ruleset=of_rules([wants("one", "R1", 100.0, set_value("R1", "resistance", None, "68 ohm"))]),
    )
    (left,) = answer["remaining"]
    assert "the finding stays" in left["why"][0]
    answer = facade.mend(read_document(yaml, "yaml"), ruleset=of_rules([wants("one", "R1", 100.0)]))
    assert "takes a decision" in answer["remaining"][0]["why"][0]


def _option(name: str, clears: Iterable[str], place: str, distance: float) -> Option:
    finding = violated("one", Inequality.at_least(1.0, 2.0, "ohm"), ("R1",)).finding
    assert finding is not None
    change = Change(f"/parts/{place}/resistance", "1 ohm", f"{name} ohm")
    return Option(finding, None, frozenset(clears), (change,), (1, distance, name))  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(12))
def test_the_cheapest_cover_is_that_of_trying_every_subset(seed: int) -> None:
    """Set cover by brute force (definition of a minimum cover) as the reference."""
    draw = random.Random(seed)
    names = "abcdef"[: draw.randint(2, 6)]
    found = []
    for k in range(draw.randint(2, 8)):
        clears = [name for name in names if draw.random() < 0.4] or [draw.choice(names)]
        found.append(_option(f"{k + 1}", clears, f"R{draw.randint(1, 6)}", draw.random()))
    wanted = frozenset().union(*(option.clears for option in found))

    def agrees(chosen: tuple[Option, ...]) -> bool:
        places = [change.pointer for option in chosen for change in option.changes]
        return len(set(places)) == len(places)

    best = min(
        (
            (len(chosen), round(sum(option.cost[1] for option in chosen), 9))
            for n in range(1, len(found) + 1)
            for chosen in itertools.combinations(found, n)
            if agrees(chosen) and wanted <= frozenset().union(*(option.clears for option in chosen))
        ),
        default=None,
    )
    made = covers(found, wanted)
    if best is None:
        assert made == []
    else:
        assert (len(made[0]), round(sum(option.cost[1] for option in made[0]), 9)) == best


def test_least_resistances_are_mended_together() -> None:
    raw = document(R1="47R", R2="33R")
    result = mend(load_circuit(raw), raw, of_rules([least_resistance(100.0, "150 ohm")]))
    assert [(step.in_pass, step.together) for step in result.steps] == [(1, True), (1, True)]
