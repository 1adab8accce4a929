"""Small rules that look only at declared values, so that the engine is tested without any physics."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from rules.contract import API_LEVEL, Lesson
from schemas.finding import Change, Finding, Grounds, Limit, Outcome, Proposal, Quantity, Test

GROUNDS = Grounds(
    "at least so much", "x >= limit", {"x": "what is looked at"}, "made up", "in tests", "elsewhere"
)
LESSON = Lesson("why", "breaks", "mend", "failing: text", "passing: text")
LIMITS = {"least": Limit("least", 100.0, "ohm", "made up")}


@dataclass(frozen=True)
class FakeRule:
    """A rule with sound metadata whose ``check`` is any function of the study."""

    slug: str
    judge: Callable[[Any], Iterable[Outcome]]
    title: str = "a title"
    protects: str = "nothing"
    api_level: int = API_LEVEL
    grounds: Any = GROUNDS
    limits: Any = field(default_factory=lambda: dict(LIMITS))
    lesson: Any = LESSON
    structural: bool = False

    def check(self, study: Any) -> Iterable[Outcome]:
        return self.judge(study)


def violated(
    slug: str,
    test: Test,
    parts: tuple[str, ...] = (),
    proposals: tuple[Proposal, ...] = (),
    **more: Any,
) -> Outcome:
    finding = Finding(
        rule=slug,
        severity=more.pop("severity", "warning"),
        parts=parts,
        nets=more.pop("nets", ()),
        pointers=tuple(f"/parts/{name}" for name in parts),
        state=more.pop("state", None),
        corner=more.pop("corner", None),
        message=more.pop(
            "message", f"{slug}: {test.left:g} is not {test.relation} {test.right:g} {test.unit}"
        ),
        evidence=more.pop("evidence", (Quantity("x", "what is looked at", test.left, test.unit),)),
        test=test,
        grounds=GROUNDS,
        **more,
    )
    return Outcome(slug, "violated", parts, state=finding.state, corner=finding.corner, test=test,
                   finding=finding, proposals=proposals)  # fmt: skip


def satisfied(slug: str, test: Test, parts: tuple[str, ...] = ()) -> Outcome:
    return Outcome(slug, "satisfied", parts, test=test)


def set_value(part: str, member: str, old: Any, new: Any, summary: str | None = None) -> Proposal:
    text = summary or f"{part} {member} {new}"
    return Proposal(text, (Change(f"/parts/{part}/{member}", old, new),))


def resistances(study: Any) -> Mapping[str, float]:
    parts = study.circuit.parts
    return {
        name: parts[name].number("resistance") for name in sorted(parts) if parts[name].kind == "resistor"
    }


def least_resistance(least: float, wanted: str, slug: str = "least-resistance", **more: Any) -> FakeRule:
    """Every resistor has at least ``least`` ohm; proposes ``wanted``."""

    def judge(study: Any) -> Iterable[Outcome]:
        for name, ohms in resistances(study).items():
            test = Test.at_least(ohms, least, "ohm")
            if test.holds:
                yield satisfied(slug, test, (name,))
            else:
                proposal = set_value(name, "resistance", ohms, wanted)
                yield violated(slug, test, (name,), (proposal,), **more)

    return FakeRule(slug, judge)


def most_in_all(most: float, give: Mapping[str, str] | None = None, slug: str = "most-in-all") -> FakeRule:
    """All resistors together have at most ``most`` ohm; proposes the values in ``give``."""

    def judge(study: Any) -> Iterable[Outcome]:
        ohms = resistances(study)
        test = Test.at_most(sum(ohms.values()), most, "ohm")
        if test.holds:
            yield satisfied(slug, test)
        else:
            proposals = tuple(
                set_value(name, "resistance", ohms[name], text) for name, text in (give or {}).items()
            )
            yield violated(slug, test, tuple(ohms), proposals)

    return FakeRule(slug, judge)


def document(**ohms: Any) -> dict[str, Any]:
    """A 5 V supply with resistors in parallel across it, as raw document data."""
    supply = {"kind": "supply", "voltage": "5 V", "pins": {"plus": "rail", "minus": "gnd"}}
    parts: dict[str, Any] = {"V1": supply}
    for name, value in ohms.items():
        parts[name] = {"kind": "resistor", "resistance": value, "pins": {"a": "rail", "b": "gnd"}}
    return {"format": "thumbrule/1", "name": "bench-load", "ground": "gnd", "parts": parts}
