"""flyback-path: broken currents, collector peaks and release times, both sides of their limits, and traps."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from rules.analysis.coils import falls_below, openings
from rules.analysis.runs import Corner
from rules.analysis.stress import stress_corner
from rules.analysis.study import Study
from rules.flyback_path import RULE
from schemas.circuit import Circuit, Part, Ratings, frozen_map
from schemas.finding import Finding
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    driver,
    film,
    inductor,
    load,
    npn,
    pnp,
    press,
    resistor,
    supply,
    zener,
)
from tests.judged import document, judged, kinds, mirrored, only_finding, outcomes, renamed, reviewed, value
from tests.timers import requirement


def relay(*more: Part, henry: float | None = 0.6, volts: float = 12.0, **members: Any) -> Circuit:
    """A driver switches a relay of 400 ohm through an NPN of 60 V; ``more`` are parts across the coil."""
    return circuit(
        supply("V1", "rail", "gnd", volts),
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 1e3),
        npn("Q1", "pulled", "base", "gnd", 150.0, ratings=Ratings(vceo=members.pop("vceo", 60.0))),
        coil("K1", "rail", "pulled", 400.0, inductance=henry, nominal=12.0),
        *more,
        **members,
    )


FREE = diode("D1", "pulled", "rail")


def the(subject: Circuit) -> Finding:
    return only_finding(subject, RULE)


def released(subject: Circuit) -> float:
    """The release time on the timeline, s."""
    study = Study(subject)
    (found,) = openings(study, stress_corner(study, coils=True))
    return found.released


def test_the_lesson_circuits_fire_and_pass() -> None:
    assert "violated" in kinds(RULE, document(RULE.lesson.failing).circuit)
    assert kinds(RULE, document(RULE.lesson.passing).circuit) == {"satisfied"}


def test_a_coil_without_a_path() -> None:
    """I_0 = (12 V - 0.2 V)/400 ohm; I_0*sqrt(0.6 H/150 pF) by hand; L*I^2/2."""
    finding = the(relay())
    assert finding.severity == "error"
    assert finding.parts == ("K1",)
    assert value(finding, "I_0") == pytest.approx(11.8 / 400.0)
    assert value(finding, "V_pk") == pytest.approx(11.8 / 400.0 * math.sqrt(0.6 / 150e-12))
    assert value(finding, "W") == pytest.approx(0.3 * (11.8 / 400.0) ** 2)
    assert "have no path when Q1 opens" in finding.message


def test_with_a_diode_it_is_satisfied_and_in_no_resting_state_does_that_diode_conduct() -> None:
    study = Study(relay(FREE))
    assert all(s.devices["D1"] == "off" for sets in study.state_sets() for s in sets.stable)
    (outcome,) = outcomes(RULE, relay(FREE))
    assert outcome.kind == "satisfied"
    assert outcome.test is not None
    assert outcome.test.left == pytest.approx(12.7)  # supply and one diode drop
    assert outcome.test.right == pytest.approx(0.8 * 60.0)


@pytest.mark.parametrize("members", [{}, {"henry": None}])
def test_a_diode_the_wrong_way_round_is_no_path(members: dict[str, Any]) -> None:
    """Trap: while Q1 is on it takes all the current; what little the coil carries has nowhere to go."""
    subject = relay(diode("D1", "rail", "pulled"), **members)
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"violated"}


def test_without_an_inductance_the_path_is_judged_all_the_same() -> None:
    bare, clamped = relay(henry=None), relay(FREE, henry=None)
    finding = the(bare)
    assert finding.test.unit == "A"
    assert finding.test.left == pytest.approx(11.8 / 400.0)
    assert "Its inductance is not stated" in finding.message
    assert not any(q.symbol in ("L", "V_pk") for q in finding.evidence)
    assert kinds(RULE, clamped) == {"satisfied"}


def test_two_coils_of_one_time_constant_share_a_diode() -> None:
    """Trap: both currents end together, and what rounding leaves of them in their loop is no growth."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "top"),
        coil("K1", "top", "gnd", 400.0, inductance=0.6, nominal=12.0),
        coil("K2", "top", "gnd", 100.0, inductance=0.15, nominal=12.0),
        diode("D1", "gnd", "top"),
        stimuli={"run": press("S1", 5.0)},
    )
    assert kinds(RULE, subject) == {"satisfied"}


