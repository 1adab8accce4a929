"""What a part or a net does in its circuit, in words: roles that the analysis finds in graph and states."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

_PAIRS = {"regenerative": "holds itself together with {0} (a regenerative pair)",
          "emitter-coupled": "shares its emitter current with {0}",
          "darlington": "works as one with {0} (Darlington)",
          "complementary-feedback": "works as one with {0} (complementary feedback pair)"}
_INTENTS = {"switch": "switch", "linear": "linear stage", "follower": "follower",
            "steering": "current steering", "unstated": "no clear role"}


def part_roles(study: Study, part: Part) -> tuple[str, ...]:
    """Each role of a part in one sentence, sorted by importance; none where the analysis sees none."""
    return tuple(dict.fromkeys((*_transistor(study, part), *_around(study, part), *_timing(study, part),
                                *_supply(study, part), *_moved(study, part))))


def _transistor(study: Study, part: Part) -> Iterator[str]:
    stage = study.roles.stages.get(part.name)
    if stage is None:
        return
    yield f"{_INTENTS.get(stage.intent, stage.intent)}: {stage.why}"
    for pair in study.roles.pairs:
        if part.name in pair.members:
            other = next(name for name in pair.members if name != part.name)
            yield _PAIRS[pair.kind].format(other)
    limited = study.roles.limits(part)
    if limited is not None:
        yield f"limits the current of {limited.name}"


def _around(study: Study, part: Part) -> Iterator[str]:
    """What a resistive part does for the transistors beside it."""
    for stage in study.roles.stages.values():
        name = stage.transistor
        upper, lower = _dividing(study, name)
        if part.name in upper:
            yield f"upper arm of the divider at the base of {name}"
        if part.name in lower:
            yield f"lower arm of the divider at the base of {name}"
        if part.name in stage.bleeds:
            yield f"holds the base of {name} at its emitter when nothing drives it (bleed)"
        elif part.name in {arm.part for arm in stage.feeds} - upper - lower:
            yield f"feeds the base of {name}"
        in_emitter = {arm.part for arm in stage.emitter_arms} - set(stage.bleeds)
        if part.name in in_emitter and not stage.emitter_on_rail:
            yield f"in the emitter of {name}"
        if part.name in {arm.part for arm in stage.collector_arms} and not stage.collector_on_rail:
            yield f"in the collector of {name}"


def _dividing(study: Study, transistor: str) -> tuple[set[str], set[str]]:
    """The upper and lower resistors that set the base in some state."""
    upper: set[str] = set()
    lower: set[str] = set()
    for situation in study.situations():
        divider = study.roles.divider(transistor, situation.state)
        if divider is not None:
            upper |= {arm.part for arm in divider.upper}
            lower |= {arm.part for arm in divider.lower}
    return upper, lower - upper


def _timing(study: Study, part: Part) -> Iterator[str]:
    for timed in study.timing():
        if timed.capacitor == part.name:
            lasts = format_quantity(timed.duration, "s", 3)
            yield f"times {timed.name}: {lasts}" if timed.duration != float("inf") else f"holds {timed.name}"


def _supply(study: Study, part: Part) -> Iterator[str]:
    if part.kind in ("battery", "supply"):
        rails = sorted(study.roles.rails & set(part.pins.values()))
        yield f"feeds {', '.join(rails)}"


def _moved(study: Study, part: Part) -> Iterator[str]:
    moved = [name for name, actions in study.circuit.stimuli.items()
             if any(action.part == part.name for action in actions)]
    if moved:
        yield f"moved by {', '.join(moved)}"


def net_roles(study: Study, net: str) -> tuple[str, ...]:
    """What a net is: the reference, a rail, the base or output of a stage, what its note says."""
    circuit = study.circuit
    found = []
    if net == circuit.ground:
        found.append("the reference net: every voltage is against it")
    elif net in study.roles.rails:
        found.append("a supply rail")
    note = circuit.nets.get(net)
    if note is not None:
        found += [f"labelled {note.label}"] if note.label else []
        found += ["leaves the board"] if note.terminal else []
        found += [f"a wire of {format_quantity(note.wire, 'length')}"] if note.wire else []
    for stage in study.roles.stages.values():
        if net == stage.base and net not in study.roles.rails:
            found.append(f"the base of {stage.transistor}")
    return tuple(found)
