"""What required-delay says: its message, its evidence, and pairs of resistor and capacitor that mend it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.closer import Closer, closer
from rules.analysis.corners.labels import NOMINAL
from rules.analysis.corners.worst import Sensitivity
from rules.analysis.delay_design import Designer, Pair
from rules.analysis.leakage import highest_voltage, promise_of
from rules.analysis.requirements import Asked, Relation, Window
from rules.analysis.stays import Measured, Stays
from rules.required_words import limits, moved_by, side_words, wanted
from rules.wording import celsius, from_to, listed, member_pointer, new_resistance, part_quantity, say
from schemas.finding import Change, Proposal, Quantity
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study

_MATTERS = 1e-3  # of a delay; less of it by leakage is not told
SHOWN = 2  # pairs that are proposed


def leaking(end: Measured) -> bool:
    """True where leakage counts in an end of a range."""
    return not math.isfinite(end.seconds) or abs(end.seconds - end.dry) > _MATTERS * end.dry


def message(study: Study, item: Asked, found: Stays, relation: Relation, end: Measured) -> str:
    """The finding in words, with its numbers and its limit."""
    what = f'"{item.state}" after "{item.text("stimulus")}"'
    span = f"{say(found.low.dry, 's')} to {say(found.high.dry, 's')}"
    nominal = say(found.nominal.seconds, "s")
    rest = (
        f" Wanted is {wanted(item, 's')}; it is {nominal} at nominal values and {span} over all tolerances"
        " without leakage."
    )
    at = "nominal values" if end.corner == NOMINAL else end.corner
    if math.isinf(end.seconds):
        why = f": {end.reason}" if end.reason else ""
        return f"{what} may never end ({at}, leakage at its limit){why}.{rest}"
    side = side_words(item.window, relation, "s")
    with_leak = ", leakage at its limit" if leaking(end) else ""
    return f"{what} lasts {say(end.seconds, 's')} at {at}{with_leak}: {side}.{rest}"


def evidence(study: Study, item: Asked, found: Stays) -> Iterator[Quantity]:
    """Window, both ends with and without leakage, and what each tolerance does alone."""
    yield from limits(item, "t", "time", "s")
    if math.isfinite(found.nominal.seconds):
        yield Quantity("t", "time at nominal values without leakage", found.nominal.seconds, "s")
    for end, mark, word in ((found.low, "min", "least"), (found.high, "max", "greatest")):
        if math.isfinite(end.dry):
            yield Quantity(f"t_{mark}", f"{word} time without leakage, {end.corner}", end.dry, "s")
        if leaking(end) and math.isfinite(end.seconds):
            yield Quantity(f"t_{mark},leak", "the same with leakage at its limit", end.seconds, "s")
    if found.delay is not None:
        capacitor = found.delay.timed.capacitor
        promise = promise_of(study, capacitor, highest_voltage(study, capacitor))
        if not isinstance(promise, str):
            meaning = f"leakage limit of {capacitor} ({promise.wording}) at {celsius(promise.temperature)}"
            yield Quantity(
                "I_L", meaning, promise.limit, "A", promise.origin, promise.pointer, promise.source
            )
        yield Quantity("I_ch", "what charges it at the threshold", abs(found.delay.timed.current), "A")
        known = part_quantity(study, capacitor, "capacitance", "C", "capacitance")
        if known is not None:
            yield known
    if not found.proven:
        yield Quantity("n", "runs at corners that follow the signs at nominal values: no proof", 1.0, "")
    order = sorted(found.shares, key=lambda s: (-abs(s.high - s.low), s.parameter.key))
    yield from moved_by([Sensitivity(s.parameter, s.low, s.high, 0.0) for s in order], "s")


def unknown_leakage(study: Study, found: Stays, relation: Relation) -> str:
    """The pointer of what is missing where leakage could still take a side out of its window."""
    if found.delay is None:
        return ""
    harmful = found.delay.opposed == (relation == "<=")
    capacitor = found.delay.timed.capacitor
    promise = promise_of(study, capacitor, highest_voltage(study, capacitor))
    return promise if harmful and isinstance(promise, str) else ""


def cures(study: Study, item: Asked, found: Stays) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """Pairs of resistor and capacitor, closer parts where the range is too wide, else what would do."""
    if found.corners is None:
        return (), ()
    if math.isinf(found.high.seconds):
        return (), tuple(_stalled(found))
    # what leakage adds at the ends is taken off the window, so that the pairs are judged without it
    window = Window(
        item.window.low * found.low.dry / found.low.seconds if found.low.seconds > 0.0 else item.window.low,
        item.window.high * found.high.dry / found.high.seconds,
        item.pointer,
    )
    designer = Designer(study, found.corners, window)
    made = [_pair(study, pair) for pair in designer.pairs()]
    if not made:
        made = [_closer(study, option) for option in closer(study, found.corners, window)]
    return tuple(made[: SHOWN + 1]), tuple(designer.tolerances())


def _stalled(found: Stays) -> Iterator[str]:
    if math.isfinite(found.high.dry):
        yield (
            "a smaller resistor with a larger capacitor does not help: both the leakage and the charging"
            " current grow with the capacitor. What helps is a capacitor that may leak less, or a measured"
            " one with its leakage written into the document"
        )


def _pair(study: Study, pair: Pair) -> Proposal:
    words: list[str] = []
    changes: list[Change] = []
    if pair.resistor is not None:
        words.append(from_to(study, *pair.resistor))
        changes.append(new_resistance(study, *pair.resistor))
    if pair.capacitor is not None:
        name, farads = pair.capacitor
        now = study.value(name, "capacitance")
        words.append(f"{name} {say(now, 'F')} to {say(farads, 'F')}")
        text = document_text(farads, "capacitance")
        changes.append(Change(member_pointer(name, "capacitance"), now, text))
    span = f"{say(pair.low, 's')} to {say(pair.high, 's')} over all tolerances without leakage"
    return Proposal(f"{listed(words)}: {say(pair.nominal, 's')}, {span}", tuple(changes))


def _closer(study: Study, option: Closer) -> Proposal:
    words: list[str] = []
    changes = [Change(member_pointer(part, "tolerance"), None, "1 %") for part in option.resistors]
    if option.ohms is not None:
        words.append(from_to(study, *option.ohms))
        changes.append(new_resistance(study, *option.ohms))
    if option.resistors:
        words.append(f"1 % for {listed(option.resistors)}")
    if option.capacitor is not None:
        words.append(f"{option.capacitor} of 10 %")
        changes.append(Change(member_pointer(option.capacitor, "tolerance"), None, "10 %"))
    span = f"{say(option.low, 's')} to {say(option.high, 's')} over all tolerances without leakage"
    return Proposal(f"{listed(words)}: {span}", tuple(changes))