def test_a_filter_at_the_base_does_not_hide_the_path() -> None:
    """Trap: as the drive ends, the filter stands at the drop of the junction, where two solutions meet.

    (L/R)*ln((I_0*R + V_d)/(I_rel*R + V_d)) as without it, 12 V nominal, of which a tenth.
    """
    filtered = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "line"),
        resistor("R1", "line", "base", 4.7e3),
        resistor("R2", "base", "gnd", 10e3),
        film("C1", "base", "gnd", 1e-6),
        npn("Q1", "pulled", "base", "gnd", 150.0, ratings=Ratings(vceo=60.0)),
        coil("K1", "rail", "pulled", 400.0, inductance=0.6, nominal=12.0),
        FREE,
        stimuli={"warm": press("S1", 1.0)},
    )
    assert "violated" not in kinds(RULE, filtered)
    study = Study(filtered)
    found = openings(study, stress_corner(study, coils=True))
    assert found
    for opening in found:
        assert opening.path
        assert opening.released == pytest.approx(1.5e-3 * math.log(12.5 / 1.9), rel=1e-6)


def motor(*more: Part, inductive: bool | None = True) -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "fed"),
        load("M1", "fed", "gnd", 100.0, inductive=inductive),
        *more,
    )


def test_an_inductive_load_on_a_contact() -> None:
    finding = the(motor())
    assert "when S1 opens" in finding.message
    assert finding.test.left == pytest.approx(0.12)
    assert kinds(RULE, motor(diode("D1", "gnd", "fed"))) == {"satisfied"}


@pytest.mark.parametrize("inductive", [False, None])
def test_a_load_that_is_not_said_to_be_inductive(inductive: bool | None) -> None:
    found = outcomes(RULE, motor(inductive=inductive))
    assert {o.kind for o in found} == {"not-applicable"}
    assert "M1 is not said to be inductive" in found[0].reason


def test_a_resistor_is_a_path_and_its_drop_stands_at_the_collector() -> None:
    """29.5 mA through 1.5 kohm: 44.25 V above the rail; 0.8*60 V = 48 V is exceeded, 60 V is not."""
    finding = the(relay(resistor("R9", "rail", "pulled", 1.5e3)))
    assert finding.parts == ("K1", "Q1")
    assert finding.severity == "warning"
    assert value(finding, "V_CE") == pytest.approx(12.0 + 1.5e3 * 11.8 / 400.0)


@pytest.mark.parametrize(
    ("volts", "severity"),
    # V_CE = 12 V + V_Z + 0.7 V against 48 V and 60 V
    [(35.2, None), (35.4, "warning"), (47.2, "warning"), (47.4, "error")],
)
def test_both_sides_of_the_collector_peak(volts: float, severity: str | None) -> None:
    subject = relay(diode("D1", "pulled", "mid"), zener("D2", "rail", "mid", volts))
    found = judged(subject, RULE).findings
    assert [f.severity for f in found] == ([] if severity is None else [severity])
    if found:
        assert value(found[0], "V_CE") == pytest.approx(12.7 + volts)
        assert found[0].role == "collector peak"


@pytest.mark.parametrize(("henry", "fires"), [(1e-6, False), (4.0e-4, False), (4.1e-4, True)])
def test_both_sides_of_a_choke_too_small_to_matter(henry: float, fires: bool) -> None:
    """29.5 mA*sqrt(L/150 pF) = 48 V at 0.397 mH."""
    limit = 150e-12 * (48.0 / 0.0295) ** 2
    assert limit == pytest.approx(3.97e-4, rel=1e-3)
    subject = relay(henry=henry if henry != 4.0e-4 else 0.99 * limit)
    assert ("violated" in kinds(RULE, subject)) is fires


def test_the_highest_supply_counts() -> None:
    subject = relay()
    parts = {**subject.parts, "V1": supply("V1", "rail", "gnd", 12.0, high=15.0)}
    finding = the(replace(subject, parts=frozen_map(parts)))
    assert finding.corner == "V1 15 V"
    assert value(finding, "I_0") == pytest.approx(14.8 / 400.0)


