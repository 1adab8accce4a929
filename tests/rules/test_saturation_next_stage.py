"""saturation-headroom: what a saturated transistor leaves to the stage, or the relay, that follows."""

from __future__ import annotations

from typing import Any

import pytest

from rules.analysis.preferred import is_preferred
from rules.saturation_headroom import RULE
from schemas.circuit import Ambient, Circuit, frozen_map
from schemas.quantities import parse
from tests.builders import battery, coil, contact, driver, exact, film, load, npn, pnp, resistor, supply
from tests.judged import judged, mirrored, outcomes, value


def cascade(re: float | None, **members: Any) -> Circuit:
    """Q1 pulls the base of Q2 down to turn it off; its emitter stands on ``re`` ohm."""
    lifted = "gnd" if re is None else "e1"
    return exact(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "in", "gnd", 0.0, 5.0),
        resistor("R1", "in", "b1", 10e3),
        npn("Q1", "c1", "b1", lifted, 100.0),
        resistor("RC", "rail", "c1", 4.7e3),
        npn("Q2", "c2", "c1", "gnd", 100.0),
        resistor("RL", "rail", "c2", 1e3),
        *([] if re is None else [resistor("RE", "e1", "gnd", re)]),
        **members,
    )


def about(subject: Circuit, *names: str) -> set[str]:
    return {outcome.kind for outcome in outcomes(RULE, subject) if set(outcome.subject) == set(names)}


def test_saturation_alone_turns_the_next_stage_off() -> None:
    assert about(cascade(None), "Q1", "Q2") == {"satisfied"}


def test_saturation_and_emitter_lift_keep_the_next_stage_on() -> None:
    """0.2 V and 470 ohm times 2.3 mA would be 1.2 V: the base of Q2 takes over at 0.7 V."""
    found = [f for f in judged(cascade(470.0), RULE).findings if set(f.parts) == {"Q1", "Q2"}]
    assert [finding.severity for finding in found] == ["error"]
    assert value(found[0], "V_BE2") == pytest.approx(0.7)
    assert value(found[0], "V_E") == pytest.approx(0.5)
    assert value(found[0], "V_BE,off") == 0.45
    assert "surely off only below 450 mV" in found[0].message


@pytest.mark.parametrize(("limit", "kind"), [(0.4499, "satisfied"), (0.4501, "violated")])
def test_both_sides_of_surely_off(limit: float, kind: str) -> None:
    """Q1 takes I = (9 - V_C)/4.7k and 0.43 mA of drive through RE: V_BE2 is 0.2 V and that drop."""
    # KCL at the emitter: (limit - 0.2)/RE = (9 - limit)/4.7k + (4.3 - (limit - 0.2))/10k
    re = (limit - 0.2) / ((9 - limit) / 4.7e3 + (4.3 - (limit - 0.2)) / 10e3)
    subject = cascade(re)
    (found,) = {
        o.test.left
        for o in outcomes(RULE, subject)
        if set(o.subject) == {"Q1", "Q2"} and o.corner == "min" and o.test is not None
    }
    assert found == pytest.approx(limit, abs=1e-9)
    assert about(subject, "Q1", "Q2") == {kind}


def test_a_next_stage_that_is_named_on_is_not_meant_to_be_off() -> None:
    states = frozen_map({"both": frozen_map({"Q1": "saturated", "Q2": "saturated"})})
    assert about(cascade(470.0, states=states), "Q1", "Q2") == set()


def test_less_lift_is_proposed() -> None:
    (change,) = [
        c for o in outcomes(RULE, cascade(470.0)) for p in o.proposals for c in p.changes if "RE" in c.pointer
    ]
    ohms = parse(change.new, "resistance")
    assert is_preferred(ohms, "E24")
    assert about(cascade(ohms), "Q1", "Q2") == {"satisfied"}


