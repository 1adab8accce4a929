"""What is left in the loads of a latch once it has let go of itself, beside what it was before."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from rules.analysis.corners.variants import Quantity
from rules.analysis.latches.find import LOADS, Latch
from rules.analysis.latches.resets import released
from rules.analysis.standing import with_leakage
from rules.analysis.states import State
from rules.analysis.study import Situation, Study
from rules.analysis.worst_there import There, worst_there

SMALL = 1e-6  # A; a load that gets less while the latch is on is none


@dataclass(frozen=True, eq=False)
class Leftover:
    """One load: its current (A, magnitude) while the latch is on, right after, and at rest at worst.

    ``after`` is ``None`` where no state follows at once; ``leaky`` and ``state`` have the leakage at the
    hottest in them, for trials; ``missing`` are pointers of values without which a leakage is unknown.
    """

    load: str
    on: float
    after: float | None
    rest: There
    situation: Situation
    leaky: Study
    state: State
    missing: tuple[str, ...]


def current_in(study: Study, load: str, state: State) -> Quantity:
    """The current (A) of a load as a quantity, positive as it is in ``state``."""
    pin = "anode" if study.circuit.parts[load].kind == "led" else "plus"
    sign = -1.0 if (state.currents[load][pin] or 0.0) < 0.0 else 1.0

    def quantity(at: State) -> float | None:
        found = at.currents[load][pin]
        return None if found is None else sign * found

    return quantity


def leftovers(study: Study, latch: Latch) -> Iterator[Leftover]:
    """Every load that a latch feeds until it lets go by itself; nothing where off is no state at rest."""
    timed = latch.timed.get("typical") or next(iter(latch.timed.values()), None)
    off = None if latch.off is None else latch.state(latch.off, "typical")
    if timed is None or off is None:
        return
    situation = Situation(off.name, "typical", off)
    leaky = with_leakage(study, situation)
    if leaky is None:
        return
    followed = [s for s in released(study, latch, timed) if not latch.conducting(s)]
    for part in study.circuit.parts.values():
        if part.kind not in LOADS:
            continue
        on = _size(study, part.name, timed.state)
        rest = worst_there(leaky.state, current_in(study, part.name, leaky.state), "max")
        before = _size(study, part.name, off)
        if on is None or rest is None or before is None or on - before <= SMALL:
            continue
        after = max((v for s in followed if (v := _size(study, part.name, s)) is not None), default=None)
        yield Leftover(part.name, on, after, rest, situation, leaky.study, leaky.state, leaky.missing)


def _size(study: Study, load: str, state: State) -> float | None:
    found = current_in(study, load, state)(state)
    return None if found is None else float(found)
