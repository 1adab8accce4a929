"""A rule with other limits, and a circuit under other names."""

from __future__ import annotations

from copy import copy
from dataclasses import replace

from rules.contract import Rule
from schemas.circuit import Circuit
from schemas.finding import Finding
from tests.judged import only_finding, renamed


def with_limits(rule: Rule, **values: float) -> Rule:
    """A copy of a rule with other values of some limits, as a policy makes it."""
    other = copy(rule)
    other.limits = {**rule.limits, **{n: replace(rule.limits[n], value=v) for n, v in values.items()}}
    return other


def told_twice(subject: Circuit, rule: Rule) -> tuple[Finding, Finding]:
    """The only finding on a circuit and on the same under other names; both are about the same parts."""
    other, called = renamed(subject)
    one, two = only_finding(subject, rule), only_finding(other, rule)
    assert two.parts == tuple(called[name] for name in one.parts)
    return one, two
