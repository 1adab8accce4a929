"""The checks by name.  Each gives what it saw, or raises :class:`Failed` with what is wrong."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable, Mapping
from types import CodeType, MappingProxyType
from typing import Any

from rules.analysis.study import Study
from rules.conformance.budget import CALLS, OverBudget, counted
from rules.conformance.invariance import deterministic, pure, redrawing, renaming, reordering
from rules.conformance.trial import HAIR, Failed, Reading, Trial, Unsound, difference, fail_if
from rules.metadata import complaints_about
from schemas.problems import DocumentProblems

NEAR = 0.01  # of the limit; where the verdict turns, the margin of one side is nearer to zero than this
SLACK = 1e-6  # of the limit; a margin may rise so far by rounding alone


def metadata(trial: Trial) -> str:
    """Slug, title, grounds, limits and lesson are complete; a dial, or the reason why there is none."""
    found = complaints_about(trial.rule)
    lesson = getattr(trial.rule, "lesson", None)
    if lesson is not None and lesson.dial is None and not lesson.undialled.strip():
        found.append("the lesson names neither a dial nor why no single value crosses the limit (undialled)")
    fail_if("; ".join(found))
    return f"{len(trial.rule.limits)} limits, each with a source"


def fires(trial: Trial) -> str:
    """The rule finds something in the failing circuit of its lesson."""
    found = [outcome.finding for outcome in trial.on_failing if outcome.finding is not None]
    if not found:
        raise Failed("nothing is found in the failing circuit of the lesson")
    return f"{len(found)} findings, the first: {found[0].message}"


def silent(trial: Trial) -> str:
    """The rule judges the passing circuit of its lesson and finds nothing."""
    found = [outcome.finding for outcome in trial.on_passing if outcome.finding is not None]
    if found:
        raise Failed(f"it fires on the passing circuit of the lesson: {found[0].message}")
    kinds = {outcome.kind for outcome in trial.on_passing}
    if "satisfied" not in kinds:
        raise Failed(f"the passing circuit is not judged at all: {', '.join(sorted(kinds))}")
    return f"{len(trial.on_passing)} outcomes"


def both_sides(trial: Trial) -> str:
    """Silent up to the limit and firing from it on, by the value that the lesson's dial turns."""
    dial = trial.rule.lesson.dial
    if dial is None:
        return f"undialled: {trial.rule.lesson.undialled}"
    readings = trial.sweep
    if readings[0].fires:
        raise Failed(f"it fires at the good end of the dial, {dial.good} at {dial.pointer}")
    if not readings[-1].fires:
        raise Failed(f"it does not fire at the bad end of the dial, {dial.bad} at {dial.pointer}")
    if trial.scale is None:
        return f"fires at {dial.bad}, not at {dial.good}; there is nothing between two words"
    below, above = trial.crossing
    asked = trial.tested
    inside, outside = below.margin(asked), above.margin(asked)
    if inside is not None and inside < 0.0:
        raise Failed(f"just inside, at {_value(below)}, it is silent although the margin is {inside:.3g}")
    if outside is not None and outside > 0.0:
        raise Failed(f"just outside, at {_value(above)}, it fires although the margin is {outside:.3g}")
    if inside is not None and outside is not None and min(abs(inside), abs(outside)) > NEAR:
        raise Failed(
            f"the verdict turns between {_value(below)} and {_value(above)}, but not where its test does: the"
            f" margins there are {inside:.3g} and {outside:.3g} of the limit"
        )
    told = f"crossed between {_value(below)} and {_value(above)}"
    return f"{told}, within {HAIR:g} of the value; margins {_number(inside)} and {_number(outside)}"


def monotone(trial: Trial) -> str:
    """From the good to the bad end of the dial the verdict turns once, and the margin never rises."""
    if trial.rule.lesson.dial is None:
        return f"undialled: {trial.rule.lesson.undialled}"
    readings, asked = trial.sweep, trial.tested
    turned = [k for k in range(1, len(readings)) if readings[k].fires != readings[k - 1].fires]
    if len(turned) > 1:
        again = readings[turned[1]]
        raise Failed(f"the verdict turns {len(turned)} times along the dial, once more at {_value(again)}")
    before: tuple[int, float, Reading] | None = None
    told = 0
    for reading in readings:
        worst = reading.worst(asked)
        if worst is None or math.isinf(worst[1]):
            continue
        told += 1
        gravity, margin = worst
        if before is not None and gravity < before[0]:
            raise Failed(f"what is found gets milder at {_value(reading)}, towards the bad end")
        if before is not None and gravity == before[0] and _above(margin, before[1]):
            raise Failed(
                f"the margin rises from {before[1]:.6g} at {_value(before[2])} to {margin:.6g} at"
                f" {_value(reading)}, towards the bad end"
            )
        before = gravity, margin, reading
    return f"{told} margins of {len(readings)} readings, none above the one before"


def _above(margin: float, before: float) -> bool:
    return margin > before + SLACK * max(1.0, abs(before))


