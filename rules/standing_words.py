"""What the rules on standing current and battery life say of it: evidence, and what would lower it."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rules.analysis.leakage import choices
from rules.analysis.named import GAINS
from rules.analysis.requirements import Window
from rules.analysis.standing import Drain, drawn
from rules.analysis.tuning import Tuner
from rules.required_words import moved_by, tuned_proposal
from rules.wording import ZERO_CELSIUS, celsius, listed, part_quantity, say, with_position
from schemas.finding import Proposal, Quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study

SHOWN = 4  # currents that the evidence lists
_COUNTS = 0.05  # of the greatest current; less is not listed


def place(drain: Drain) -> str:
    """``quiet (S1 open) at BT1 9.6 V``."""
    situation = drain.situation
    configuration = situation.state.mode.network.configuration
    at = "nominal values" if drain.corner in (*GAINS.values(), "") else drain.corner
    return f"{with_position(situation.label, configuration)} at {at}"


def of_leakage(study: Study, drain: Drain) -> str:
    """How much of it is leakage, in words; empty where there is none."""
    leakage = math.fsum(drain.leaking.values())
    if leakage < _COUNTS * drain.amperes:
        return ""
    most = sorted(drain.leaking, key=lambda part: (-drain.leaking[part], part))[:3]
    hot = celsius(max(study.resolved.ambient.high, ZERO_CELSIUS + 20.0))
    names = listed(most)
    return f" With every leakage at its limit at {hot} {say(leakage, 'A')} of it leak, most in {names}."


def evidence(study: Study, drain: Drain, names: tuple[str, ...]) -> Iterator[Quantity]:
    """The current, what it is made of, and what each tolerance does to it."""
    how = f"; {drain.how}" if drain.how else ""
    yield Quantity("I_max", f"greatest current from {listed(names)}, {place(drain)}{how}", drain.amperes, "A")
    yield Quantity("I", "the same at nominal values without leakage", drain.nominal, "A")
    for leaking in sorted(drain.leaking, key=lambda name: (-drain.leaking[name], name))[:SHOWN]:
        yield _leak(study, drain, leaking)
    found = []
    parts, state = study.circuit.parts, drain.tuned[1]
    nets = {parts[name].pins["plus"] for name in names}
    for part in parts.values():
        if part.name in names:
            continue
        for pin, net in part.pins.items():
            current = state.currents[part.name][pin]
            if net in nets and current is not None and current > 0.0:
                found.append((-current, part.name, pin))
    for current, name, pin in sorted(found)[:SHOWN]:
        if -current > _COUNTS * drain.amperes:
            yield Quantity(f"I({name})", f"goes into {name} at its pin {pin}, nominal", -current, "A")
    yield from moved_by(drain.sensitivities, "A")


def _leak(study: Study, drain: Drain, part: str) -> Quantity:
    amperes, promise = drain.leaking[part], drain.promises.get(part)
    if promise is not None:
        meaning = f"leakage limit of {part} ({promise.wording}) at {celsius(promise.temperature)}"
        return Quantity(
            f"I_L({part})", meaning, amperes, "A", promise.origin, promise.pointer, promise.source
        )
    known = part_quantity(study, part, "icbo", "", "")
    pointer, source = (None, None) if known is None else (known.pointer, known.source)
    meaning = f"I_CBO of {part}, twice its limit at 25 degC for every 10 K"
    return Quantity(f"I_CBO({part})", meaning, amperes, "A", "derived", pointer, source)


def cures(
    study: Study, drain: Drain, names: tuple[str, ...], limit: float
) -> tuple[tuple[Proposal, ...], tuple[str, ...]]:
    """What brings the current down to ``limit`` A: larger resistors, capacitors that may leak less."""
    advice: list[str] = []
    leaky, state = drain.tuned
    tuner = Tuner(leaky, state, lambda s: drawn(s, names), Window(-math.inf, limit, ""))
    what = f"current from {listed(names)}"
    made = [tuned_proposal(study, tuned, what, "A") for tuned in (*tuner.one_resistor(), *tuner.scaled())]
    for part, promise in sorted(drain.promises.items()):
        if drain.leaking[part] < _COUNTS * drain.amperes:
            continue
        for option in choices(study, part, promise):
            saved = drain.leaking[part] * (1.0 - option.limit / promise.limit)
            if drain.amperes - saved <= limit:
                made.append(Proposal(f"{option.summary}: {say(option.limit, 'A')} at most", option.changes))
            else:
                advice.append(
                    f"{option.summary}: the leakage falls from {say(drain.leaking[part], 'A')} to"
                    f" {say(option.limit, 'A')}, which alone is not enough"
                )
    leakage = math.fsum(drain.leaking.values())
    if leakage > limit and not made:
        advice.append(
            f"leakage alone is {say(leakage, 'A')}: no resistor brings the current below it; measured or"
            " stated leakages (leakage of a capacitor, icbo of a transistor) can be written into the document"
        )
    return tuple(made), tuple(advice)
