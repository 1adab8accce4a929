"""A sound rule in a few lines, and rules each of which breaks one part of the contract."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from rules.contract import API_LEVEL, Dial, Lesson
from rules.outcomes import not_applicable
from schemas.finding import Change, Finding, Grounds, Limit, Outcome, Proposal
from schemas.finding import Test as Inequality

GOOD = """\
format: thumbrule/1
name: herb-shelf
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: tap}}
  R2: {kind: resistor, resistance: 470 ohm, pins: {a: tap, b: gnd}}
"""
LEAST = Limit("least", 100.0, "ohm", "made up for this test")


class Sound:
    """Every resistor has at least 100 ohm; it proposes 150 ohm."""

    slug = "least-resistance"
    title = "No resistor is too small"
    protects = "nothing"
    api_level = API_LEVEL
    grounds = Grounds(
        "at least so much", "R >= R_min", {"R": "resistance, ohm"}, "made up", "here", "elsewhere"
    )
    limits: Any = MappingProxyType({"least": LEAST})
    lesson = Lesson(
        "why",
        "breaks",
        "mend",
        GOOD.replace("470 ohm", "47 ohm"),
        GOOD,
        Dial("/parts/R2/resistance", "470 ohm", "47 ohm"),
    )

    def least(self, study: Any) -> float:
        return float(self.limits["least"].value)

    def resistors(self, study: Any) -> list[str]:
        return sorted(name for name, part in study.circuit.parts.items() if part.kind == "resistor")

    def test(self, study: Any, name: str) -> Inequality:
        return Inequality.at_least(study.value(name, "resistance"), self.least(study), "ohm")

    def wanted(self) -> str:
        return "150 ohm"

    def check(self, study: Any) -> Iterable[Outcome]:
        names = self.resistors(study)
        if not names:
            yield not_applicable(self, (), "there is no resistor")
        for name in names:
            yield self.judged(study, name, self.test(study, name))

    def judged(self, study: Any, name: str, test: Inequality) -> Outcome:
        if test.holds:
            return Outcome(self.slug, "satisfied", (name,), test=test)
        change = Change(f"/parts/{name}/resistance", study.value(name, "resistance"), self.wanted())
        finding = Finding(
            rule=self.slug,
            severity="warning",
            parts=(name,),
            nets=(),
            pointers=(f"/parts/{name}",),
            state=None,
            corner=None,
            message=f"{name} has {test.left:g} ohm, limit {test.right:g} ohm",
            evidence=(),
            test=test,
            grounds=self.grounds,
        )
        proposal = Proposal(f"{name} of {self.wanted()}", (change,))
        return Outcome(self.slug, "violated", (name,), test=test, finding=finding, proposals=(proposal,))


class WithoutSource(Sound):
    grounds = replace(Sound.grounds, source=" ")


class WithoutDialOrReason(Sound):
    lesson = replace(Sound.lesson, dial=None)


class NeverFires(Sound):
    def least(self, study: Any) -> float:
        return min(super().least(study), 1.0)


class FiresAlways(Sound):
    def least(self, study: Any) -> float:
        return super().least(study) * 100.0


class JudgesNothingThatIsRight(Sound):
    def check(self, study: Any) -> Iterator[Outcome]:
        for outcome in super().check(study):
            good = outcome.kind == "satisfied"
            yield not_applicable(self, outcome.subject, "all is well") if good else outcome


class TurnsElsewhere(Sound):
    """The verdict turns at 200 ohm, where the test is far from its limit."""

    def test(self, study: Any, name: str) -> Inequality:
        found = super().test(study, name)
        held = found.left >= 200.0
        return replace(found, margin=abs(found.margin) + 50.0 if held else -abs(found.margin) - 50.0)


class FiresInside(Sound):
    """It fires at 150 ohm already and tells a test that holds there."""

    def judged(self, study: Any, name: str, test: Inequality) -> Outcome:
        if 100.0 <= test.left < 150.0:
            low = replace(test, margin=-1.0)
            outcome = super().judged(study, name, low)
            assert outcome.finding is not None
            return replace(outcome, test=test, finding=replace(outcome.finding, test=test))
        return super().judged(study, name, test)


class Wavy(Sound):
    """The margin comes back up before it falls for good."""

    def test(self, study: Any, name: str) -> Inequality:
        found = super().test(study, name)
        return replace(found, margin=found.margin * (4.0 if 180.0 < found.left < 300.0 else 1.0))


class LooksAtNames(Sound):
    def resistors(self, study: Any) -> list[str]:
        return [name for name in super().resistors(study) if name.startswith("R")]


class LooksAtTheFirst(Sound):
    def resistors(self, study: Any) -> list[str]:
        return [
            name for name in study.circuit.parts if name in super(LooksAtTheFirst, self).resistors(study)
        ][-1:]


class LooksAtOneEnd(Sound):
    def resistors(self, study: Any) -> list[str]:
        return [name for name in super().resistors(study) if study.circuit.parts[name].pins["b"] == "gnd"]


class Counts(Sound):
    """Its message has a number that goes up with every call, outside of the rule."""

    counter = itertools.count()

    def judged(self, study: Any, name: str, test: Inequality) -> Outcome:
        outcome = super().judged(study, name, test)
        if outcome.finding is None:
            return outcome
        return replace(outcome, finding=replace(outcome.finding, message=f"finding {next(Counts.counter)}"))


class Remembers(Sound):
    """It keeps what it saw on itself."""

    def __init__(self) -> None:
        self.seen: list[str] = []

    def check(self, study: Any) -> Iterable[Outcome]:
        self.seen.append(study.circuit.name)
        return super().check(study)


class LeavesSomething(Sound):
    def check(self, study: Any) -> Iterable[Outcome]:
        study.my_notes = ["here"]
        return super().check(study)


class ChangesAState(Sound):
    def check(self, study: Any) -> Iterable[Outcome]:
        for found in study.state_sets():
            for state in found.states:
                dict.__setitem__(state.nets, "tap", 0.0)
        return super().check(study)


class Endless(Sound):
    """Right, and far too slow: it asks the same again and again."""

    def test(self, study: Any, name: str) -> Inequality:
        for _ in range(200_000):
            found = super().test(study, name)
        return found


class OwnConstant(Sound):
    """It judges by a number of its own, whatever its limits say."""

    def least(self, study: Any) -> float:
        return LEAST.value


class MendsNothing(Sound):
    def wanted(self) -> str:
        return "51 ohm"


class TakesACrashForAPass(Sound):
    def check(self, study: Any) -> Iterable[Outcome]:
        try:
            study.state_sets()
        except ArithmeticError:
            return [Outcome(self.slug, "satisfied", ("R1",), "all is well")]
        return super().check(study)


class Raises(Sound):
    def check(self, study: Any) -> Iterable[Outcome]:
        raise RuntimeError("out of order")


class Silent(Sound):
    def check(self, study: Any) -> Iterable[Outcome]:
        return ()


NEVER = NeverFires()
