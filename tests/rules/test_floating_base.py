"""floating-base: what is open in which state, what it leaks, and bases that something else holds."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import networkx
import numpy as np
import pytest

from rules.analysis.configurations import configurations
from rules.analysis.open_bases import resistance_to_emitter
from rules.analysis.study import Study
from rules.floating_base import RULE
from rules.no_dc_path import RULE as NO_DC_PATH
from schemas.circuit import Ambient, Beta, Circuit
from tests.builders import (
    battery,
    circuit,
    coil,
    contact,
    driver,
    film,
    npn,
    pnp,
    resistor,
    supply,
)
from tests.floating import half_latch
from tests.floating import lamp_switch as floating_lamp_switch
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.otherwise import with_limits
from tests.timers import blinker

lamp_switch = partial(floating_lamp_switch, icbo=100e-9)
HOT = Ambient(273.15, 298.15, 333.15)


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_fifteen_nanoamperes_light_an_led_at_sixty_degrees() -> None:
    """15 nA doubles 3.5 times up to 60 degC and is amplified 401 times (doubling: Bell, ex. 5.18)."""
    finding = only_finding(document(RULE.lesson.failing).circuit, RULE)
    assert value(finding, "I_CBO") == pytest.approx(15e-9 * 2.0**3.5)
    assert value(finding, "I_CEO") == pytest.approx(68.05e-6, rel=1e-4)
    assert (finding.severity, finding.test.right) == ("error", 50e-6)
    assert "S1 open" in finding.message
    assert "with which D1 glows" in finding.message


@pytest.mark.parametrize(("collector", "severity"), [(775.0, "warning"), (777.0, "error")])
def test_both_sides_of_a_hundredth_of_the_load(collector: float, severity: str) -> None:
    """401 times 283 nA at 40 degC against a hundredth of (9 - 0.2) V over the load: 776 ohm are the edge."""
    assert only_finding(lamp_switch(collector=collector), RULE).severity == severity


def test_a_policy_moves_the_hundredth() -> None:
    stricter = with_limits(RULE, share=0.009)
    assert only_finding(lamp_switch(collector=775.0), stricter).severity == "error"


@pytest.mark.parametrize(("icbo", "severity"), [(10.9e-9, "warning"), (11.1e-9, "error")])
def test_both_sides_of_a_glowing_led(icbo: float, severity: str) -> None:
    """50 uA over 401 are 124.7 nA at 60 degC, 11.02 nA at 25 degC; the LED carries far more when on."""
    parts = dict(document(RULE.lesson.failing).circuit.parts)
    parts["R3"] = resistor("R3", "rail", "lamp", 100.0)
    parts["Q1"] = npn("Q1", collector="out", base="base", emitter="gnd", beta=Beta(100, 200, 400), icbo=icbo)
    subject = replace(document(RULE.lesson.failing).circuit, parts=parts)
    assert only_finding(subject, RULE).severity == severity


def test_a_relay_that_may_not_let_go() -> None:
    """Half of a tenth of 12 V over 400 ohm is 1.5 mA; the share of the load is set out of the way."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "b", 4.7e3),
        coil("K1", "rail", "c", 400.0, nominal=12.0),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=Beta(100, 200, 400), icbo=5e-6),
        ambient=HOT,
    )
    looser = with_limits(RULE, share=0.9)
    finding = only_finding(subject, looser)
    assert finding.test.right == pytest.approx(0.5 * 0.1 * 12.0 / 400.0)
    assert "K1 may not let go" in finding.message


def test_half_of_a_latch_is_an_error_however_little_it_leaks() -> None:
    finding = only_finding(half_latch(), RULE)
    assert (finding.severity, finding.parts, finding.nets) == ("error", ("Q2",), ("b2",))
    assert "loop that holds itself" in finding.message


def test_a_base_that_hangs_on_a_capacitor_only() -> None:
    finding = only_finding(
        circuit(
            supply("V1", "rail", "gnd", 9.0),
            film("C1", "in", "b", 100e-9),
            resistor("R1", "in", "gnd", 10e3),
            npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
            resistor("RC", "rail", "c", 1e3),
        ),
        RULE,
    )
    assert (finding.severity, value(finding, "I_C")) == ("error", 0.0)


def test_both_levels_of_a_driver_hold_a_base() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "o", "gnd", 0.0, 5.0),
        resistor("R1", "o", "b", 10e3),
        resistor("RC", "rail", "c", 1e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
    )
    assert kinds(RULE, subject) == {"satisfied"}
    way = {item.value for o in outcomes(RULE, subject) for item in o.evidence}
    assert way == {10e3}


