"""How fast a circuit is: the period of one that never rests, the delays of one that does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Circuit

SAME = 1e-3  # of a time; a smaller change is none


def pace(study: Study) -> Mapping[str, float]:
    """What takes how long (s) at typical gains: ``the period``, or the delay of each capacitor."""
    if study.state_sets()[0].faults:
        return {}
    if not study.state_sets()[0].stable:
        period = study.timeline(None).period
        return {} if period is None else {"the period": period}
    found: dict[str, float] = {}
    for delay in study.delays()[0]:
        name = f"the delay that {delay.timed.capacitor} sets"
        found[name] = max(found.get(name, 0.0), delay.duration)
    return found


def changed_pace(study: Study, changed: Circuit) -> str:
    """``; the period 372 ms instead of 331 ms``: what a change does to the times; empty for nothing."""
    before = pace(study)
    if not before:
        return ""
    after = pace(type(study)(changed, study.step_budget, proposing=False))
    told = []
    for name, seconds in sorted(before.items()):
        now = after.get(name)
        if now is None:
            told.append(f"{name} of {format_quantity(seconds, 's', 3)} gone")
        elif abs(now - seconds) > SAME * seconds:
            told.append(
                f"{name} {format_quantity(now, 's', 3)} instead of {format_quantity(seconds, 's', 3)}"
            )
    return f"; {', '.join(told)}" if told else ""
