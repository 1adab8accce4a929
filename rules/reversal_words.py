"""What polarised-reversal has to say: the case, its message and evidence, and the part turned round."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.resolve import part_pointer
from rules.analysis.stress import Peak, along, at_rest, reversal_pair
from rules.moments import moment
from rules.wording import part_quantity, say
from schemas.finding import Change, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part


@dataclass(frozen=True, eq=False)
class Case:
    """One capacitor at its worst resting state or moment."""

    part: Part
    peak: Peak


def message(case: Case, test: Test) -> str:
    """The finding in words, with its numbers and its limit."""
    name, peak = case.part.name, case.peak
    plus, minus = case.part.pins["plus"], case.part.pins["minus"]
    ends = f"its plus end {plus} {{}} {say(peak.value, 'V')} below {minus}"
    if peak.at is None:
        return (
            f'{name} is charged the wrong way round: {ends.format("rests")} in "{peak.state}"; limit'
            f" {say(test.right, 'V')}."
        )
    goes = ends.format("goes")
    return f"{name} is reversed for a moment: {goes} {moment(peak)}; limit {say(test.right, 'V')}."


def evidence(study: Study, case: Case) -> Iterator[Quantity]:
    """Every number behind the finding."""
    name, peak = case.part.name, case.peak
    yield Quantity("V(-) - V(+)", f"reverse voltage of {name}", peak.value, "V")
    for pin, symbol in (("plus", "V(+)"), ("minus", "V(-)")):
        volts = peak.nets[case.part.pins[pin]]
        if volts is not None:
            yield Quantity(symbol, f"voltage of {case.part.pins[pin]}", volts, "V")
    if peak.at is not None:
        yield Quantity("t", "time from the beginning of the run", peak.at, "s")
    rated = part_quantity(study, name, "voltage", "V_R", "rated voltage")
    if rated is not None:
        yield rated


def turned(study: Study, case: Case) -> tuple[Proposal, ...]:
    """The capacitor with its ends exchanged, where it would then be reversed by less."""
    other = _other_way(study, case.part)
    if other >= case.peak.value:
        return ()
    pins = case.part.pins
    changes = tuple(
        Change(part_pointer(case.part.name, "pins", pin), pins[pin], pins[there])
        for pin, there in (("plus", "minus"), ("minus", "plus"))
    )
    left = f"reversed by {say(other, 'V')} at most" if other > 0.0 else "never reversed"
    return (Proposal(f"{case.part.name} turned round, plus end at {pins['minus']}: then {left}", changes),)


def _other_way(study: Study, part: Part) -> float:
    """The reverse voltage (V) it would see turned round."""
    pair = reversal_pair(part)[::-1]
    found = (at_rest(study, pair, lambda _, __: False, lasting=True), along(study, pair))
    return max((peak.value for peak in found if peak is not None), default=0.0)


def advice(study: Study, case: Case, severity: Severity, turns: bool) -> Iterator[str]:
    """What else would do."""
    if severity == "note":
        yield "no more than a remark: an aluminium capacitor stands this for years, a tantalum one may not"
        return
    farads = study.value(case.part.name, "capacitance")
    if not turns:
        yield (
            f"turned round it would be reversed too: fit a film or bipolar capacitor, or two of"
            f" {say(2.0 * farads, 'F')} in series with their plus ends together"
        )
