"""Roles are read from the graph and the states: rails, pairs and what each transistor is for."""

from __future__ import annotations

import pytest

from rules.analysis.operating import operating_point
from rules.analysis.study import Study
from schemas.circuit import Circuit, frozen_map
from tests.builders import (
    battery,
    capacitor,
    circuit,
    contact,
    diode,
    driver,
    inductor,
    load,
    npn,
    only_state,
    pnp,
    resistor,
    supply,
)


def roles_of(subject: Circuit) -> dict[str, str]:
    return {name: stage.intent for name, stage in Study(subject).roles.stages.items()}


def high_side(*between: object, rail: str = "bat") -> Circuit:
    """A battery, ``between`` it and the net ``vp``, and a PNP switch on that net."""
    return circuit(
        battery("B1", rail, "gnd", 9.0),
        *between,  # type: ignore[arg-type]
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b1", 10e3),
        npn("Q1", "c1", "b1", "gnd", 100.0),
        resistor("R3", "c1", "b2", 4.7e3),
        resistor("R4", "vp", "b2", 10e3),
        pnp("Q2", "o", "b2", "vp", 100.0),
        load("L1", "o", "gnd", 1e3),
    )


@pytest.mark.parametrize(
    "between",
    [contact("S1", "bat", "vp"), diode("D1", "bat", "vp"), inductor("L2", "bat", "vp", 1e-3)],
    ids=["power switch", "polarity diode", "choke"],
)
def test_what_lies_behind_a_supply_line_is_a_rail(between: object) -> None:
    subject = high_side(between)
    assert Study(subject).roles.rails == {"gnd", "bat", "vp"}
    assert roles_of(subject)["Q2"] == "switch"


def test_a_switch_in_the_ground_line() -> None:
    subject = circuit(
        battery("B1", "vp", "minus", 9.0), contact("S1", "minus", "gnd"), resistor("R1", "vp", "gnd", 1e3)
    )
    assert Study(subject).roles.rails == {"gnd", "minus", "vp"}


def test_a_trigger_contact_makes_no_rail() -> None:
    """S1 reaches the base through R8, and the base reaches the rail through the rest of the circuit, too."""
    subject = circuit(
        supply("V1", "vp", "gnd", 9.0),
        contact("S1", "vp", "wipe"),
        resistor("R8", "wipe", "b", 10e3),
        contact("S2", "b", "gnd"),
        npn("Q1", "c", "b", "gnd", 100.0),
        resistor("RC", "vp", "c", 1e3),
    )
    assert Study(subject).roles.rails == {"gnd", "vp"}


def test_a_flyback_diode_makes_no_rail() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 9.0),
        load("K1", "vp", "c", 330.0),
        diode("D1", "c", "vp"),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 1e3),
        npn("Q1", "c", "b", "gnd", 100.0),
    )
    assert Study(subject).roles.rails == {"gnd", "vp"}


def test_a_darlington_pair_shares_the_purpose_of_its_output_half() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 100e3),
        npn("Q1", "c", "b", "m", 50.0),
        npn("Q2", "c", "m", "gnd", 30.0),
        load("L1", "vp", "c", 24.0),
    )
    roles = Study(subject).roles
    assert [(pair.kind, pair.members) for pair in roles.pairs] == [("darlington", ("Q1", "Q2"))]
    assert roles_of(subject) == {"Q1": "switch", "Q2": "switch"}


def test_a_complementary_feedback_pair_follows_its_input() -> None:
    """The output PNP stands with its emitter on the rail and yet is no switch: the pair is a follower."""
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 1e3),
        npn("Q1", "m", "b", "o", 100.0),
        pnp("Q2", "o", "m", "vp", 100.0),
        resistor("R2", "vp", "m", 1e3),
        load("L1", "o", "gnd", 100.0),
    )
    assert roles_of(subject) == {"Q1": "follower", "Q2": "follower"}


def test_a_stage_and_a_follower_on_one_rail_are_no_pair() -> None:
    """A totem pole: Q1 drives Q3 from its collector, and both stand on ground; R1 feeds the joint as well."""
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R2", "in", "b", 4.7e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        resistor("R1", "vp", "c", 4.7e3),
        npn("Q2", "vp", "c", "o", 100.0),
        pnp("Q3", "gnd", "c", "o", 100.0),
        load("L1", "o", "gnd", 1e3),
    )
    assert roles_of(subject)["Q1"] == "switch"
    assert [pair.kind for pair in Study(subject).roles.pairs] == []


