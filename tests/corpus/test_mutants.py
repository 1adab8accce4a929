"""One value of a good circuit moved across the limit of one rule, for every rule.

Mutants come from clean circuits of the corpus (``mutants.yaml``) and from the passing circuit of each lesson,
whose dial names the value; where no single value does it, the failing circuit of the lesson.  The rule is
silent before, fires after, and in between begins to fire once.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import pytest
import yaml

from rules.contract import Rule
from schemas.document import dump
from schemas.quantities import document_text
from service import facade
from service.documents import load_circuit
from service.engine import Run, run
from service.patches import split, value_at
from service.ruleset import DISTRIBUTION, installed, of_rules
from tests.corpus import HERE, cases

STEPS = 8  # of the way from the value that stands there to the one that is too far


@dataclass(frozen=True)
class Mutant:
    """``raw`` is a circuit on which ``rule`` is silent; ``changes`` are what makes it fire."""

    rule: Rule
    source: str
    raw: Mapping[str, Any]
    changes: Mapping[str, Any]

    @property
    def name(self) -> str:
        return f"{self.rule.slug}-{self.source}"

    def made(self, changes: Mapping[str, Any]) -> Run:
        changed: Any = self.raw
        for pointer, value in changes.items():
            changed = _with(changed, split(pointer), value)
        found = run(load_circuit(changed), of_rules([self.rule]), False)
        assert [o.reason for o in found.outcomes if o.kind == "failed"] == []
        return found


def _with(raw: Any, tokens: list[str], value: Any) -> Any:
    """A copy of ``raw`` with ``value`` at the place that ``tokens`` lead to."""
    if not tokens:
        return value
    key: Any = int(tokens[0]) if isinstance(raw, list) else tokens[0]
    copy = list(raw) if isinstance(raw, list) else dict(raw)
    copy[key] = _with(copy[key], tokens[1:], value)
    return copy


@cache
def mutants() -> tuple[Mutant, ...]:
    return tuple(sorted((*_of_the_corpus(), *_of_the_lessons()), key=lambda mutant: mutant.name))


def _rules() -> dict[str, Rule]:
    return {e.slug: e.rule for e in installed().rules if e.distribution == DISTRIBUTION}


def _of_the_corpus() -> Iterator[Mutant]:
    rules, paths = _rules(), {case.name: case.path for case in cases()}
    for slug, entry in yaml.safe_load((HERE / "mutants.yaml").read_text(encoding="utf-8")).items():
        document = facade.read(paths[entry["circuit"]].read_bytes(), "yaml")
        changes = entry.get("changes") or {entry["at"]: entry["to"]}
        yield Mutant(rules[slug], entry["circuit"], dump(document.circuit), changes)


def _of_the_lessons() -> Iterator[Mutant]:
    for rule in _rules().values():
        dial = rule.lesson.dial
        raw = facade.read(rule.lesson.passing.encode(), "yaml").raw
        if dial is None:  # no single value does it: the failing circuit as a whole
            yield Mutant(rule, "lesson", raw, {"": facade.read(rule.lesson.failing.encode(), "yaml").raw})
        else:
            yield Mutant(rule, "lesson", _with(raw, split(dial.pointer), dial.good), {dial.pointer: dial.bad})


@pytest.mark.parametrize("mutant", mutants(), ids=lambda mutant: mutant.name)
def test_the_rule_is_silent_before_and_fires_after(mutant: Mutant) -> None:
    assert mutant.made({}).findings == ()
    assert mutant.made(mutant.changes).findings != ()


def _numeric() -> list[Mutant]:
    found = []
    for mutant in mutants():
        (pointer, end), *more = mutant.changes.items()
        start = value_at(mutant.raw, pointer) if pointer else None
        if not more and isinstance(end, float) and isinstance(start, float) and start * end > 0.0:
            found.append(mutant)
    return found


@pytest.mark.parametrize("mutant", _numeric(), ids=lambda mutant: mutant.name)
def test_it_begins_to_fire_once_on_the_way(mutant: Mutant) -> None:
    ((pointer, end),) = mutant.changes.items()
    start = value_at(mutant.raw, pointer)
    fires = []
    for k in range(STEPS + 1):
        value = start * math.exp(k / STEPS * math.log(end / start))
        found = mutant.made({pointer: value})
        fires.append(bool(found.findings))
        assert all(finding.test.margin <= 0.0 for finding in found.findings)
    assert fires == sorted(fires), (pointer, document_text(start, split(pointer)[-1]), fires)


def test_every_rule_has_a_mutant() -> None:
    assert {mutant.rule.slug for mutant in mutants()} == set(_rules())
