"""One rule on trial: its lesson's circuits, what it says of them, and the runs that several checks share."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeAlias

from rules.analysis.study import Study
from rules.conformance.circuits import Names, Scale, document, same_names, scale, turned_to
from rules.contract import Rule
from rules.soundness import complaint, relative_margin
from schemas.circuit import Circuit
from schemas.document import Document
from schemas.finding import SEVERITIES, Finding, Outcome

Outcomes: TypeAlias = tuple[Outcome, ...]
Prove: TypeAlias = Callable[[Rule, str], Sequence[Finding]]
"""Judges a document (YAML text) by one rule alone and gives its findings with what is proven for them."""

MOST_OUTCOMES = 20_000
HAIR = 1e-4  # relative width of the bracket in which the limit is crossed
SAMPLES = (0.25, 0.5, 0.75)  # places on the dial that are looked at in any case
MOST_READINGS = 60


class Unsound(Exception):
    """The rule said something that no engine would believe; the text says what."""


class Failed(Exception):
    """A check that the rule does not pass; the text says why."""


def fail_if(words: str) -> None:
    """Raises :class:`Failed` with the words, if there are any."""
    if words:
        raise Failed(words)


@dataclass(frozen=True, slots=True)
class Reading:
    """What the rule says at one place of the dial (0 good, 1 bad)."""

    place: float
    value: float | str
    outcomes: Outcomes

    @property
    def fires(self) -> bool:
        return any(outcome.kind == "violated" for outcome in self.outcomes)

    def worst(self, asked: tuple[Any, ...] | None) -> tuple[int, float] | None:
        """How grave the worst of the tests asked for is: gravity, and margin in units of the limit.

        The gravity is 0 where nothing is found and grows with the severity: a graver finding may be judged
        by another limit, so margins compare within one gravity.  ``None`` where there is no such test.
        """
        found = [
            (gravity, relative_margin(test))
            for key, gravity, test in _tests(self.outcomes)
            if asked is None or key == asked
        ]
        return min(found, key=lambda pair: (-pair[0], pair[1]), default=None)

    def margin(self, asked: tuple[Any, ...] | None) -> float | None:
        """The margin of :meth:`worst`."""
        found = self.worst(asked)
        return None if found is None else found[1]


def _tests(outcomes: Outcomes) -> Iterator[tuple[tuple[Any, ...], int, Any]]:
    for outcome in outcomes:
        finding = outcome.finding
        test = outcome.test if finding is None else finding.test
        if test is not None:
            gravity = 0 if finding is None else len(SEVERITIES) - SEVERITIES.index(finding.severity)
            yield (outcome.subject, test.unit, test.relation), gravity, test


@dataclass
class Trial:
    """Everything that the checks ask of one rule; nothing is run before it is asked for, and once only.

    ``name`` is where the rule can be imported (``package.module:RULE``).
    """

    rule: Rule
    prove: Prove | None = None
    name: str | None = None
    _dial: list[Reading] = field(default_factory=list)

    @cached_property
    def failing(self) -> Document:
        return document(self.rule.lesson.failing)

    @cached_property
    def passing(self) -> Document:
        return document(self.rule.lesson.passing)

    def ask(self, circuit: Circuit, proposing: bool = False) -> Outcomes:
        """What the rule says of a circuit.  Raises :class:`Unsound`, and whatever the rule raises."""
        return self.heard(Study(circuit, proposing=proposing))

    def heard(self, study: Study, rule: Rule | None = None) -> Outcomes:
        """The same with a study, or a copy of the rule, at hand."""
        found = []
        for outcome in (self.rule if rule is None else rule).check(study):
            fault = complaint(outcome, self.rule.slug, study.circuit)
            if fault is not None:
                raise Unsound(fault)
            found.append(outcome)
            if len(found) > MOST_OUTCOMES:
                raise Unsound(f"more than {MOST_OUTCOMES} outcomes for one circuit")
        if not found:
            raise Unsound("no outcome at all; even a rule that does not apply has to say so")
        return tuple(found)

    @cached_property
    def on_failing(self) -> Outcomes:
        return self.ask(self.failing.circuit, proposing=True)

    @cached_property
    def on_passing(self) -> Outcomes:
        return self.ask(self.passing.circuit, proposing=True)

    @property
    def both(self) -> tuple[tuple[Document, Outcomes], ...]:
        """The failing and the passing circuit, each with what the rule says of it."""
        return (self.failing, self.on_failing), (self.passing, self.on_passing)

    # the dial

    @cached_property
    def scale(self) -> Scale | None:
        dial = self.rule.lesson.dial
        return None if dial is None else scale(dial.good, dial.bad)

    def read(self, place: float) -> Reading:
        """The rule at one place of the dial; each place is looked at once."""
        known = next((reading for reading in self._dial if reading.place == place), None)
        if known is not None:
            return known
        dial, between = self.rule.lesson.dial, self.scale
        assert dial is not None
        value: float | str = {0.0: dial.good, 1.0: dial.bad}.get(place, "")
        if not value:
            assert between is not None
            value = between.at(place)
        circuit = turned_to(self.passing, dial.pointer, value)
        reading = Reading(place, value, self.ask(circuit))
        self._dial.append(reading)
        return reading

    @cached_property
    def sweep(self) -> tuple[Reading, ...]:
        """Both ends, places between, and the crossing from both sides within a hair; in order."""
        ends = [self.read(0.0), self.read(1.0)]
        if self.scale is None or ends[0].fires or not ends[1].fires:
            return tuple(ends)
        for place in SAMPLES:
            self.read(place)
        while len(self._dial) < MOST_READINGS:
            below, above = self.crossing
            if self._width(below, above) <= HAIR:
                break
            self.read(self._between(below, above))
        return tuple(sorted(self._dial, key=lambda reading: reading.place))

    @property
    def crossing(self) -> tuple[Reading, Reading]:
        """The last silent reading before the first that fires, and that one."""
        ordered = sorted(self._dial, key=lambda reading: reading.place)
        first = next(k for k, reading in enumerate(ordered) if reading.fires)
        return ordered[first - 1], ordered[first]

    @property
    def tested(self) -> tuple[Any, ...] | None:
        """Which test the dial crosses: that of the worst finding at its bad end."""
        found = [
            (-gravity, relative_margin(test), key)
            for key, gravity, test in _tests(self.read(1.0).outcomes)
            if gravity
        ]
        return min(found)[2] if found else None

    def _width(self, below: Reading, above: Reading) -> float:
        assert self.scale is not None
        low, high = self.scale.at(below.place), self.scale.at(above.place)
        return abs(high - low) / max(abs(low), abs(high))

    def _between(self, below: Reading, above: Reading) -> float:
        """Where the margin is likely to be zero, a little aside to close in from both ends; or the middle."""
        middle = 0.5 * (below.place + above.place)
        low, high = below.margin(self.tested), above.margin(self.tested)
        if len(self._dial) % 3 == 0 or low is None or high is None or not low > 0.0 > high:
            return middle
        if not (math.isfinite(low) and math.isfinite(high)):
            return middle
        span = above.place - below.place
        guess = below.place + span * low / (low - high)
        # the end that lies nearer to the guess is left behind by a hair, so that the bracket closes on it
        aside = 0.3 * HAIR * (1.0 if guess - below.place < above.place - guess else -1.0)
        return min(max(guess + aside, below.place + 0.01 * span), above.place - 0.01 * span)


def signature(outcomes: Outcomes, names: Names) -> list[tuple[tuple[Any, ...], float]]:
    """What is said, told in the names of ``names``, without states and words: sorted keys and margins."""
    return sorted(_said(outcome, names) for outcome in outcomes)


def _said(outcome: Outcome, names: Names) -> tuple[tuple[Any, ...], float]:
    finding = outcome.finding
    test = finding.test if finding is not None else outcome.test
    key = (
        outcome.kind,
        tuple(sorted(names.of(name) for name in outcome.subject)),
        "" if finding is None else finding.severity,
        () if finding is None else tuple(sorted(names.parts[part] for part in finding.parts)),
        () if finding is None else tuple(sorted(names.nets[net] for net in finding.nets)),
        "" if test is None else f"{test.relation} {test.unit}",
    )
    return key, 0.0 if test is None else test.margin


def difference(before: Outcomes, after: Outcomes, circuit: Circuit, names: Names | None = None) -> str:
    """The first thing in which two verdicts on the same circuit differ; empty when they are the same.

    ``names`` leads from the names in the first to those in the second.  Both are told in the first ones: a
    label that is no name of a part or net, but reads like one, then stays what it is.
    """
    same = same_names(circuit)
    was, now = signature(before, same), signature(after, same if names is None else names.back())
    for (key, margin), (other, there) in zip(was, now, strict=False):
        if key != other:
            return f"{_words(key)} became {_words(other)}"
        if not math.isclose(margin, there, rel_tol=1e-6, abs_tol=1e-9 * max(1.0, abs(margin))):
            return f"the margin of {_words(key)} moved from {margin:.9g} to {there:.9g}"
    if len(was) != len(now):
        return f"{len(was)} outcomes became {len(now)}"
    return ""


def _words(key: tuple[Any, ...]) -> str:
    kind, subject, severity, *_ = key
    return f"{kind}{f' ({severity})' if severity else ''} at {', '.join(subject) or 'the circuit'}"


def fingerprint(trial: Trial) -> str:
    """Everything the rule says of both circuits, words and all, as a hash."""
    said = repr((trial.on_failing, trial.on_passing))
    return hashlib.sha256(said.encode("utf-8", "backslashreplace")).hexdigest()
