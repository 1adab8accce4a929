"""polarised-reversal: worked numbers, both sides of its limits, the part turned round, and its traps."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.polarised_reversal import RULE
from schemas.circuit import Beta, Circuit, frozen_map
from schemas.finding import Finding
from tests.builders import (
    capacitor,
    circuit,
    contact,
    driver,
    film,
    npn,
    press,
    resistor,
    supply,
)
from tests.judged import document, judged, kinds, mirrored, outcomes, renamed, reviewed, value
from tests.timers import blinker, garden_light, hold_on, on_delay, one_shot


def findings(subject: Circuit) -> dict[str, Finding]:
    """By capacitor."""
    return {finding.parts[0]: finding for finding in judged(subject, RULE).findings}


def severities(subject: Circuit) -> list[str]:
    return [finding.severity for finding in findings(subject).values()]


def across(volts: float, **values: Any) -> Circuit:
    """C1 with its plus end ``volts`` below the other one; exact supplies, no current."""
    return circuit(
        supply("V1", "high", "gnd", 5.0),
        supply("V2", "low", "gnd", 5.0 - volts),
        resistor("R1", "high", "minus", 1e3),
        resistor("R2", "low", "plus", 1e3),
        capacitor("C1", "plus", "minus", 10e-6, voltage=16.0, **values),
    )


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


@pytest.mark.parametrize(
    ("volts", "severity"),
    [(-5.0, None), (0.09, None), (0.11, "note"), (0.49, "note"), (0.51, "error")],
)
def test_both_sides_of_the_limits_at_rest(volts: float, severity: str | None) -> None:
    found = list(findings(across(volts)).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert value(found[0], "V(-) - V(+)") == pytest.approx(volts)
        assert "the wrong way round" in found[0].message


@pytest.mark.parametrize(("volts", "severity"), [(0.31, "note"), (0.33, "error")])
def test_tantalum_stands_two_per_cent_of_its_rating(volts: float, severity: str) -> None:
    """0.02 * 16 V = 0.32 V (Part Derating Parameters, System Reliability Center, tantalum)."""
    assert severities(across(volts, dielectric="tantalum")) == [severity]
    assert severities(across(volts, dielectric="aluminium")) == ["note"]


def test_film_has_no_polarity_however_it_is_drawn() -> None:
    assert kinds(RULE, across(4.0, dielectric="film")) == {"not-applicable"}
    (outcome,) = outcomes(RULE, across(4.0, dielectric="film"))
    assert "no polarity" in outcome.reason


def pulsed(low: float) -> Circuit:
    """A driver falls from 5 V to ``low`` below 5 V for a moment; C1 couples it and keeps its 0 V at rest."""
    return circuit(
        driver("U1", "order", "gnd", 5.0, 5.0 - low, rest="low"),
        resistor("R1", "order", "plus", 100.0),
        supply("V1", "bias", "gnd", 5.0),
        resistor("R2", "bias", "minus", 100.0),
        capacitor("C1", "plus", "minus", 10e-6, voltage=16.0),
        resistor("R3", "plus", "minus", 1e6),
        npn("Q1", collector="bias", base="gnd", emitter="gnd", beta=100.0),
        stimuli=frozen_map(
            {
                "dip": tuple(
                    replace(a, part="U1", to={"closed": "high", "open": "low"}[a.to])
                    for a in press("U1", 1.0)
                )
            }
        ),
    )


@pytest.mark.parametrize(
    ("low", "severity"),
    [(0.09, None), (0.11, "note"), (0.49, "note"), (0.51, "warning"), (1.49, "warning"), (1.51, "error")],
)
def test_both_sides_of_the_limits_for_a_moment(low: float, severity: str | None) -> None:
    """After a second C1 (200 ohm, 2 ms) has the whole step across it, but for 200 ohm beside R3."""
    found = list(findings(pulsed(low / (1.0 - 200.0 / 1000200.0))).values())
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert value(found[0], "V(-) - V(+)") == pytest.approx(low, rel=1e-4)
        assert 'after "dip"' in found[0].message


def test_a_position_that_only_a_stimulus_passes_is_no_resting_place() -> None:
    """Held for ever, the dip would be an error; it lasts a second."""
    assert severities(pulsed(0.7)) == ["warning"]
    lasting = replace(pulsed(0.7), stimuli=frozen_map({}))
    assert severities(lasting) == ["error"]


def test_a_flasher_reverses_its_capacitors_by_half_a_volt() -> None:
    """V_BE - V_CE,sat = 0.7 V - 0.2 V at the end of each period (Kirchhoff): a remark, no more."""
    found = findings(blinker())
    assert {name: f.severity for name, f in found.items()} == {"C1": "note", "C2": "note"}
    for finding in found.values():
        assert value(finding, "V(-) - V(+)") == pytest.approx(0.5, abs=1e-5)
        assert not [o for o in outcomes(RULE, blinker()) if o.proposals]  # turned round it is 4.3 V


def test_a_flasher_with_its_capacitors_turned_round_fails() -> None:
    """5 V - V_BE = 4.3 V the wrong way."""
    subject = blinker()
    parts = dict(subject.parts)
    for name in ("C1", "C2"):
        pins = subject.parts[name].pins
        parts[name] = replace(parts[name], pins=frozen_map({"plus": pins["minus"], "minus": pins["plus"]}))
    found = findings(replace(subject, parts=frozen_map(parts)))
    assert {f.severity for f in found.values()} == {"error"}
    assert value(found["C1"], "V(-) - V(+)") == pytest.approx(4.3, abs=0.01)


def coupling(first: float, second: float) -> Circuit:
    """C1 between two divided nodes of 9 V, plus end at the first; resistors of 5 %."""
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "one", 10e3 * (9.0 / first - 1.0)),
        resistor("R2", "one", "gnd", 10e3),
        resistor("R3", "rail", "two", 10e3 * (9.0 / second - 1.0)),
        resistor("R4", "two", "gnd", 10e3),
        capacitor("C1", "one", "two", 10e-6, voltage=16.0),
    )


def test_tolerances_may_turn_the_sign_of_a_coupling_capacitor() -> None:
    """Trap: 0.1 V right at nominal values, reversed by about 0.3 V with all resistors 5 % off."""
    (finding,) = findings(coupling(4.4, 4.3)).values()
    assert finding.severity == "note"
    assert finding.corner == "R1 +5 %, R2 -5 %, R3 -5 %, R4 +5 %"
    low = 9.0 * 9.5 / (9.5 + 1.05 * 10.0 * (9.0 / 4.4 - 1.0))
    high = 9.0 * 10.5 / (10.5 + 0.95 * 10.0 * (9.0 / 4.3 - 1.0))
    assert value(finding, "V(-) - V(+)") == pytest.approx(high - low)
    assert severities(coupling(5.0, 4.0)) == []


def test_the_gain_may_turn_the_sign_too() -> None:
    """Trap: the collector stands above or below the next node as the gain falls out."""

    def stage(beta: Beta) -> Circuit:
        return circuit(
            supply("V1", "rail", "gnd", 9.0),
            resistor("R1", "rail", "base", 1e6),
            resistor("R2", "rail", "out", 4.7e3),
            npn("Q1", collector="out", base="base", emitter="gnd", beta=beta),
            resistor("R3", "rail", "next", 10e3),
            resistor("R4", "next", "gnd", 6.8e3),
            capacitor("C1", "out", "next", 10e-6, voltage=16.0),
        )

    assert severities(stage(Beta(100, 100, 100))) == []
    assert severities(stage(Beta(100, 150, 220))) == ["error"]


def test_the_garden_light_and_other_timers_are_right() -> None:
    for subject in (garden_light(), on_delay(), hold_on()):
        assert kinds(RULE, subject) <= {"satisfied", "not-applicable"}


def test_a_one_shot_is_reversed_by_half_a_volt_as_it_ends() -> None:
    assert {name: f.severity for name, f in findings(one_shot()).items()} == {"C1": "note"}


def test_turned_round_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    edits = {op["path"]: op["value"] for op in remedy.patch if op["op"] == "replace"}
    assert edits == {"/parts/C1/pins/plus": "capsule", "/parts/C1/pins/minus": "base"}
    assert remedy.proof.after is not None
    assert remedy.proof.after <= 0.1


def test_where_the_voltage_goes_both_ways_nothing_is_turned() -> None:
    """A driver from -5 V to +5 V: the advice is a part without polarity, or two in series."""
    subject = circuit(
        driver("U1", "order", "gnd", -5.0, 5.0, rest="low"),
        resistor("R1", "order", "plus", 1e3),
        capacitor("C1", "plus", "gnd", 10e-6, voltage=16.0),
    )
    (finding,) = findings(subject).values()
    assert finding.severity == "error"
    assert not [o for o in outcomes(RULE, subject) if o.proposals]
    assert any("two of 20 uF in series with their plus ends together" in a for a in finding.advice)


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no capacitor"),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                resistor("R1", "rail", "gnd", 1e3),
                capacitor("C1", "gnd", "gnd", 1e-6),
            ),
            "tied together",
        ),
        (
            circuit(
                supply("V1", "rail", "gnd", 9.0),
                resistor("R1", "rail", "a", 1e3),
                film("C1", "a", "gnd", 1e-6),
            ),
            "no polarity",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


def test_a_run_that_cannot_be_followed_leaves_it_undecided() -> None:
    stuck = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R3", "rail", "full", 1e3),
        capacitor("C2", "full", "gnd", 100e-6, voltage=16.0),
        contact("S1", "full", "feed"),
        npn("Q1", collector="rail", base="feed", emitter="store", beta=150.0),
        capacitor("C1", "store", "gnd", 100e-6, voltage=16.0),
        resistor("R2", "store", "gnd", 100e3),
        resistor("R1", "feed", "gnd", 1e3),
        stimuli=frozen_map({"tap": press("S1", 1.0)}),
    )
    assert "undecided" in kinds(RULE, stuck)


@pytest.mark.parametrize("subject", [across(0.7), pulsed(0.7), blinker(), coupling(4.4, 4.3)])
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = findings(subject), findings(changed)
    assert {names[c] for c in was} == set(now)
    for name, finding in was.items():
        assert now[names[name]].severity == finding.severity
        assert now[names[name]].test.left == pytest.approx(finding.test.left, rel=1e-5)


@pytest.mark.parametrize("subject", [across(0.7), blinker(), coupling(4.4, 4.3)])
def test_the_mirror_image_is_judged_alike(subject: Circuit) -> None:
    was, now = findings(subject), findings(mirrored(subject))
    assert set(was) == set(now)
    for name, finding in was.items():
        assert now[name].severity == finding.severity
        assert now[name].test.left == pytest.approx(finding.test.left, rel=1e-5)
