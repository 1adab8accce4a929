"""A contact that moves in a circuit without anything stored: the fade has nothing to hold on to."""

from __future__ import annotations

from rules.analysis.study import Study
from schemas.circuit import frozen_map
from tests.builders import circuit, contact, npn, pnp, press, resistor, supply


def test_a_latch_set_and_cleared_by_contacts() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        pnp("Q2", "out", "b2", "rail", 200.0),
        resistor("RB2", "rail", "b2", 10e3),
        resistor("R2", "b2", "c1", 6.8e3),
        npn("Q1", "c1", "b1", "gnd", 200.0),
        resistor("R3", "out", "b1", 68e3),
        resistor("RB1", "b1", "gnd", 22e3),
        resistor("RL", "out", "gnd", 1e3),
        contact("S1", "rail", "set"),
        resistor("R8", "set", "b1", 33e3),
        contact("S2", "b1", "gnd"),
        stimuli=frozen_map({"clear": press("S2", 0.1), "set": press("S1", 0.1)}),
    )
    study = Study(subject)
    assert study.timeline("set").last.name == "Q1 saturated, Q2 saturated"
    cleared = study.timeline("clear", start="Q1 saturated, Q2 saturated")
    assert cleared.verdict == "settles"
    assert cleared.last.name == "all off"