def high_side(volts: float, r4: float = 10e3) -> Circuit:
    """Q1 saturates to turn the PNP Q2 on; R4 bleeds its base."""
    return exact(
        battery("B1", "rail", "gnd", volts),
        driver("U1", "in", "gnd", 0.0, 3.0),
        resistor("R1", "in", "b1", 10e3),
        npn("Q1", "c1", "b1", "gnd", 100.0),
        resistor("R3", "c1", "b2", 10e3),
        resistor("R4", "rail", "b2", r4),
        pnp("Q2", "out", "b2", "rail", 100.0),
        load("L1", "out", "gnd", 10e3),
    )


def test_what_saturation_leaves_may_never_turn_the_next_stage_on() -> None:
    """(V - 0.2 V) * 10k/20k between base and emitter: 0.7 V needs 1.6 V of battery."""
    assert about(high_side(1.7), "Q1", "Q2") == {"satisfied"}
    found = [f for f in judged(high_side(1.5), RULE).findings if set(f.parts) == {"Q1", "Q2"}]
    assert [finding.severity for finding in found] == ["error"]
    assert found[0].test.left == pytest.approx(0.65)
    assert value(found[0], "V_loss") == pytest.approx(0.2)
    assert "Q2 conducts in no state" in found[0].message


def test_a_base_that_waits_for_a_capacitor_is_left_to_the_timing_rules() -> None:
    timed = exact(*high_side(1.5).parts.values(), film("C1", "b2", "rail", 1e-6))
    assert about(timed, "Q1", "Q2") == set()


@pytest.mark.parametrize(("pick_up", "kind"), [(4.79, "satisfied"), (4.81, "violated")])
def test_a_relay_gets_the_rail_less_saturation(pick_up: float, kind: str) -> None:
    subject = exact(
        supply("V1", "rail", "gnd", 5.0),
        contact("S1", "rail", "in"),
        resistor("R1", "in", "b", 1e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        coil("K1", "rail", "c", 100.0, pick_up=pick_up),
    )
    assert about(subject, "Q1", "K1") == {kind}


def test_the_mirror_is_judged_alike() -> None:
    subject = mirrored(cascade(470.0))
    assert about(subject, "Q1", "Q2") == {"violated"}
    assert about(mirrored(cascade(None)), "Q1", "Q2") == {"satisfied"}


@pytest.mark.parametrize(("low", "worst"), [(5.0, None), (4.9, "violated")])
def test_a_relay_is_judged_at_the_lowest_supply(low: float, worst: str | None) -> None:
    """4.75 V to pull in: 5 V less 0.2 V is enough, 4.9 V less 0.2 V is not."""
    subject = exact(
        supply("V1", "rail", "gnd", 5.0, low=low, high=5.0),
        contact("S1", "rail", "in"),
        resistor("R1", "in", "b", 1e3),
        npn("Q1", "c", "b", "gnd", 100.0),
        coil("K1", "rail", "c", 100.0, pick_up=4.75),
    )
    found = {o.corner: o.kind for o in outcomes(RULE, subject) if set(o.subject) == {"Q1", "K1"}}
    assert {found[corner] for corner in ("min", "typical", "max")} == {"satisfied"}
    assert found.get("V1 4.9 V") == worst


def test_the_next_stage_has_to_be_off_when_it_is_hot() -> None:
    """0.39 V is surely off at 25 degC (0.45 V) and not at 65 degC (0.45 V less 2 mV for each of 40 K)."""
    re = 0.19 / ((9 - 0.39) / 4.7e3 + (4.3 - 0.19) / 10e3)
    assert about(cascade(re), "Q1", "Q2") == {"satisfied"}
    (finding,) = [
        f
        for f in judged(cascade(re, ambient=Ambient(298.15, 298.15, 338.15)), RULE).findings
        if set(f.parts) == {"Q1", "Q2"}
    ]
    assert finding.corner == "65 degC"
    assert finding.test.right == pytest.approx(0.37)
