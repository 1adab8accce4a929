"""Inlay hints: the voltage of the net behind each pin, and the currents, in one state.

``hints(snapshot, study, state, reach) -> list[InlayHint]``.  ``state`` is the
name of one of :func:`states_to_show`; ``None`` or an unknown name takes the
first of them: the first stable state of the resting configuration.  A voltage
or current that the circuit does not determine is shown as ``undefined``.
Typical gain, nominal values.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from lsprotocol import types as lsp

from clients.language_server.snapshot import Snapshot
from clients.language_server.symbols import main_value
from schemas.problems import pointer
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part

DIGITS = 3


def states_to_show(study: Study) -> tuple[str, ...]:
    """The names of the states that hints can show: those at rest first, stable ones before others."""
    return tuple(_states(study))


def _states(study: Study) -> Mapping[str, tuple[State, str]]:
    """Name -> state and a remark about it."""
    found: dict[str, tuple[State, str]] = {}
    for which in study.state_sets():
        place = which.configuration.key
        for stable in (True, False):
            for state in which.states:
                if state.stable is stable:
                    name = f"{state.name} ({place})" if state.name in found and place else state.name
                    found.setdefault(name, (state, place if stable else f"{place} unstable".strip()))
    for timed in study.timing():
        found.setdefault(timed.name, (timed.state, "at its start"))
    stable_first = sorted(found, key=lambda name: found[name][1].endswith("unstable"))
    return {name: found[name] for name in stable_first}


def hints(snapshot: Snapshot, study: Study, state: str | None = None,
          reach: lsp.Range | None = None) -> list[lsp.InlayHint]:
    """The hints inside ``reach`` (all of them without), in the order of the text."""
    states = _states(study)
    name = state if state in states else next(iter(states), None)
    if name is None:
        return []
    shown, remark = states[name]
    start, end = snapshot.lines.span_of(reach) if reach is not None else (0, len(snapshot.text))
    where = f"{name} ({remark})" if remark and f"({remark})" not in name else name
    made: dict[tuple[int, str], lsp.InlayHint] = {}
    for part in study.circuit.parts.values():
        for at, label, about in _of_part(snapshot, part, shown):
            if start <= at <= end:
                made.setdefault((at, label), lsp.InlayHint(
                    position=snapshot.lines.position(at), label=label, kind=lsp.InlayHintKind.Type,
                    tooltip=f"{about} in state {where}, typical gain", padding_left=True))
    return [made[key] for key in sorted(made)]


def _of_part(snapshot: Snapshot, part: Part, state: State) -> Iterator[tuple[int, str, str]]:
    """Offset, label and what it is about, of every hint of one part."""
    currents = state.currents[part.name]
    two = len(part.pins) == 2
    value_at = _end(snapshot, "parts", part.name, main_value(part.kind)) if two else None
    first = next(iter(currents), "")
    for pin, net in part.pins.items():
        at = _end(snapshot, "parts", part.name, "pins", pin)
        if at is None or _raw(snapshot, "parts", part.name, "pins", pin) != net:
            continue  # the text has moved on since the study
        label = _told(state.nets.get(net), "V")
        about = f"{net} against {state.mode.network.resolved.circuit.ground}"
        if not two or (value_at is None and pin == first):
            label += f", {_told(currents.get(pin), 'A')}"
            about += f", current into {pin} of {part.name}"
        yield at, label, about
    if value_at is not None and first:
        yield value_at, _told(currents[first], "A"), f"current into {first} of {part.name}"


def _told(value: float | None, unit: str) -> str:
    return "undefined" if value is None else format_quantity(float(value), unit, DIGITS)


def _raw(snapshot: Snapshot, *path: str) -> object:
    here = snapshot.raw
    for step in path:
        here = here.get(step) if isinstance(here, dict) else None
    return here


def _end(snapshot: Snapshot, *path: str) -> int | None:
    """Where the value at a path ends in the text; ``None`` where it has none of its own."""
    place = pointer(path)
    if place not in snapshot.positions or not path[-1]:
        return None
    mark = snapshot.positions.value(place)
    end = mark.end
    while end > mark.start and snapshot.text[end - 1].isspace():
        end -= 1
    return end