def _value(reading: Reading) -> str:
    return reading.value if isinstance(reading.value, str) else f"{reading.value:.7g}"


def _number(value: float | None) -> str:
    return "untold" if value is None else f"{value:.3g}"


def budget(trial: Trial) -> str:
    """What it takes on its own failing circuit stays within a number of calls, whatever the machine."""
    try:
        count = counted(lambda: trial.ask(trial.failing.circuit, proposing=True), CALLS)
    except OverBudget:
        raise Failed(f"more than {CALLS} calls of functions for its own failing circuit") from None
    return f"{count} calls of {CALLS}"


def limits(trial: Trial) -> str:
    """Limits are read from the rule when it judges, so that a policy can set them."""
    if not trial.rule.limits:
        return "the rule has no limits"
    bare = copy.copy(trial.rule)
    try:
        object.__setattr__(bare, "limits", MappingProxyType({}))
    except AttributeError:
        raise Failed("its limits cannot be set on a copy of it") from None
    for found, said in trial.both:
        try:
            without = trial.heard(Study(found.circuit, proposing=False), bare)
        except LookupError:
            return "without its limits it cannot judge"
        if difference(said, without, found.circuit):
            return "without its limits it judges differently"
    if _reads_limits(trial.rule):
        return "its lesson asks for none of its limits, but its methods read them"
    raise Failed("without any of its limits it says the same: it does not read them from itself")


def _reads_limits(rule: Any) -> bool:
    """True when a method of the rule names the member ``limits``."""
    codes = [code for name in dir(type(rule)) for code in _codes(getattr(type(rule), name))]
    return any("limits" in code.co_names for code in codes)


def _codes(item: Any) -> list[CodeType]:
    """The code of a method and of what is defined in it."""
    found = [code] if isinstance(code := getattr(item, "__code__", None), CodeType) else []
    for code in found:
        found += [inner for inner in code.co_consts if isinstance(inner, CodeType)]
    return found


def remedy(trial: Trial) -> str:
    """What the rule proposes for its failing circuit is proven by the service, or it advises in words."""
    proposing = [o.finding for o in trial.on_failing if o.proposals and o.finding is not None]
    advice = [text for o in trial.on_failing if o.finding is not None for text in o.finding.advice]
    if not proposing:
        return "it proposes nothing for its failing circuit"
    if trial.prove is None:
        return "not proven here: no prover was given"
    told = trial.prove(trial.rule, trial.rule.lesson.failing)
    proven = [item for finding in told for item in finding.remedies if item.proof.proven]
    if proven:
        return f"{len(proven)} proven, the first: {proven[0].summary}"
    if advice:
        return f"nothing is proven, and the rule advises in words: {advice[0]}"
    reasons = [text for finding in told for text in finding.advice]
    raise Failed(f"none of its proposals is proven: {'; '.join(reasons) or 'no reason is told'}")


class _Broken(Study):
    """A study whose analyses fail."""

    def _refuse(self, *anything: Any, **more: Any) -> Any:
        raise ArithmeticError("this analysis is broken on purpose")

    state_sets = timing = delays = timeline = what_if = _refuse


def crash(trial: Trial) -> str:
    """Where an analysis fails, the rule fails too or abstains: it never takes the failure for a verdict."""
    usual = {_verdict(outcome) for outcome in (*trial.on_failing, *trial.on_passing)}
    for found in (trial.failing, trial.passing):
        try:
            said = trial.heard(_Broken(found.circuit, proposing=False))
        except Unsound:
            raise
        except Exception:
            continue  # the engine tells it as failed
        made_up = [o for o in said if o.kind not in ("undecided", "failed") and _verdict(o) not in usual]
        if made_up:
            raise Failed(f"with every analysis broken it still says {made_up[0].kind}: {made_up[0].reason}")
    return "an analysis that fails is no verdict"


def _verdict(outcome: Any) -> tuple[Any, ...]:
    margin = None if outcome.test is None else outcome.test.margin
    return outcome.kind, outcome.subject, outcome.reason, margin


CHECKS: Mapping[str, Callable[[Trial], str]] = MappingProxyType(
    {
        "metadata": metadata,
        "fires": fires,
        "silent": silent,
        "both-sides": both_sides,
        "monotone": monotone,
        "renaming": renaming,
        "reordering": reordering,
        "redrawing": redrawing,
        "deterministic": deterministic,
        "pure": pure,
        "budget": budget,
        "limits": limits,
        "remedy": remedy,
        "crash": crash,
    }
)
"""Name -> check, in the order in which they are told."""


def ran(check: str, trial: Trial) -> tuple[bool, str]:
    """Whether one check is passed, and what was seen.  Never raises for what a rule does."""
    try:
        return True, CHECKS[check](trial)
    except Failed as failed:
        return False, str(failed)
    except Unsound as unsound:
        return False, f"unsound: {unsound}"
    except DocumentProblems as refused:
        return False, f"a circuit of the lesson is refused: {refused.problems[0]}"
    except Exception as error:
        return False, f"the rule raised {type(error).__name__}: {error}"
