"""The three rules of a stage on random circuits: never a crash, and neither names nor polarity decide."""

from __future__ import annotations

from functools import partial

import pytest

from rules.divider_stiffness import RULE as DIVIDER
from rules.min_beta_drive import RULE as DRIVE
from rules.saturation_headroom import RULE as HEADROOM
from tests.at_random import counted, verdicts
from tests.builders import capacitor, contact, exact, npn, resistor, supply
from tests.judged import judged, mirrored, renamed
from tests.random_circuits import mixed, regenerative

RULES = (DIVIDER, DRIVE, HEADROOM)
said = partial(verdicts, RULES, figures=6, corners=True)


@pytest.mark.parametrize("first", range(0, 200, 50))
def test_no_circuit_breaks_them(first: int) -> None:
    found = counted(RULES, (mixed(seed) for seed in range(first, first + 50)))
    assert found["violated"] > 10
    assert found["satisfied"] > 10


@pytest.mark.parametrize("seed", range(40))
def test_names_and_order_decide_nothing(seed: int) -> None:
    subject = regenerative(seed)
    other, names = renamed(subject)
    assert said(other) == said(subject, names)


@pytest.mark.parametrize("seed", range(40))
def test_polarity_decides_nothing(seed: int) -> None:
    subject = regenerative(seed)
    assert said(mirrored(subject)) == said(subject)


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
