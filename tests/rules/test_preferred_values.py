"""preferred-values: the series of IEC 60063, tolerance classes, remedies on the harmless side, traps."""

from __future__ import annotations

from typing import Any

import pytest

from rules.analysis.preferred import SERIES, Preferences
from rules.analysis.study import Study
from rules.preferred_values import RULE
from schemas.circuit import Circuit, Tolerance
from schemas.finding import Finding
from tests.builders import capacitor, circuit, coil, film, load, resistor, supply
from tests.judged import document, judged, kinds, only_finding, outcomes, reviewed, value
from tests.otherwise import told_twice, with_limits


def with_resistor(ohms: float, tolerance: float | None = None) -> Circuit:
    given: dict[str, Any] = {} if tolerance is None else {"tolerance": Tolerance(-tolerance, tolerance)}
    return circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", ohms, **given))


def finding_of(subject: Circuit) -> Finding | None:
    found = judged(subject, RULE).findings
    assert len(found) <= 1
    return found[0] if found else None


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


# IEC 60063:2015, table 1; the tolerance that goes with each series is common practice
@pytest.mark.parametrize("mantissa", [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 91])
def test_every_member_of_e24_is_silent(mantissa: int) -> None:
    assert finding_of(with_resistor(mantissa * 100.0)) is None


@pytest.mark.parametrize(
    ("ohms", "nearest"),
    # own computation, nearest by ratio, for values that are read elsewhere as design results
    [(41.5e3, 43e3), (28.7e3, 30e3), (86e3, 82e3), (68.4e3, 68e3), (883e3, 910e3), (124.57, 120.0)],
)
def test_the_nearest_member_is_named(ohms: float, nearest: float) -> None:
    finding = only_finding(with_resistor(ohms), RULE)
    assert finding.severity == "note"
    assert value(finding, "P") == pytest.approx(nearest)
    assert value(finding, "X") == ohms


@pytest.mark.parametrize(
    ("ohms", "tolerance", "fires"),
    [
        (4.87e3, None, True),
        (4.87e3, 0.05, True),
        (4.87e3, 0.01, False),  # E96 and E48
        (4.99e3, 0.01, False),  # E96
        (4.99e3, 0.02, True),
        (4.87e3, 0.02, False),  # E48
        (4.93e3, 0.01, True),  # E192 only
        (4.93e3, 0.005, False),
        (4.7e3, 0.01, False),  # E24 is made at 1 % too
    ],
)
def test_close_tolerances_open_finer_series(ohms: float, tolerance: float | None, fires: bool) -> None:
    assert (finding_of(with_resistor(ohms, tolerance)) is not None) == fires


# 0.1 %: own choice
@pytest.mark.parametrize(("ohms", "fires"), [(4700.0 * 1.0009, False), (4700.0 * 1.0011, True)])
def test_both_sides_of_what_is_only_rounding(ohms: float, fires: bool) -> None:
    assert (finding_of(with_resistor(ohms)) is not None) == fires


def test_the_largest_error_is_that_of_the_widest_step() -> None:
    """From 13 to 15 is a factor of 1.1538: at most 7.42 % to the nearest member (own arithmetic)."""
    finding = only_finding(with_resistor(1400.0), RULE)
    assert value(finding, "e") == pytest.approx(0.0742, abs=1e-4)
    assert finding.test.left <= value(finding, "e") + 1e-12


def test_a_sensor_drawn_as_a_wide_resistor_is_not_judged() -> None:
    assert kinds(RULE, with_resistor(1234.0, 0.5)) == {"not-applicable"}


def test_windings_and_loads_are_no_parts_of_a_series() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0), coil("K1", "rail", "gnd", 223.0), load("LA1", "rail", "gnd", 37.0)
    )
    assert kinds(RULE, subject) == {"not-applicable"}


@pytest.mark.parametrize(
    ("farads", "fires"), [(470e-6, False), (2200e-6, False), (120e-6, False), (500e-6, True), (110e-6, True)]
)
def test_electrolytics_by_e6_and_the_next_finer_series(farads: float, fires: bool) -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), capacitor("C1", "rail", "gnd", farads))
    assert (finding_of(subject) is not None) == fires


@pytest.mark.parametrize(("farads", "fires"), [(100e-9, False), (91e-9, False), (50e-9, True)])
def test_film_by_e12_and_the_next_finer_series(farads: float, fires: bool) -> None:
    subject = circuit(supply("V1", "rail", "gnd", 9.0), film("C1", "rail", "gnd", farads))
    assert (finding_of(subject) is not None) == fires


def test_a_box_of_e12_is_respected() -> None:
    study = Study(with_resistor(5.1e3), preferences=Preferences(resistor="E12"))
    assert {o.kind for o in RULE.check(study)} == {"violated"}
    assert kinds(RULE, with_resistor(5.1e3)) == {"satisfied"}


def test_the_remedy_is_the_neighbour_that_a_proof_accepts() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    assert finding.remedies[0].proof.proven
    assert "to 4.7 kohm" in finding.remedies[0].summary


def test_a_value_of_e96_may_also_be_bought_as_such() -> None:
    assert any("1 %" in text for text in only_finding(with_resistor(4.87e3), RULE).advice)
    assert not only_finding(with_resistor(4.93e3), RULE).advice


def test_all_members_of_all_series_up_to_e24_pass() -> None:
    for series in ("E3", "E6", "E12", "E24"):
        for mantissa in SERIES[series]:
            assert kinds(RULE, with_resistor(float(mantissa))) == {"satisfied"}


def test_names_do_not_matter() -> None:
    subject = document(RULE.lesson.failing).circuit
    one, two = told_twice(subject, RULE)
    assert two.test == one.test


def test_a_policy_moves_the_limit() -> None:
    easy = with_limits(RULE, same=0.05)
    (outcome,) = (o for o in outcomes(easy, with_resistor(4.8e3)))
    assert outcome.kind == "satisfied"


def test_the_dial_crosses_the_limit() -> None:
    dial = RULE.lesson.dial
    assert dial is not None
    assert RULE.lesson.passing.replace(dial.good, dial.bad) == RULE.lesson.failing
