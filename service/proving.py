"""What the service proves for one rule alone: the prover that the conformance checks of a rule ask for."""

from __future__ import annotations

from rules.contract import Rule
from schemas.finding import Finding
from service.documents import read_document
from service.engine import review
from service.ruleset import of_rules


def prove(rule: Rule, text: str) -> tuple[Finding, ...]:
    """The findings of ``rule`` on a document (YAML text), with remedies proven by this rule alone."""
    found = read_document(text.encode(), "yaml")
    return review(found.circuit, of_rules([rule]), raw=found.raw).findings
