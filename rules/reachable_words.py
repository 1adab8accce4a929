"""What tolerance-reachable says: the case, its message and evidence, and the capacitor that would do."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.formulas.field import tolerance_left
from rules.analysis.reachable import Spec
from rules.analysis.requirements import Asked
from rules.required_words import limits, wanted
from rules.wording import member_pointer, say
from schemas.finding import Change, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

CLASSES = (0.2, 0.1, 0.05, 0.02, 0.01)
"""Tolerances in which capacitors are sold: common practice, no source."""


@dataclass(frozen=True, eq=False)
class Case:
    """A requirement with its spec: ``met`` as the tolerances are, ``cause`` the finding that says if not."""

    item: Asked
    spec: Spec
    met: bool
    unit: str
    state: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    cause: str

    @property
    def about(self) -> tuple[str, ...]:
        return (*self.parts, *self.nets, self.item.label)


def message(
    case: Case, test: Test, bare: float, resistors: float | None, capacitors: float | None, close: float
) -> str:
    def wide(width: float) -> str:
        return f"a factor of {width:.3g}" if test.unit == "" else say(abs(width), case.unit)

    spec = case.spec
    if resistors is None:
        verb = "its range is still" if spec.two_sided else "it still comes to"
        told = (
            f"even with exact resistors {verb} {wide(bare)}, where {wide(test.right)} would fit: no tolerance"
            " of the resistors holds it"
        )
    else:
        asks = f"it asks for resistors of {say(resistors, 'ratio', 2)}"
        told = f"{asks}, closer than the {say(close, 'ratio')} that shops keep"
    more = ""
    if spec.capacitor is not None and capacitors is not None:
        much = say(capacitors, "ratio", 2)
        more = f" With the resistors as they are, a tolerance of {much} for {spec.capacitor} would do."
    elif spec.capacitor is not None:
        best = say(min(CLASSES), "ratio")
        more = f" Nor does {spec.capacitor} of {best} hold it with the resistors as they are."
    title = f'The requirement "{case.item.label}" ({wanted(case.item, case.unit)})'
    lost = spec.two_sided and resistors is None
    verdict = "is out of reach" if lost else "is hard to reach as the values stand"
    return f"{title} {verdict}: {told}.{more}"


def evidence(
    study: Study,
    case: Case,
    test: Test,
    bare: float,
    resistors: float | None,
    capacitors: float | None,
    close: float,
) -> Iterator[Quantity]:
    yield from limits(case.item, "x", "value", case.unit)
    words = "range as a factor" if test.unit == "" else "range"
    yield Quantity("x_exact", f"{words} with exact resistors", bare, test.unit)
    yield Quantity("x_close", f"{words} with resistors of {say(close, 'ratio')}", test.left, test.unit)
    yield Quantity("x_room", f"{words} that the window leaves", test.right, test.unit)
    if resistors is not None:
        yield Quantity("r", "largest tolerance of all resistors that holds it", resistors, "")
    if capacitors is not None:
        widest = f"widest tolerance on sale of {case.spec.capacitor} that holds it"
        yield Quantity("c", widest, capacitors, "")
    capacitor = case.spec.capacitor
    known = None if capacitor is None else study.known(capacitor, "tolerance_high")
    if known is not None and case.spec.two_sided:
        hand = tolerance_left(test.right**0.5 - 1.0, known.value)
        meaning = "what the capacitor alone leaves to the resistors of t = k*R*C, by hand"
        yield Quantity("r_hand", meaning, hand, "")


def advice(case: Case, capacitors: float | None) -> Iterator[str]:
    if case.spec.capacitor is not None and capacitors is None:
        yield "make it adjustable with a trimmer over 1.2 times the range, or ask for a wider window"
    elif case.spec.capacitor is None:
        yield "take the voltage from a reference, or ask for a wider window"


def proposals(case: Case, capacitors: float | None) -> tuple[Proposal, ...]:
    """The widest tolerance class of the capacitor that would do."""
    name, share = case.spec.capacitor, capacitors
    if name is None or share is None:
        return ()
    text = say(share, "ratio")
    change = Change(member_pointer(name, "tolerance"), None, text)
    return (Proposal(f"{name} of {text}", (change,)),)
