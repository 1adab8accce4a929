"""A jump in one part of a circuit leaves another part alone that only an ideal supply joins to it."""

from __future__ import annotations

from rules.analysis.study import Study
from schemas.circuit import frozen_map
from tests.builders import circuit, contact, npn, pnp, press, resistor
from tests.timers import one_shot


def test_a_latch_beside_a_one_shot_stays_as_it_is() -> None:
    subject = one_shot()
    more = (
        npn("Q3", "c3", "b3", "gnd", 150.0),
        resistor("R12", "c3", "b4", 6.8e3),
        resistor("R13", "rail", "b4", 10e3),
        pnp("Q4", "c4", "b4", "rail", 150.0),
        resistor("R14", "c4", "b3", 10e3),
        resistor("R11", "b3", "gnd", 22e3),
        resistor("R15", "c4", "gnd", 1e3),
        contact("S2", "rail", "set"),
        resistor("R16", "set", "b3", 10e3),
    )
    parts = {**subject.parts, **{part.name: part for part in more}}
    both = circuit(
        *parts.values(),
        stimuli=frozen_map({"poke": press("S1", 0.05), "set": press("S2", 0.1)}),
    )
    study, alone = Study(both), Study(subject).timeline("poke")
    latched_too = "Q2 saturated, Q3 saturated, Q4 saturated"
    for start, latched in (("Q2 saturated", "off"), (latched_too, "saturated")):
        found = study.timeline("poke", start=start)
        assert found.verdict == "settles", found.reason
        assert {interval.devices["Q4"] for interval in found.intervals} == {latched}
        assert [e.at for e in found.events] == [e.at for e in alone.events]
    assert study.timeline("set").last.devices["Q4"] == "saturated"
