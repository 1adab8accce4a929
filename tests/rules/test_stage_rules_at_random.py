"""The three rules of a stage on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

import pytest

from rules.divider_stiffness import RULE as DIVIDER
from rules.min_beta_drive import RULE as DRIVE
from rules.saturation_headroom import RULE as HEADROOM
from schemas.circuit import Circuit
from tests.builders import capacitor, contact, exact, npn, resistor, supply
from tests.judged import judged, mirrored, outcomes, renamed
from tests.random_circuits import mixed, regenerative

RULES = (DIVIDER, DRIVE, HEADROOM)


@pytest.mark.parametrize("first", range(0, 200, 50))
def test_no_circuit_breaks_them(first: int) -> None:
    verdicts: Counter[str] = Counter()
    for seed in range(first, first + 50):
        # every outcome is checked by the engine; a rule that raised or gave something unsound fails here
        verdicts.update(outcome.kind for outcome in judged(mixed(seed), *RULES).outcomes)
    assert verdicts["violated"] > 10
    assert verdicts["satisfied"] > 10


def verdicts(subject: Circuit, names: Mapping[str, str] | None = None) -> Counter[tuple[object, ...]]:
    """What each rule says of each subject at each corner, and with which number."""
    found: Counter[tuple[object, ...]] = Counter()
    for rule in RULES:
        for outcome in outcomes(rule, subject):
            about = frozenset(names[name] if names else name for name in outcome.subject)
            number = None if outcome.test is None else float(f"{outcome.test.left:.6g}")
            severity = None if outcome.finding is None else outcome.finding.severity
            # the name of a corner of all tolerances names parts
            corner = outcome.corner if outcome.corner in (None, "min", "typical", "max") else "worst"
            found[rule.slug, outcome.kind, severity, about, corner, number] += 1
    return found


@pytest.mark.parametrize("seed", range(40))
def test_names_and_order_decide_nothing(seed: int) -> None:
    subject = regenerative(seed)
    other, names = renamed(subject)
    assert verdicts(other) == verdicts(subject, names)


@pytest.mark.parametrize("seed", range(40))
def test_polarity_decides_nothing(seed: int) -> None:
    subject = regenerative(seed)
    assert verdicts(mirrored(subject)) == verdicts(subject)


def test_two_transistors_that_drive_each_other_by_their_emitters_are_no_endless_pair() -> None:
    subject = exact(
        supply("V1", "vp", "gnd", 9.0),
        resistor("R1", "vp", "c", 1e3),
        npn("Q1", "c", "x", "y", 100.0),
        npn("Q2", "c", "y", "x", 100.0),
        resistor("R2", "x", "gnd", 1e3),
        resistor("R3", "vp", "y", 10e3),
    )
    assert judged(subject, *RULES).outcomes


def test_a_shorted_capacitor_makes_no_timed_state() -> None:
    subject = exact(
        supply("V1", "vp", "gnd", 9.0),
        capacitor("C1", "vp", "gnd", 1e-4),
        capacitor("C2", "b", "gnd", 1e-4),
        contact("S1", "b", "gnd", rest="closed"),
        resistor("R1", "vp", "b", 10e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        resistor("R2", "vp", "c", 1e3),
    )
    assert judged(subject, *RULES).overview.complete
