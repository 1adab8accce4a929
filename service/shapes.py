"""Facts as JSON-ready data: fixed member order, SI units, no NaN and no infinity.

A number that is undefined or infinite is ``null``.  The members of a review
are those of the published shape; a member more is allowed, one less is not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rules.contract import Rule
from schemas.finding import (
    Assumed,
    Finding,
    Grounds,
    Limit,
    Occurrence,
    Outcome,
    Proof,
    Quantity,
    Remedy,
    Review,
    Test,
)
from service.ruleset import LoadedRule
from service.waivers import NONE_JUDGED, NOT_WAIVABLE, Judged, Verdict

if TYPE_CHECKING:
    from rules.analysis.elements import Configuration

Json = dict[str, Any]


def finite(value: Any) -> Any:
    """``value`` with every undefined number in it replaced by ``None``, mappings and sequences made plain."""
    if isinstance(value, float):
        # NumPy's float64 is a float, but not a plain one
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): finite(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [finite(item) for item in value]
    return value


def positions(configuration: Configuration) -> Json:
    """Contact positions and driver levels, each sorted by name."""
    return {
        "contacts": dict(sorted(configuration.contacts.items())),
        "drivers": dict(sorted(configuration.drivers.items())),
    }


def review_shape(review: Review) -> Json:
    """The shape of ``POST /v1/reviews``, but for waivers: no rule knows of those."""
    return {
        "circuit": review.circuit,
        "ruleset": review.ruleset,
        "complete": review.complete,
        "states": finite(review.states),
        "findings": [finding_shape(finding) for finding in review.findings],
        "outcomes": [outcome_shape(outcome) for outcome in review.outcomes],
        "assumed": [assumed_shape(item) for item in review.assumed],
        "cautions": list(review.cautions),
        "problems": list(review.problems),
        "policy": list(review.policy),
        "timed": finite(review.timed),
    }


def with_waivers(shape: Json, judged: Judged = NONE_JUDGED) -> Json:
    """A review with ``waivers``, and with the ``waiver`` that stands at each finding, if one does."""
    findings = [{**item, "waiver": waiver_at(judged, item["identity"])} for item in shape["findings"]]
    return {**shape, "findings": findings, "waivers": [waiver_shape(verdict) for verdict in judged.waivers]}


def waiver_at(judged: Judged, identity: str) -> Json | None:
    """The member ``waiver`` of a finding."""
    verdict = judged.findings.get(identity)
    if verdict is None:
        return None
    entry = verdict.entry
    return {
        "pointer": entry.pointer,
        "reason": entry.reason,
        "owner": entry.owner,
        "expires": entry.expires,
        "status": verdict.status,
        "explanation": verdict.explanation,
    }


def waiver_shape(verdict: Verdict) -> Json:
    """One of the ``waivers`` of an answer."""
    entry = verdict.entry
    return {
        "pointer": entry.pointer,
        "rule": entry.rule,
        "parts": list(entry.parts),
        "nets": list(entry.nets),
        "reason": entry.reason,
        "owner": entry.owner,
        "expires": entry.expires,
        "accepted": entry.accepted,
        "status": verdict.status,
        "explanation": verdict.explanation,
        "covers": list(verdict.covers),
    }


def is_waived(finding: Mapping[str, Any]) -> bool:
    """Does a waiver in force take this finding of an answer out of the count?"""
    waiver = finding.get("waiver")
    return waiver is not None and waiver.get("status") == "in-force"


def finding_shape(finding: Finding) -> Json:
    return {
        "identity": finding.identity,
        "rule": finding.rule,
        "severity": finding.severity,
        "parts": list(finding.parts),
        "nets": list(finding.nets),
        "pointers": list(finding.pointers),
        "role": finding.role,
        "state": finding.state,
        "corner": finding.corner,
        "message": finding.message,
        "evidence": [quantity_shape(quantity) for quantity in finding.evidence],
        "test": test_shape(finding.test),
        "grounds": grounds_shape(finding.grounds),
        "remedies": [remedy_shape(remedy) for remedy in finding.remedies],
        "advice": list(finding.advice),
        "caused_by": finding.caused_by,
        "occurrences": [_occurrence(item) for item in finding.occurrences],
    }


def _occurrence(item: Occurrence) -> Json:
    return {
        "state": item.state,
        "corner": item.corner,
        "severity": item.severity,
        "left": finite(item.left),
        "margin": finite(item.margin),
    }


def outcome_shape(outcome: Outcome) -> Json:
    return {
        "rule": outcome.rule,
        "kind": outcome.kind,
        "subject": list(outcome.subject),
        "reason": outcome.reason,
        "state": outcome.state,
        "corner": outcome.corner,
        "test": None if outcome.test is None else test_shape(outcome.test),
        "identity": None if outcome.finding is None else outcome.finding.identity,
    }


def quantity_shape(quantity: Quantity) -> Json:
    return {
        "symbol": quantity.symbol,
        "meaning": quantity.meaning,
        "value": finite(quantity.value),
        "unit": quantity.unit,
        "origin": quantity.origin,
        "pointer": quantity.pointer,
        "source": quantity.source,
    }


def test_shape(test: Test) -> Json:
    return {
        "left": finite(test.left),
        "relation": test.relation,
        "right": finite(test.right),
        "unit": test.unit,
        "margin": finite(test.margin),
    }


def grounds_shape(grounds: Grounds) -> Json:
    return {
        "rule_of_thumb": grounds.rule_of_thumb,
        "formula": grounds.formula,
        "symbols": {key: grounds.symbols[key] for key in sorted(grounds.symbols)},
        "source": grounds.source,
        "holds": grounds.holds,
        "fails": grounds.fails,
    }


def remedy_shape(remedy: Remedy) -> Json:
    return {
        "summary": remedy.summary,
        "patch": [dict(operation) for operation in remedy.patch],
        "proof": proof_shape(remedy.proof),
    }


def proof_shape(proof: Proof) -> Json:
    return {
        "proven": proof.proven,
        "reason": proof.reason,
        "before": finite(proof.before),
        "after": finite(proof.after),
        "limit": finite(proof.limit),
        "unit": proof.unit,
        "corners": list(proof.corners),
        "effects": [quantity_shape(quantity) for quantity in proof.effects],
    }


def assumed_shape(item: Assumed) -> Json:
    return {
        "pointer": item.pointer,
        "quantity": item.quantity,
        "value": finite(item.value),
        "unit": item.unit,
        "source": item.source,
    }


def limit_shape(limit: Limit) -> Json:
    return {
        "name": limit.name,
        "value": limit.value,
        "unit": limit.unit,
        "meaning": limit.meaning,
        "source": limit.source,
    }


def rule_shape(entry: LoadedRule) -> Json:
    """One line of the catalogue of rules."""
    rule: Rule = entry.rule
    return {
        "slug": rule.slug,
        "title": rule.title,
        "protects": rule.protects,
        "rule_of_thumb": rule.grounds.rule_of_thumb,
        "limits": [limit_shape(rule.limits[key]) for key in sorted(rule.limits)],
        "waivable": rule.slug not in NOT_WAIVABLE,
        "api_level": rule.api_level,
        "distribution": entry.distribution,
        "version": entry.version,
    }
