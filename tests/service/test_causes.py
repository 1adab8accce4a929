"""Root causes: named by rules, shown by proofs, led back to the root."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from schemas.finding import Finding, Outcome, identity
from schemas.finding import Test as Inequality
from service.causes import rooted, with_proven_causes
from service.documents import load_circuit
from service.engine import review
from service.ruleset import of_rules
from tests.service.fakes import (
    FakeRule,
    document,
    least_resistance,
    resistances,
    satisfied,
    set_value,
    violated,
)


def finding(rule: str, severity: str = "warning", cause: str | None = None) -> Finding:
    made = violated(rule, Inequality.at_least(1.0, 2.0, "ohm"), ("R1",), severity=severity).finding
    assert made is not None
    return replace(made, caused_by=cause)


def test_a_chain_is_led_back_to_its_root() -> None:
    first, second = finding("alpha"), finding("beta")
    second = replace(second, caused_by=first.identity)
    third = replace(finding("gamma"), caused_by=second.identity)
    assert [f.caused_by for f in rooted([third, first, second])] == [first.identity, None, first.identity]


def test_a_cause_that_is_not_there_is_no_cause() -> None:
    (left,) = rooted([finding("alpha", cause=identity("gone", ("R1",), (), ""))])
    assert left.caused_by is None


def test_a_circle_has_no_root() -> None:
    first, second = finding("alpha"), finding("beta")
    circle = [replace(first, caused_by=second.identity), replace(second, caused_by=first.identity)]
    assert [f.caused_by for f in rooted(circle)] == [None, None]


def test_what_only_another_remedy_takes_away_rests_on_it() -> None:
    root, leaf = finding("alpha", "error"), finding("beta")
    made = with_proven_causes([root, leaf], {root.identity: {root.identity, leaf.identity}})
    assert [f.caused_by for f in made] == [None, root.identity]


def test_a_note_is_not_the_root_of_an_error() -> None:
    note, error = finding("alpha", "note"), finding("beta", "error")
    made = with_proven_causes([error, note], {note.identity: {note.identity, error.identity}})
    assert [f.caused_by for f in made] == [None, None]


def test_a_review_names_the_cause_that_a_proof_shows() -> None:
    """Two rules on one resistor: only one of them knows a value."""

    def helpless(study: Any) -> Iterable[Outcome]:
        test = Inequality.at_least(resistances(study)["R1"], 50.0, "ohm")
        yield satisfied("helpless", test, ("R1",)) if test.holds else violated("helpless", test, ("R1",))

    raw = document(R1="30 ohm")
    rules = of_rules([least_resistance(100.0, "150 ohm", severity="error"), FakeRule("helpless", helpless)])
    findings = {f.rule: f for f in review(load_circuit(raw), rules, True, raw).findings}
    assert findings["helpless"].caused_by == findings["least-resistance"].identity
    assert findings["least-resistance"].caused_by is None


def test_what_goes_with_its_root_is_not_searched_for_remedies() -> None:
    def dependent(study: Any) -> Iterable[Outcome]:
        test = Inequality.at_least(resistances(study)["R1"], 50.0, "ohm")
        if test.holds:
            yield satisfied("dependent", test, ("R1",))
            return
        proposal = set_value("R1", "resistance", None, "68 ohm")
        root = identity("least-resistance", ("R1",), (), "")
        yield violated("dependent", test, ("R1",), (proposal,), caused_by=root)

    raw = document(R1="30 ohm")
    rules = of_rules([least_resistance(100.0, "150 ohm"), FakeRule("dependent", dependent)])
    findings = {f.rule: f for f in review(load_circuit(raw), rules, True, raw).findings}
    assert findings["dependent"].caused_by == findings["least-resistance"].identity
    assert findings["dependent"].remedies == ()
    assert findings["least-resistance"].remedies
