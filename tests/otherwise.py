"""A rule with other limits; a circuit under other names, and mirrored."""

from __future__ import annotations

from collections.abc import Iterator
from copy import copy
from dataclasses import replace

from rules.contract import Rule
from schemas.circuit import Circuit
from schemas.finding import Finding
from tests.judged import judged, mirrored, only_finding, renamed


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


def told_otherwise(subject: Circuit, rule: Rule) -> Iterator[tuple[Finding, Finding]]:
    """Every finding with its twin on the same under other names, and with that on the mirrored circuit.

    There is at least one, and a twin for each, about the same parts and in the same role.
    """
    other, names = renamed(subject)
    was, now, turned = (
        {(frozenset(finding.parts), finding.role): finding for finding in judged(told, rule).findings}
        for told in (subject, other, mirrored(subject))
    )
    assert was
    called = {(parts, role): (frozenset(names[part] for part in parts), role) for parts, role in was}
    assert set(called.values()) == set(now)
    assert set(was) == set(turned)
    for key, finding in was.items():
        yield finding, now[called[key]]
        yield finding, turned[key]
