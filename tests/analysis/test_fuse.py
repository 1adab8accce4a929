"""A fuse is a small resistance: the same answers as a resistor or a closed contact in its place."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rules.analysis.corners.worst import worst
from rules.analysis.junction.refine import refine
from rules.analysis.resolve import resolve
from rules.analysis.study import Study
from rules.supply_short import RULE as SUPPLY_SHORT
from schemas.circuit import Circuit, Part, frozen_map
from tests.builders import battery, circuit, fuse, load, npn, resistor
from tests.judged import judged, renamed
from tests.timers import one_shot


def lamp(ohms: float | None = 0.4) -> Circuit:
    """A lamp behind a fuse, switched by an NPN that is always on."""
    return circuit(
        battery("BT1", "cell", "gnd", 9.0, 0.5, low=7.0, high=9.6),
        fuse("F1", "cell", "rail", 0.5, ohms),
        resistor("R1", "rail", "base", 4.7e3),
        load("LA1", "rail", "out", 47.0),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=150.0),
        name="lamp",
    )


def instead(subject: Circuit, kind: str, **values: object) -> Circuit:
    """The same circuit with another part where the fuse is."""
    made = Part("F1", kind, subject.parts["F1"].pins, frozen_map(values))
    return replace(subject, parts=frozen_map({**subject.parts, "F1": made}))


@pytest.mark.parametrize(
    ("ohms", "kind", "values"),
    [
        (0.4, "resistor", {"resistance": 0.4}),
        (0.0, "contact", {"rest": "closed"}),
        (None, "contact", {"rest": "closed"}),
    ],
)
def test_states_are_those_of_a_resistor_or_a_closed_contact(
    ohms: float | None, kind: str, values: dict[str, object]
) -> None:
    ours, theirs = Study(lamp(ohms)), Study(instead(lamp(), kind, **values))
    (one,), (two,) = (tuple(s.state_sets()[0].stable) for s in (ours, theirs))
    assert one.devices == two.devices
    assert one.nets == pytest.approx(two.nets)
    assert one.currents["F1"] == pytest.approx(two.currents["F1"])
    assert one.power == pytest.approx(two.power)
    # Ohm's law by hand: 9 V over 0.5, the fuse, and the lamp under 0.2 V in parallel with the base resistor
    assert one.currents["F1"]["a"] == pytest.approx(0.187, abs=0.003)


def test_an_ideal_fuse_is_listed_as_assumed() -> None:
    assumed = {item.pointer for item in resolve(lamp(None)).assumed}
    assert "/parts/F1/resistance" in assumed
    assert "/parts/F1/resistance" not in {item.pointer for item in resolve(lamp(0.4)).assumed}


def test_the_rail_goes_on_behind_a_fuse() -> None:
    assert Study(lamp()).roles.rails == {"gnd", "cell", "rail"}
    changed, _ = renamed(lamp())
    assert len(Study(changed).roles.rails) == 3


def test_worst_corners_are_those_of_a_resistor_without_tolerance() -> None:
    def current(state: object) -> float | None:
        return state.currents["LA1"]["plus"]  # type: ignore[attr-defined,no-any-return]

    def most(subject: Circuit) -> float:
        (state,) = Study(subject).state_sets()[0].stable
        found = worst(state, current, "max")
        assert found is not None
        return found.value

    fused = most(lamp(0.4))
    assert fused == pytest.approx(most(instead(lamp(), "resistor", resistance=0.4, tolerance=0.0)), rel=3e-3)
    assert fused < most(lamp(0.0))


def fused(subject: Circuit, ohms: float) -> Circuit:
    """A fuse between the only supply and its rail."""
    (source,) = (p for p in subject.parts.values() if p.kind in ("battery", "supply"))
    moved = replace(source, pins=frozen_map({**source.pins, "plus": "cell"}))
    made = fuse("F1", "cell", source.pins["plus"], 0.5, ohms)
    return replace(subject, parts=frozen_map({**subject.parts, source.name: moved, "F1": made}))


def test_delays_and_courses_in_time_go_on_behind_a_fuse() -> None:
    bare = one_shot()
    (plain,), _ = Study(bare).delays()
    (behind,), _ = Study(fused(bare, 0.0)).delays()
    assert behind.timed.duration == pytest.approx(plain.timed.duration, rel=1e-9)
    (stimulus, *_) = bare.stimuli
    one, two = (Study(c).timeline(stimulus) for c in (bare, fused(bare, 0.0)))
    assert [event.at for event in two.events] == pytest.approx([event.at for event in one.events])
    assert two.verdict == one.verdict


def test_a_junction_state_sees_the_fuse() -> None:
    (one,) = Study(lamp(0.4)).state_sets()[0].stable
    (two,) = Study(instead(lamp(), "resistor", resistance=0.4)).state_sets()[0].stable
    first, second = refine(one), refine(two)
    assert first.nets == pytest.approx(second.nets, rel=1e-6)
    assert first.currents["F1"] == pytest.approx(second.currents["F1"], rel=1e-6)


def test_a_fuse_across_a_battery_is_a_short() -> None:
    shorted = circuit(battery("BT1", "rail", "gnd", 9.0), fuse("F1", "rail", "gnd", 0.5), name="short")
    (finding,) = judged(shorted, SUPPLY_SHORT).findings
    assert "F1" in finding.parts


def test_two_ideal_fuses_side_by_side_turn_no_power_into_heat() -> None:
    both = lamp(0.0)
    both = replace(both, parts=frozen_map({**both.parts, "F2": fuse("F2", "cell", "rail", 0.5, 0.0)}))
    (state,) = Study(both).state_sets()[0].stable
    assert state.currents["F1"]["a"] is None  # how they share is not known
    assert state.power["F1"] == state.power["F2"] == 0.0