def reference_relay(*path: Part) -> Circuit:
    """0.6 H, 400 ohm, 30 mA on a contact; it lets go at 6 mA (a fifth: nominal 24 V of which a tenth)."""
    return circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "fed"),
        coil("K1", "fed", "gnd", 400.0, inductance=0.6, nominal=24.0),
        *path,
    )


@pytest.mark.parametrize(
    ("path", "seconds"),
    [
        # own sum: 1.5 ms * ln(12.7/3.1) and 1.5 ms * ln(24.7/15.1)
        ((diode("D1", "gnd", "fed"),), 1.5e-3 * math.log(12.7 / 3.1)),
        ((diode("D1", "gnd", "mid"), zener("D2", "fed", "mid", 12.0)), 1.5e-3 * math.log(24.7 / 15.1)),
    ],
)
def test_release_times_on_the_timeline(path: tuple[Part, ...], seconds: float) -> None:
    assert released(reference_relay(*path)) == pytest.approx(seconds, rel=1e-9)
    assert seconds == pytest.approx({1: 2.1e-3, 2: 0.74e-3}[len(path)], rel=0.01)


def test_the_time_to_any_current_is_that_of_the_closed_form() -> None:
    study = Study(reference_relay(diode("D1", "gnd", "fed")))
    (opening,) = openings(study, Corner())
    for amperes in (25e-3, 10e-3, 1e-3):
        there = falls_below(opening.episode.timeline, "K1", amperes, opening.at)
        wanted = 1.5e-3 * math.log(12.7 / (400.0 * amperes + 0.7))
        assert there == pytest.approx(wanted, rel=1e-9)
    assert falls_below(opening.episode.timeline, "K1", -1.0, opening.at) is None


def timed_relay(at_most: float) -> Circuit:
    """The release of a relay with its diode, 2.82 ms, against a re-arm requirement."""
    return circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "base", 10e3),
        resistor("R2", "base", "gnd", 10e3),
        npn("Q1", "pulled", "base", "gnd", 150.0),
        coil("K1", "rail", "pulled", 400.0, inductance=0.6, nominal=12.0),
        FREE,
        stimuli=frozen_map({"tap": press("S1", 1.0)}),
        requirements=(requirement("re-arm", stimulus="tap", at_most=at_most),),
    )


@pytest.mark.parametrize(("share", "fires"), [(0.99, True), (1.01, False)])
def test_both_sides_of_a_stated_release(share: float, fires: bool) -> None:
    """(11.8 V + 0.7 V)/(1.2 V + 0.7 V): a tenth of 12 V is where it lets go."""
    seconds = 1.5e-3 * math.log(12.5 / 1.9)
    found = judged(timed_relay(share * seconds), RULE).findings
    assert [f.severity for f in found] == (["warning"] if fires else [])
    if fires:
        assert value(found[0], "t") == pytest.approx(seconds, rel=1e-6)
        assert value(found[0], "t_hand") == pytest.approx(seconds, rel=1e-6)


def test_a_timing_capacitor_may_hold_the_relay_in() -> None:
    """Trap: its charge goes on through the base, and the coil lets go long after the contact has opened."""
    plain = timed_relay(0.05)
    held = {**plain.parts, "C1": capacitor("C1", "feed", "gnd", 100e-6, voltage=25.0)}
    held["R3"] = resistor("R3", "rail", "live", 10.0)
    held["S1"] = contact("S1", "live", "feed")
    assert kinds(RULE, plain) == {"satisfied"}
    late = [f for f in judged(replace(plain, parts=frozen_map(held)), RULE).findings if f.role == "release"]
    assert len(late) == 1
    assert value(late[0], "t") > 0.5
    assert not any(q.symbol == "t_hand" for q in late[0].evidence)


def test_an_emitter_follower_leads_its_coil_down() -> None:
    """Its emitter is pulled below the base and it goes on conducting: a path of its own."""
    follower = circuit(
        supply("V1", "rail", "gnd", 12.0),
        driver("U1", "base", "gnd", 0.0, 5.0, resistance=100.0),
        npn("Q1", "rail", "base", "low", 150.0, ratings=Ratings(vceo=40.0)),
        coil("K1", "low", "gnd", 400.0, inductance=0.6),
    )
    assert kinds(RULE, follower) == {"satisfied"}


