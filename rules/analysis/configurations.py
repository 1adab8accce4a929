"""Contact positions and driver levels: which combinations there are, and who reaches them."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

from rules.analysis.elements import Configuration
from schemas.circuit import Circuit

CONFIGURATION_LIMIT = 64


def configurations(circuit: Circuit) -> tuple[tuple[Configuration, ...], bool]:
    """Every contact position and driver level, rest first, then those a stimulus reaches.

    Past ``CONFIGURATION_LIMIT`` only the rest positions, those reached by a
    stimulus and those one move away from rest; the second result is then false.
    """
    contacts = {p.name: p.text("rest") or "open" for p in circuit.parts.values() if p.kind == "contact"}
    drivers = {p.name: p.text("rest") or "low" for p in circuit.parts.values() if p.kind == "driver"}
    movable = sorted([*contacts, *drivers])
    rest = {**contacts, **drivers}
    reached: dict[tuple[str, ...], list[str]] = {}

    def note(positions: Mapping[str, str], who: str) -> None:
        names = reached.setdefault(tuple(positions[name] for name in movable), [])
        if who and who not in names:
            names.append(who)

    note(rest, "rest")
    for stimulus, actions in circuit.stimuli.items():
        positions = dict(rest)
        for _, group in itertools.groupby(actions, key=lambda action: action.at):
            positions.update({action.part: action.to for action in group})
            note(positions, stimulus)
    whole = 2 ** len(movable) <= CONFIGURATION_LIMIT
    if whole:
        ends = [("open", "closed") if name in contacts else ("low", "high") for name in movable]
        for combination in itertools.product(*ends):
            note(dict(zip(movable, combination, strict=True)), "")
    else:
        for name in movable:
            pair = ("open", "closed") if name in contacts else ("low", "high")
            note({**rest, name: pair[0] if rest[name] == pair[1] else pair[1]}, "")
    made = []
    for places, names in reached.items():
        chosen = dict(zip(movable, places, strict=True))
        made.append(
            Configuration(
                {n: chosen[n] for n in movable if n in contacts},
                {n: chosen[n] for n in movable if n in drivers},
                tuple(names),
            )
        )
    return tuple(made), whole
