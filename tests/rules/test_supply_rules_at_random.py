"""The rules on charge and supply on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.battery_sag import RULE as SAG
from rules.clean_release import RULE as RELEASE
from rules.false_trigger_slope import RULE as SLOPE
from rules.relay_margin import RULE as RELAY
from rules.standing_current import RULE as STANDBY
from rules.stored_charge import RULE as CHARGE
from rules.supply_decoupling import RULE as BULK
from schemas.circuit import Circuit, Part, frozen_map
from tests.at_random import counted, verdicts
from tests.judged import judged, mirrored, renamed
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.timed_families import FAMILIES

RULES = (SAG, RELEASE, SLOPE, RELAY, STANDBY, CHARGE, BULK)


def on_batteries(subject: Circuit) -> Circuit:
    """The same with a battery of 3 ohm and 1000 C in the place of every supply, and coils of 5 V."""
    parts = {}
    for name, part in subject.parts.items():
        kind, values = part.kind, dict(part.values)
        if kind in ("supply", "battery"):
            kind, values = "battery", {**values, "resistance": 3.0, "capacity": 1000.0}
        elif kind == "coil":
            values["nominal"] = 5.0
        parts[name] = Part(name, kind, part.pins, frozen_map(values))
    return replace(subject, parts=frozen_map(parts))


def test_no_circuit_breaks_them() -> None:
    found = counted(RULES, (on_batteries(mixed(seed)) for seed in range(100, 130)))
    assert found["violated"] > 3
    assert found["satisfied"] > 20


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_no_timed_circuit_breaks_them(family: str) -> None:
    kinds = {outcome.kind for outcome in judged(on_batteries(timed(family, 100).circuit), *RULES).outcomes}
    assert kinds & {"satisfied", "violated", "not-applicable"}


@pytest.mark.parametrize("family", sorted(FAMILIES))
def test_names_and_polarity_decide_nothing(family: str) -> None:
    subject = on_batteries(timed(family, 200).circuit)
    other, names = renamed(subject)
    assert verdicts(RULES, other) == verdicts(RULES, subject, names)
    assert verdicts(RULES, mirrored(subject)) == verdicts(RULES, subject)
