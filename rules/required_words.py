"""What the rules on requirements have in common: their words, their evidence, and their outcomes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from rules.analysis.corners.labels import NOMINAL
from rules.analysis.named import GAINS, End, Range
from rules.analysis.requirements import Asked, Window
from rules.outcomes import broken
from rules.wording import from_to, listed, member_pointer, new_resistance, say, with_position
from schemas.finding import Change, Finding, Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.corners.parameters import Parameter
    from rules.analysis.corners.worst import Sensitivity
    from rules.analysis.study import Study
    from rules.analysis.tuning import Tuned
    from rules.contract import Rule

SHOWN = 5  # sensitivities that the evidence lists
_SMALL = 0.02  # of all changes together; a sensitivity below it is not listed


def none_asked(rule: Rule, kind: str) -> Outcome:
    return Outcome(rule.slug, "not-applicable", (), f"the document has no requirement {kind}")


def undecided(rule: Rule, item: Asked, places: Sequence[str], reason: str) -> Outcome:
    return Outcome(rule.slug, "undecided", (*places, item.label), reason, item.state or None)


def satisfied(
    rule: Rule,
    item: Asked,
    places: Sequence[str],
    test: Test,
    state: str | None,
    corner: str,
    evidence: Iterable[Quantity] = (),
) -> Outcome:
    """``evidence`` are the numbers behind it, those that cost nothing more."""
    about, told = (*places, item.label), tuple(evidence)
    return Outcome(rule.slug, "satisfied", about, "", state, corner, test, evidence=told)


def violated(
    rule: Rule,
    item: Asked,
    test: Test,
    message: str,
    evidence: Iterable[Quantity],
    *,
    state: str | None,
    corner: str,
    parts: Sequence[str] = (),
    nets: Sequence[str] = (),
    pointers: Sequence[str] = (),
    proposals: Sequence[Proposal] = (),
    advice: Iterable[str] = (),
    cause: str | None = None,
) -> Outcome:
    """A requirement that is not met; its label is the role, so that each requirement is its own finding."""
    finding = Finding(
        rule=rule.slug,
        severity="error",
        parts=tuple(parts),
        nets=tuple(nets),
        pointers=(item.pointer, *pointers),
        state=state,
        corner=corner,
        message=message,
        evidence=tuple(evidence),
        test=test,
        grounds=rule.grounds,
        role=item.label,
        advice=tuple(advice),
        caused_by=cause,
    )
    about = (*parts, *nets, item.label)
    return broken(finding, about, proposals)


def why_unknown(study: Study) -> str:
    """Why nothing can be said of a named state; empty where every state is known."""
    return "; ".join(study.incomplete_reasons)


def nowhere(
    rule: Rule, study: Study, item: Asked, corners: Sequence[str], parts: Sequence[str], nets: Sequence[str]
) -> Outcome:
    """The named state does not exist at some corners: violated there, undecided where states are unknown."""
    unknown = why_unknown(study)
    if unknown:
        return undecided(rule, item, (*parts, *nets), f"not every state is known: {unknown}")
    at = listed(corner_words(corner) for corner in corners)
    everywhere = NOMINAL in corners
    message = (
        f'{_title(item)} speaks of the state "{item.state}", which does not exist {at}:'
        f" there {regions(study, item)} is neither a stable state nor one that a capacitor holds."
    )
    if everywhere:
        message = (
            f'{_title(item)} speaks of the state "{item.state}", but {regions(study, item)} is no state of'
            " this circuit, neither a stable one nor one that a capacitor holds."
        )
    test = Test.at_least(0.0, 1.0, "")
    count = Quantity("n", f'states that fit "{item.state}" {at}', 0.0, "")
    corner = corners[0]
    return violated(
        rule, item, test, message, (count,), state=item.state, corner=corner, parts=parts, nets=nets
    )


def corner_words(corner: str) -> str:
    """``at nominal values``, ``at the least gain``, else ``at`` the corner in brackets."""
    if corner == NOMINAL:
        return "at nominal values"
    return f"at the {corner}" if corner in GAINS.values() else f"at ({corner})"


def regions(study: Study, item: Asked) -> str:
    """``Q1 off, Q2 saturated``: what the document says of the named state."""
    return ", ".join(f"{part} {region}" for part, region in study.circuit.states[item.state].items())


def _title(item: Asked) -> str:
    return f'the requirement "{item.wanted.name}"' if item.wanted.name else "a requirement"


def wanted(item: Asked, unit: str) -> str:
    """``4.3 V +/- 5 %``, ``at least 4 V``, ``4 V to 4.5 V``."""
    window = item.window
    target, within = item.number("target"), item.number("within")
    if target is not None and within is not None:
        ends = f"{say(window.low, unit, 4)} to {say(window.high, unit, 4)}"
        return f"{say(target, unit)} within {say(within, 'ratio')} ({ends})"
    if math.isinf(window.low):
        return f"at most {say(window.high, unit, 4)}"
    if math.isinf(window.high):
        return f"at least {say(window.low, unit, 4)}"
    return f"{say(window.low, unit, 4)} to {say(window.high, unit, 4)}"


def limits(item: Asked, symbol: str, what: str, unit: str) -> Iterator[Quantity]:
    """What the document asks for, as evidence with its pointers."""
    target, within = item.number("target"), item.number("within")
    if target is not None and within is not None:
        pointer = f"{item.pointer}/target"
        yield Quantity(f"{symbol}_wanted", f"wanted {what}", target, unit, "declared", pointer)
        yield Quantity("within", "accepted deviation", within, "", "declared", f"{item.pointer}/within")
    for member, word in (("at_least", "least"), ("at_most", "greatest")):
        value = item.number(member)
        if value is not None:
            pointer = f"{item.pointer}/{member}"
            yield Quantity(f"{symbol}_{member}", f"{word} accepted {what}", value, unit, "declared", pointer)


def ends(found: Range, symbol: str, what: str, unit: str) -> Iterator[Quantity]:
    """Nominal value and both ends of a range as evidence."""
    yield Quantity(f"{symbol}", f"{what} at nominal values", found.nominal, unit)
    for end, mark in ((found.low, "min"), (found.high, "max")):
        if end is not None:
            how = f"; {end.how}" if end.how else ""
            word = "least" if mark == "min" else "greatest"
            yield Quantity(f"{symbol}_{mark}", f"{word} {what}, {at_corner(end)}{how}", end.value, unit)


def at_corner(end: End) -> str:
    """Where an end is taken: ``ringing (S1 open) at beta min, BT1 6.5 V``."""
    configuration = end.situation.state.mode.network.configuration
    at = "nominal values" if end.corner == NOMINAL else end.corner
    return f"{with_position(end.situation.label, configuration)} at {at}"


def moved_by(sensitivities: Sequence[Sensitivity], unit: str) -> Iterator[Quantity]:
    """What each tolerance alone does, the largest first."""
    whole = sum(abs(s.change) for s in sensitivities if math.isfinite(s.change))
    for s in list(sensitivities)[:SHOWN]:
        if not math.isfinite(s.change) or abs(s.change) <= _SMALL * whole:
            continue
        p = s.parameter
        measure = "temperature" if p.unit == "K" else p.unit
        span = f"from {say(p.low, measure)} to {say(p.high, measure)}"
        source = None if p.origin == "declared" else p.source
        meaning = f"change over {parameter_name(p)} {span} alone"
        pointer = p.pointer.removesuffix("_low").removesuffix("_high")
        symbol = f"by {p.part or parameter_name(p)}"
        yield Quantity(symbol, meaning, s.change, unit, "derived", pointer, source)


def parameter_name(parameter: Parameter) -> str:
    """``R1 resistance``, ``BT1 voltage``, ``V_BE``, ``temperature``."""
    member = _COMMON.get(parameter.member, parameter.member.replace("_", " "))
    return f"{parameter.part} {member}" if parameter.part else member


_COMMON = {"vbe_on": "V_BE", "diode_forward": "diode drop"}


def tuned_proposal(study: Study, tuned: Tuned, what: str, unit: str) -> Proposal:
    """Other resistors as a proposal, with the range that they give."""
    words = [from_to(study, part, ohms) for part, ohms in sorted(tuned.ohms.items())]
    changes = [new_resistance(study, part, ohms) for part, ohms in sorted(tuned.ohms.items())]
    if tuned.closer:
        words.append(f"1 % for {listed(tuned.closer)}")
        changes.extend(Change(member_pointer(part, "tolerance"), None, "1 %") for part in tuned.closer)
    span = f"{say(tuned.low, unit)} to {say(tuned.high, unit)} over all tolerances"
    return Proposal(f"{listed(words)}: {what} {say(tuned.nominal, unit)}, {span}", tuple(changes))


def side_words(window: Window, relation: str, unit: str) -> str:
    """``above the 4.5 V`` or ``below the 4.1 V``."""
    limit = window.high if relation == "<=" else window.low
    return f"{'above' if relation == '<=' else 'below'} {say(limit, unit, 4)}"
