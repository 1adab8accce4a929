"""What the rules on delays have in common: who is judged, corner and changes as evidence, words."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from rules.analysis.corners.parameters import TEMPERATURE, Parameter
from rules.analysis.delay_corners import Corner, Share, every_delay
from rules.outcomes import broken
from rules.wording import ZERO_CELSIUS, listed, say, with_position
from schemas.finding import Finding, Outcome, Proposal, Quantity, Severity, Test, identity

if TYPE_CHECKING:
    from rules.analysis.delays import Delay
    from rules.analysis.study import Study
    from rules.contract import Rule

SHOWN = 6  # changes that the evidence lists
SMALL = 0.02  # of all changes together; one below it is not listed
_COMMON = {"vbe_on": "V_BE", "diode_forward": "diode drop"}


def role_of(delay: Delay) -> str:
    return "charging" if delay.opposed else "discharging"


def place(delay: Delay) -> str:
    """``"ringing (S1 open)"``."""
    return f'"{with_position(delay.timed.name, delay.timed.configuration)}"'


def threshold_identity(delay: Delay) -> str:
    """The finding of the rule that says that the capacitor hardly, or never, reaches its threshold."""
    return identity("threshold-sensitivity", (delay.timed.capacitor,), (), role_of(delay))


def each_delay(
    rule: Rule,
    study: Study,
    judge: Callable[[Study, Delay], Iterable[Outcome]],
    *,
    cycles: bool = False,
) -> Iterator[Outcome]:
    """What ``judge`` says of each delay, then the capacitors that are left out.

    The first wait of a cycle that repeats by itself is judged with ``cycles`` only.
    """
    judged: list[str] = []
    for delay in every_delay(study):
        judged.append(delay.timed.capacitor)
        if not cycles and repeats(study, delay):
            yield repeating(rule, delay)
        else:
            yield from judge(study, delay)
    yield from left_out(rule, study, judged)


def left_out(rule: Rule, study: Study, judged: Iterable[str]) -> Iterator[Outcome]:
    """Every capacitor that times nothing, and a circuit without any."""
    done, seen = set(judged), set[str]()
    for corner in study.corners:
        for left in study.delays(corner)[1]:
            if left.capacitor not in done | seen:
                seen.add(left.capacitor)
                reason = f"{left.capacitor} times nothing: {left.reason}"
                yield Outcome(rule.slug, "not-applicable", (left.capacitor,), reason)
    if not done and not seen:
        yield Outcome(rule.slug, "not-applicable", (), "there is no capacitor")


def not_applicable(rule: Rule, delay: Delay, reason: str) -> Outcome:
    return Outcome(rule.slug, "not-applicable", (delay.timed.capacitor,), reason, delay.timed.name)


def undecided(rule: Rule, delay: Delay, reason: str) -> Outcome:
    return Outcome(rule.slug, "undecided", (delay.timed.capacitor,), reason, delay.timed.name)


def no_nominal(rule: Rule, delay: Delay) -> Outcome:
    reason = f"{place(delay)} is a delay at {delay.timed.corner} gain only; at typical gain it is none"
    return not_applicable(rule, delay, reason)


def repeats(study: Study, delay: Delay) -> bool:
    """True for the first wait of a circuit that never rests: it begins empty, unlike all that follow."""
    return delay.origin is None and not study.state_sets(delay.timed.corner)[0].stable


def repeating(rule: Rule, delay: Delay) -> Outcome:
    reason = f"{place(delay)} is the start of a cycle that repeats by itself; nothing waits for it"
    return not_applicable(rule, delay, reason)


def satisfied(
    rule: Rule, delay: Delay, test: Test, corner: str, evidence: Iterable[Quantity] = ()
) -> Outcome:
    """``evidence`` are the numbers behind it, those that cost nothing more."""
    timed, told = delay.timed, tuple(evidence)
    return Outcome(
        rule.slug, "satisfied", (timed.capacitor,), "", timed.name, corner, test, evidence=told
    )


def violated(
    rule: Rule,
    delay: Delay,
    test: Test,
    severity: Severity,
    corner: str,
    message: str,
    evidence: Iterable[Quantity],
    *,
    pointers: Sequence[str],
    parts: Iterable[str] = (),
    proposals: Sequence[Proposal] = (),
    advice: Iterable[str] = (),
    cause: str | None = None,
) -> Outcome:
    """A finding about one delay at its worst corner; its role is the direction of the capacitor."""
    timed = delay.timed
    subject = (timed.capacitor,)
    finding = Finding(
        rule=rule.slug,
        severity=severity,
        parts=tuple(sorted({timed.capacitor, *parts})),
        nets=(),
        pointers=tuple(pointers),
        state=timed.name,
        corner=corner,
        message=message,
        evidence=tuple(evidence),
        test=test,
        grounds=rule.grounds,
        role=role_of(delay),
        caused_by=cause,
        advice=tuple(advice),
    )
    return broken(finding, subject, proposals)


def parameter_name(parameter: Parameter) -> str:
    """``C1 capacitance``, ``BT1 voltage``, ``V_BE``, ``temperature``."""
    member = _COMMON.get(parameter.member, parameter.member)
    return f"{parameter.part} {member}" if parameter.part else member


def interval(parameter: Parameter) -> str:
    """``264 uF to 396 uF``."""
    measure = "temperature" if parameter.unit == "K" else parameter.unit
    return f"{say(parameter.low, measure)} to {say(parameter.high, measure)}"


def largest(shares: Sequence[Share]) -> tuple[Share, ...]:
    """The changes that count, the largest first."""
    finite = [share for share in shares if math.isfinite(share.low) and math.isfinite(share.high)]
    whole = sum(abs(share.high - share.low) for share in finite)
    found = [share for share in finite if abs(share.high - share.low) > SMALL * whole]
    return tuple(sorted(found, key=lambda s: (-abs(s.high - s.low), s.parameter.key)))


def changes(corner: Corner, unit: str) -> Iterator[Quantity]:
    """What each tolerance alone does to a quantity, the largest first."""
    for share in largest(corner.shares)[:SHOWN]:
        parameter = share.parameter
        meaning = f"change over {parameter_name(parameter)} {interval(parameter)} alone"
        source = None if parameter.origin == "declared" else parameter.source
        pointer = parameter.pointer.removesuffix("_low").removesuffix("_high")
        symbol = f"by {parameter.part or parameter_name(parameter)}"
        yield Quantity(symbol, meaning, share.high - share.low, unit, "derived", pointer, source)


def reason_of(corner: Corner) -> str:
    """``C1 capacitance`` and what else makes at least a third of what the first one makes."""
    found = largest(corner.shares)
    if not found:
        return ""
    first = abs(found[0].high - found[0].low)
    return listed(parameter_name(s.parameter) for s in found[:3] if abs(s.high - s.low) * 3.0 >= first)


def temperature_of(corner: Corner) -> float:
    """degC at the corner."""
    return corner.point.get(TEMPERATURE, 298.15) - ZERO_CELSIUS
