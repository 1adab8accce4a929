"""Is an outcome sound?  What a rule hands over is checked before it is believed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, get_args

from schemas.circuit import Circuit
from schemas.finding import SEVERITIES, Finding, Origin, Outcome, OutcomeKind, Proposal, Quantity, Test

_KINDS = get_args(OutcomeKind)
_ORIGINS = get_args(Origin)
_RELATIONS = ("<=", ">=", "<", ">")


def relative_margin(test: Test) -> float:
    """Margin in units of the limit, or as it is where the limit is zero."""
    if test.right == 0.0 or not math.isfinite(test.right):
        return test.margin
    return test.margin / abs(test.right)


def complaint(outcome: Any, slug: str, circuit: Circuit) -> str | None:
    """The first thing that is wrong with what a rule gave, or ``None`` when it is sound."""
    if not isinstance(outcome, Outcome):
        return f"the rule gave a {type(outcome).__name__} where an Outcome is needed"
    return next(_complaints(outcome, slug, circuit), None)


def _complaints(outcome: Outcome, slug: str, circuit: Circuit) -> Iterator[str]:
    if outcome.rule != slug:
        yield f"the outcome names the rule {outcome.rule!r}"
    if outcome.kind not in _KINDS:
        yield f"the outcome kind is {outcome.kind!r}"
    if not isinstance(outcome.subject, tuple) or not all(isinstance(name, str) for name in outcome.subject):
        yield "the outcome's subject is not a tuple of names"
    if outcome.kind in ("undecided", "failed") and not outcome.reason.strip():
        yield f"an outcome is {outcome.kind} without a reason"
    if outcome.test is not None:
        yield from _test(outcome.test, "the outcome")
        if outcome.kind == "satisfied" and outcome.test.margin < 0.0:
            yield f"an outcome is satisfied although its test has the margin {outcome.test.margin:.6g}"
    if (outcome.kind == "violated") != (outcome.finding is not None):
        yield f"an outcome is {outcome.kind} {'without' if outcome.finding is None else 'with'} a finding"
    if outcome.proposals and outcome.finding is None:
        yield f"an outcome is {outcome.kind} and proposes changes"
    if outcome.finding is not None:
        yield from _finding(outcome.finding, slug, circuit)
    for proposal in outcome.proposals:
        yield from _proposal(proposal)


def _test(test: Test, whose: str) -> Iterator[str]:
    numbers = {"left": test.left, "right": test.right, "margin": test.margin}
    for name, number in numbers.items():
        if not _is_number(number) or math.isnan(number):
            yield f"the {name} of the test of {whose} is {number!r}"
    if test.relation not in _RELATIONS:
        yield f"the relation of the test of {whose} is {test.relation!r}"


def _finding(finding: Any, slug: str, circuit: Circuit) -> Iterator[str]:
    if not isinstance(finding, Finding):
        yield f"the finding is a {type(finding).__name__}"
        return
    if finding.rule != slug:
        yield f"the finding names the rule {finding.rule!r}"
    if finding.severity not in SEVERITIES:
        yield f"the severity is {finding.severity!r}"
    if not finding.message.strip():
        yield "the message is empty"
    if finding.remedies:
        yield "the finding carries remedies of its own; only the engine proves remedies"
    for name in finding.parts:
        if name not in circuit.parts:
            yield f"the finding names the part {name!r}, which is not in the circuit"
    for name in finding.nets:
        if name not in circuit.net_names:
            yield f"the finding names the net {name!r}, which is not in the circuit"
    for pointer in finding.pointers:
        if not isinstance(pointer, str) or (pointer and not pointer.startswith("/")):
            yield f"{pointer!r} is not a JSON Pointer"
    yield from _test(finding.test, "the finding")
    if finding.test.margin > 0.0:
        yield f"the rule is violated although its test has the margin {finding.test.margin:.6g}"
    for quantity in finding.evidence:
        yield from _quantity(quantity)


def _quantity(quantity: Quantity) -> Iterator[str]:
    if not _is_number(quantity.value) or math.isnan(quantity.value):
        yield f"the evidence {quantity.symbol} is {quantity.value!r}"
    if quantity.origin not in _ORIGINS:
        yield f"the origin of the evidence {quantity.symbol} is {quantity.origin!r}"


def _proposal(proposal: Any) -> Iterator[str]:
    if not isinstance(proposal, Proposal) or not proposal.changes or not proposal.summary.strip():
        yield "a proposal has no changes or no summary"
        return
    for change in proposal.changes:
        if not change.pointer.startswith("/"):
            yield f"a proposal changes {change.pointer!r}, which is not a JSON Pointer"


def _is_number(value: Any) -> bool:
    # NumPy's float64 is a float; its other scalars are not JSON-ready
    return isinstance(value, (int, float)) and not isinstance(value, bool)