def test_a_switched_pair_holds_a_base_in_both_positions() -> None:
    """Q2 pulls the base of Q1 up or Q3 pulls it down: one of them conducts at either level."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        driver("U1", "o", "gnd", 0.0, 9.0),
        resistor("R2", "o", "b2", 10e3),
        resistor("R3", "o", "b3", 10e3),
        pnp("Q2", collector="x", base="b2", emitter="rail", beta=200.0),
        npn("Q3", collector="y", base="b3", emitter="gnd", beta=200.0),
        resistor("R4", "x", "b", 10e3),
        resistor("R5", "b", "y", 10e3),
        resistor("RC", "rail", "c", 1e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
    )
    assert kinds(RULE, subject) == {"satisfied", "not-applicable"}
    held = [o for o in outcomes(RULE, subject) if o.subject == ("Q1",)]
    assert {o.reason for o in held} == {"what conducts holds its base in this state"}


def test_a_base_that_is_open_only_while_nothing_feeds_its_collector() -> None:
    """With the main switch open the base drive and the load are dead together."""
    subject = circuit(
        battery("BT1", "plus", "gnd", 9.0),
        contact("S1", "plus", "rail"),
        resistor("R1", "rail", "b", 22e3),
        resistor("RC", "rail", "c", 1e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
    )
    assert kinds(RULE, subject) == {"satisfied", "not-applicable"}


def test_a_transistor_tied_base_to_emitter_is_no_case() -> None:
    tied = npn("Q2", collector="c", base="e", emitter="e", beta=100.0)
    subject = lamp_switch(tied, resistor("R9", "e", "gnd", 1e3))
    assert {o.kind for o in outcomes(RULE, subject) if o.subject == ("Q2",)} == {"not-applicable"}


def test_the_bleed_is_proven_and_takes_the_undefined_net_along() -> None:
    review = reviewed(RULE.lesson.failing, RULE, NO_DC_PATH)
    (finding,) = [f for f in review.findings if f.rule == RULE.slug]
    assert finding.remedies
    assert finding.remedies[0].proof.proven
    assert "100 kohm from base to gnd" in finding.remedies[0].summary
    undefined = [f for f in review.findings if f.rule == NO_DC_PATH.slug]
    assert [f.caused_by for f in undefined] == [finding.identity]


def test_the_bleed_follows_a_hot_and_leaky_part() -> None:
    """0.38 V / 3 / 11.3 uA are 11.2 kohm; with 5 % 10 kohm is the largest that holds."""
    hot = replace(lamp_switch(icbo=1e-6), ambient=HOT)
    assert value(only_finding(hot, RULE), "R_BE") == pytest.approx(10e3)


@pytest.mark.parametrize("subject", [lamp_switch(), lamp_switch(collector=500.0)])
def test_renaming_and_mirroring_change_nothing(subject: Circuit) -> None:
    was = only_finding(subject, RULE)
    changed, names = renamed(subject)
    for now in (only_finding(changed, RULE), only_finding(mirrored(subject), RULE)):
        assert (now.severity, now.role) == (was.severity, was.role)
    assert only_finding(changed, RULE).parts == tuple(names[part] for part in was.parts)
    assert {o.corner for o in was.occurrences} == {"min", "typical", "max"}


def test_it_is_one_finding_beside_the_undefined_net_and_not_two_causes() -> None:
    found = judged(lamp_switch(), RULE, NO_DC_PATH).findings
    (root,) = [f for f in found if f.rule == RULE.slug]
    assert {f.caused_by for f in found if f is not root} == {root.identity}


def test_the_resistance_agrees_with_a_graph_library() -> None:
    """Random resistor networks against networkx.resistance_distance (the law: effective resistance)."""
    random = np.random.default_rng(5)
    for _ in range(20):
        nets = [f"n{k}" for k in range(6)]
        graph = networkx.Graph()
        parts = [npn("Q1", collector="n5", base="n0", emitter="n1", beta=100.0)]
        pairs = [(a, b) for k, a in enumerate(nets) for b in nets[k + 1 :]]
        for k, (a, b) in enumerate(pairs):
            if random.random() < 0.5:
                ohms = float(random.uniform(1e2, 1e5))
                parts.append(resistor(f"R{k}", a, b, ohms))
                graph.add_edge(a, b, weight=1.0 / ohms)
        subject = circuit(*parts, ground="n1")
        found = resistance_to_emitter(
            Study(subject), subject.parts["Q1"], configurations(subject)[0][0]
        )
        if graph.has_node("n0") and graph.has_node("n1") and networkx.has_path(graph, "n0", "n1"):
            island = graph.subgraph(networkx.node_connected_component(graph, "n0"))
            known = networkx.resistance_distance(island, "n0", "n1", weight="weight", invert_weight=False)
            assert found == pytest.approx(known, rel=1e-9)
        else:
            assert found == np.inf


def test_a_circuit_that_never_rests_is_no_case() -> None:
    assert kinds(RULE, blinker()) == {"not-applicable"}
