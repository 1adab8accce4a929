"""The rules on wires, contacts, values and hazards on random circuits: no crash; names and polarity aside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.contact_wetting import RULE as WETTING
from rules.extra_low_voltage import RULE as HAZARDS
from rules.long_wire import RULE as WIRE
from rules.preferred_values import RULE as VALUES
from rules.testability import RULE as METER
from rules.tolerance_reachable import RULE as REACH
from schemas.circuit import Circuit, NetNote, Part, Requirement, frozen_map
from tests.at_random import counted, verdicts
from tests.judged import judged, mirrored, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (WETTING, HAZARDS, WIRE, VALUES, METER, REACH)


def in_the_field(subject: Circuit) -> Circuit:
    """The same with silver contacts, a wire of 5 m on half of its nets, and something asked of each state."""
    parts = {}
    for name, part in subject.parts.items():
        values: dict[str, Any] = dict(part.values)
        if part.kind == "contact":
            values |= {"material": "silver", "current": 0.1}
        elif part.kind == "battery":
            values["chemistry"] = "nickel"
        parts[name] = Part(name, part.kind, part.pins, frozen_map(values))
    nets = frozen_map({net: NetNote(wire=5.0) for net in subject.net_names[::2]})
    asked = [
        Requirement(
            "net-voltage", None, frozen_map({"net": net, "state": state, "target": 1.0, "within": 0.2})
        )
        for state in subject.states
        for net in subject.net_names[:2]
    ]
    asked += [Requirement("re-arm", None, frozen_map({"at_most": 1.0}))]
    return replace(subject, parts=frozen_map(parts), nets=nets, requirements=tuple(asked))


def test_no_circuit_breaks_them() -> None:
    found = counted(RULES, (in_the_field(mixed(seed)) for seed in range(100, 140)))
    assert found["violated"] > 10
    assert found["satisfied"] > 100


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_timed_circuit_breaks_them(family: str) -> None:
    kinds = {outcome.kind for outcome in judged(in_the_field(timed(family, 100).circuit), *RULES).outcomes}
    assert kinds & {"satisfied", "violated"}


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_names_and_polarity_decide_nothing(family: str) -> None:
    subject = replace(in_the_field(timed(family, 200).circuit), requirements=())
    other, names = renamed(subject)
    assert verdicts(RULES, other) == verdicts(RULES, subject, names)
    assert verdicts(RULES, mirrored(subject)) == verdicts(RULES, subject)