def test_a_pnp_on_the_rail() -> None:
    def high_side(*more: Part) -> Circuit:
        return circuit(
            supply("V1", "rail", "gnd", 12.0),
            driver("U1", "order", "gnd", 0.0, 12.0, rest="high"),
            resistor("R1", "order", "base", 4.7e3),
            pnp("Q1", "out", "base", "rail", 100.0),
            coil("K1", "out", "gnd", 400.0, inductance=0.6),
            *more,
        )

    (proposal,) = [p for o in outcomes(RULE, high_side()) for p in o.proposals]
    assert proposal.changes[0].new["pins"] == {"anode": "gnd", "cathode": "out"}
    assert kinds(RULE, high_side(diode("D1", "gnd", "out"))) == {"satisfied"}
    assert kinds(RULE, high_side(diode("D1", "out", "gnd"))) == {"violated"}


def test_the_diode_is_proven() -> None:
    (finding,) = reviewed(RULE.lesson.failing, RULE).findings
    (remedy,) = finding.remedies
    (added,) = [op for op in remedy.patch if op["op"] == "add"]
    assert added["path"] == "/parts/D1"
    assert added["value"] == {
        "kind": "diode",
        "type": "1N4148",
        "pins": {"anode": "pulled", "cathode": "rail"},
    }
    assert remedy.proof.after == pytest.approx(12.7)
    assert "lets go in 2.83 ms" in remedy.summary
    assert any("instead of 2.83 ms" in a for a in finding.advice)


@pytest.mark.parametrize(("ohms", "kind"), [(125.0, "1N4148"), (115.0, "1N4001"), (11.0, None)])
def test_the_diode_is_one_that_carries_the_current(ohms: float, kind: str | None) -> None:
    """12 V: 96 mA, 104 mA and 1.09 A."""
    subject = motor()
    parts = {**subject.parts, "M1": load("M1", "fed", "gnd", ohms, inductive=True)}
    (proposal,) = [p for o in outcomes(RULE, replace(subject, parts=frozen_map(parts))) for p in o.proposals]
    assert proposal.changes[0].new.get("type") == kind


def test_an_inductor_in_the_supply_line() -> None:
    """Behind a contact it breaks; the capacitor behind it is no path for its current."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "a"),
        inductor("L1", "a", "b", 0.1, resistance=5.0),
        resistor("R1", "b", "gnd", 100.0),
        capacitor("C1", "b", "gnd", 100e-6, voltage=25.0),
    )
    finding = the(subject)
    assert "when S1 opens" in finding.message
    parts = {**subject.parts, "D1": diode("D1", "gnd", "a")}
    assert kinds(RULE, replace(subject, parts=frozen_map(parts))) == {"satisfied"}


@pytest.mark.parametrize(
    ("subject", "words"),
    [
        (circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)), "no coil"),
        (
            circuit(supply("V1", "rail", "gnd", 9.0), coil("K1", "rail", "gnd", 400.0, inductance=0.5)),
            "never opened",
        ),
    ],
)
def test_nothing_to_judge(subject: Circuit, words: str) -> None:
    found = outcomes(RULE, subject)
    assert {o.kind for o in found} == {"not-applicable"}
    assert words in found[0].reason


@pytest.mark.parametrize(
    "subject", [relay(), relay(henry=None), motor(), relay(resistor("R9", "rail", "pulled", 1.5e3))]
)
def test_renaming_and_order_change_nothing(subject: Circuit) -> None:
    changed, names = renamed(subject)
    was, now = the(subject), the(changed)
    assert now.parts == tuple(sorted(names[p] for p in was.parts))
    assert now.severity == was.severity
    assert now.test.left == pytest.approx(was.test.left, rel=1e-6)


@pytest.mark.parametrize("subject", [relay(), relay(henry=None), motor()])
def test_the_mirror_image_is_judged_alike(subject: Circuit) -> None:
    was, now = the(subject), the(mirrored(subject))
    assert now.severity == was.severity
    assert now.test.left == pytest.approx(was.test.left, rel=1e-6)
    (proposal,) = [p for o in outcomes(RULE, mirrored(subject)) for p in o.proposals]
    (plain,) = [p for o in outcomes(RULE, subject) for p in o.proposals]
    turned, straight = proposal.changes[0].new["pins"], plain.changes[0].new["pins"]
    assert (turned["anode"], turned["cathode"]) == (straight["cathode"], straight["anode"])
