"""Findings, outcomes and reviews as frozen facts.

Evidence comes first: a message is rendered from it, never the reverse.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

Severity = Literal["error", "warning", "note"]
OutcomeKind = Literal["violated", "satisfied", "not-applicable", "undecided", "failed"]
Origin = Literal["declared", "derived", "assumed"]

SEVERITIES: tuple[Severity, ...] = ("error", "warning", "note")
IDENTITY_VERSION = "1"


@dataclass(frozen=True, slots=True)
class Quantity:
    """One number behind a finding: ``I_B = 4.8 uA``, where it came from, and where it stands."""

    symbol: str
    meaning: str
    value: float
    unit: str
    origin: Origin = "derived"
    pointer: str | None = None
    source: str | None = None


@dataclass(frozen=True, slots=True)
class Test:
    """The inequality that was judged.

    ``left relation right`` is what should hold; ``margin`` is positive when it
    does, in the unit of ``left``; ``ratio`` is left/right for limits that are
    compared by factor.
    """

    left: float
    relation: Literal["<=", ">=", "<", ">"]
    right: float
    unit: str
    margin: float

    @classmethod
    def at_least(cls, left: float, right: float, unit: str) -> Test:
        return cls(left, ">=", right, unit, left - right)

    @classmethod
    def at_most(cls, left: float, right: float, unit: str) -> Test:
        return cls(left, "<=", right, unit, right - left)

    @property
    def holds(self) -> bool:
        return self.margin >= 0.0


@dataclass(frozen=True, slots=True)
class Grounds:
    """The rule of thumb behind a rule.

    ``formula`` is text over ``symbols`` (symbol -> meaning and unit); ``holds``
    and ``fails`` say where the rule of thumb is valid and where it is not.
    """

    rule_of_thumb: str
    formula: str
    symbols: Mapping[str, str]
    source: str
    holds: str
    fails: str


@dataclass(frozen=True, slots=True)
class Limit:
    """A named limit of a rule; policy may change ``value`` later."""

    name: str
    value: float
    unit: str
    source: str
    meaning: str = ""


@dataclass(frozen=True, slots=True)
class Change:
    """One proposed new value: at ``pointer``, from ``old`` to ``new`` as document text.

    ``old`` is ``None`` when the member is added.
    """

    pointer: str
    old: Any
    new: Any


@dataclass(frozen=True, slots=True)
class Proposal:
    """Changes that a rule believes will mend its finding; the engine has to prove it."""

    summary: str
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Proof:
    """What a re-run on a patched copy showed.

    ``proven`` only when the target is gone, nothing is new or worse at any
    corner, and a second run proposes nothing more for it.  ``before`` and
    ``after`` hold the left side of the target's test; ``after`` is ``None``
    when the rule no longer applies.
    """

    proven: bool
    reason: str
    before: float
    after: float | None
    limit: float
    unit: str
    corners: tuple[str, ...] = ()
    effects: tuple[Quantity, ...] = ()


@dataclass(frozen=True, slots=True)
class Remedy:
    """An RFC 6902 patch with ``test`` guards, and its proof (or the reason why it is only advice)."""

    summary: str
    patch: tuple[Mapping[str, Any], ...]
    proof: Proof


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One state and corner at which a finding was seen, with the left side of its test."""

    state: str | None
    corner: str | None
    severity: Severity
    left: float
    margin: float


@dataclass(frozen=True, slots=True)
class Finding:
    """One violated rule at one place, with every number behind it.

    The numbers are those of the worst state and corner; ``occurrences`` lists
    every one at which the rule was violated there (filled in by the engine).
    """

    rule: str
    severity: Severity
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    pointers: tuple[str, ...]
    state: str | None
    corner: str | None
    message: str
    evidence: tuple[Quantity, ...]
    test: Test
    grounds: Grounds
    role: str = ""
    remedies: tuple[Remedy, ...] = ()
    advice: tuple[str, ...] = ()
    caused_by: str | None = None
    occurrences: tuple[Occurrence, ...] = ()

    @property
    def identity(self) -> str:
        return identity(self.rule, self.parts, self.nets, self.role)


def identity(rule: str, parts: tuple[str, ...], nets: tuple[str, ...], role: str) -> str:
    """A name for a finding that does not depend on position, order, values or state."""
    text = "\n".join((rule, " ".join(sorted(parts)), " ".join(sorted(nets)), role))
    return f"{rule}/{IDENTITY_VERSION}/{hashlib.sha256(text.encode()).hexdigest()[:16]}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a rule says about one subject.

    ``violated`` carries a finding and the proposals to mend it; ``undecided``
    names the missing input in ``reason``; ``failed`` is made by the engine
    when the rule raised, and never reads as a pass.  ``evidence`` are the
    numbers of a satisfied outcome, where its rule tells them (those of a
    violated one are in its finding).
    """

    rule: str
    kind: OutcomeKind
    subject: tuple[str, ...]
    reason: str = ""
    state: str | None = None
    corner: str | None = None
    test: Test | None = None
    finding: Finding | None = None
    proposals: tuple[Proposal, ...] = ()
    evidence: tuple[Quantity, ...] = ()


@dataclass(frozen=True, slots=True)
class Assumed:
    """A value nobody gave: what was taken, and from where."""

    pointer: str
    quantity: str
    value: float | str
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Review:
    """The answer of one review.  ``states`` and ``timed`` are plain, sorted, JSON-ready summaries.

    ``policy`` says which policy files were in effect and what they changed.
    """

    circuit: str
    ruleset: str
    complete: bool
    states: tuple[Mapping[str, Any], ...]
    findings: tuple[Finding, ...]
    outcomes: tuple[Outcome, ...]
    assumed: tuple[Assumed, ...]
    cautions: tuple[str, ...] = ()
    problems: tuple[str, ...] = field(default=())
    timed: tuple[Mapping[str, Any], ...] = field(default=())
    policy: tuple[str, ...] = field(default=())