def test_a_pair_may_stand_on_a_rail() -> None:
    """The compound transistor as a switch on the low side: nothing but a bleed hangs on the joint."""
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 10e3),
        npn("Q1", "m", "b", "gnd", 100.0),
        pnp("Q2", "gnd", "m", "low", 100.0),
        resistor("R2", "low", "m", 1e3),
        load("L1", "vp", "low", 100.0),
    )
    assert [pair.kind for pair in Study(subject).roles.pairs] == ["complementary-feedback"]


@pytest.mark.parametrize("series", [0.0, 1e3])
def test_a_current_limiter_is_no_switch(series: float) -> None:
    """Q2 takes from the base of Q1 what keeps 0.7 V across R2."""
    sense = "sense" if series == 0.0 else "x"
    added = () if series == 0.0 else (resistor("R3", "sense", "x", series),)
    subject = circuit(
        supply("V1", "vp", "gnd", 12.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 2.2e3),
        npn("Q1", "low", "b", "sense", 100.0),
        resistor("R2", "sense", "gnd", 47.0),
        npn("Q2", "b", sense, "gnd", 100.0),
        load("L1", "vp", "low", 330.0),
        *added,
    )
    assert roles_of(subject)["Q2"] == "follower"
    stage = Study(subject).roles.stages["Q2"]
    assert stage.why == "it limits the current of Q1 and takes what its base can spare"


def test_collector_feedback_is_linear() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 10.0),
        resistor("RB", "c", "b", 100e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        resistor("RC", "vp", "c", 10e3),
    )
    assert roles_of(subject) == {"Q1": "linear"}


@pytest.mark.parametrize(("region", "intent"), [("active", "linear"), ("saturated", "switch")])
def test_the_document_has_the_last_word(region: str, intent: str) -> None:
    states = frozen_map({"working": frozen_map({"Q1": region})})
    subject = circuit(
        supply("V1", "vp", "gnd", 10.0),
        resistor("RB", "vp", "b", 1e6),
        npn("Q1", "c", "b", "gnd", 100.0),
        resistor("RC", "vp", "c", 3e3),
        states=states,
    )
    assert roles_of(subject) == {"Q1": intent}


def test_regenerative_and_emitter_coupled_pairs_do_not_depend_on_names() -> None:
    def latch(first: str, second: str) -> Circuit:
        return circuit(
            supply("V1", "vp", "gnd", 12.0),
            pnp(second, "out", "b2", "vp", 150.0),
            resistor("RB2", "vp", "b2", 4.7e3),
            resistor("R2", "b2", "c1", 4.7e3),
            npn(first, "c1", "b1", "gnd", 200.0),
            resistor("R3", "out", "b1", 47e3),
            resistor("RB1", "b1", "gnd", 10e3),
            resistor("RL", "out", "gnd", 1e3),
        )

    for first, second in (("Q1", "Q2"), ("Z", "A")):
        (pair,) = Study(latch(first, second)).roles.pairs
        assert (pair.kind, set(pair.members)) == ("regenerative", {first, second})


def test_a_what_if_can_put_a_transistor_into_another_region() -> None:
    """10 V, 1k, 100k from 5 V at beta 50: active it passes 2.15 mA, saturated it would pass 9.8 mA."""
    subject = circuit(
        supply("V1", "vp", "gnd", 10.0),
        supply("V2", "in", "gnd", 5.0),
        resistor("RB", "in", "b", 100e3),
        npn("Q1", "c", "b", "gnd", 50.0),
        resistor("RC", "vp", "c", 1e3),
    )
    study, state = Study(subject), only_state(subject)
    as_is = operating_point(state, "Q1")
    saturated = operating_point(study.what_if(state, regions={"Q1": "saturated"}), "Q1")
    off = operating_point(study.what_if(state, regions={"Q1": "off"}), "Q1")
    assert as_is is not None
    assert saturated is not None
    assert off is not None
    assert (as_is.region, as_is.collector) == ("active", pytest.approx(2.15e-3))
    assert (saturated.region, saturated.collector) == ("saturated", pytest.approx(9.8e-3))
    assert (off.region, off.vce, off.vbe) == ("off", pytest.approx(10.0), pytest.approx(5.0))


def test_a_filter_capacitor_at_the_base_does_not_make_an_amplifier() -> None:
    subject = circuit(
        supply("V1", "vp", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b", 10e3),
        capacitor("C1", "b", "gnd", 1e-9),
        npn("Q1", "c", "b", "gnd", 100.0),
        load("L1", "vp", "c", 1e3),
    )
    assert roles_of(subject) == {"Q1": "switch"}
