"""The runs that a review looks at, the greatest voltages along them, and parts fitted in a copy."""

from __future__ import annotations

import math

import pytest

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.pace import changed_pace, pace
from rules.analysis.runs import Corner, episodes, power_up, unfinished
from rules.analysis.stress import (
    along,
    at_rest,
    holding_capacitor,
    is_polarised,
    moves,
    reverse_pair,
    stress_corner,
    unfinished_runs,
)
from rules.analysis.study import Study
from rules.analysis.surges import after, surges
from schemas.circuit import Beta, Circuit, Part, frozen_map
from schemas.document import dump
from service.documents import load_circuit
from service.patches import apply, patch_for
from tests.builders import (
    capacitor,
    circuit,
    coil,
    contact,
    diode,
    driver,
    film,
    load,
    npn,
    pnp,
    press,
    resistor,
    supply,
)
from tests.timers import blinker, garden_light, on_delay, one_shot


def told(subject: Circuit, corner: Corner | None = None) -> list[str]:
    return [e.what for e in episodes(Study(subject), corner or Corner())]


def switch(low: float = 0.0, **supplied: float) -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", 9.0, **supplied),
        driver("U1", "order", "gnd", low, 5.0, rest="low"),
        resistor("R1", "order", "base", 10e3),
        resistor("R2", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=Beta(100, 150, 300)),
    )


def test_stimuli_twice_and_the_supply_coming_on() -> None:
    assert told(garden_light()) == [
        "the supply comes on",
        '"press" from "all off"',
        '"press" from "all off", and again as soon as its work was done',
    ]


def test_without_stimuli_each_contact_is_moved_there_and_back() -> None:
    assert told(on_delay()) == [
        "the supply comes on",
        'S1 closed from "all off"',
        'S1 open from "Q1 saturated"',
    ]
    assert told(switch()) == [
        "the supply comes on",
        'U1 high from "all off"',
        'U1 low from "Q1 saturated"',
    ]


def test_an_oscillator_meets_its_stimulus_while_it_runs() -> None:
    subject = blinker()
    parts = {**subject.parts, "S1": contact("S1", "b1", "stop"), "R9": resistor("R9", "stop", "gnd", 100.0)}
    halted = circuit(*parts.values(), stimuli=frozen_map({"halt": press("S1", 0.2)}))
    found = episodes(Study(halted), Corner())
    assert [e.what for e in found] == ["the supply comes on", '"halt" while it runs']
    assert found[1].timeline.verdict == "oscillates"


def test_runs_are_made_once_and_shared_with_the_study() -> None:
    study = Study(garden_light())
    assert episodes(study, Corner()) is episodes(study, Corner("typical", True))  # no supply is ever higher
    assert episodes(study, Corner())[1].timeline is study.timeline("press")


def test_a_corner_says_what_is_away_from_nominal() -> None:
    study = Study(switch(high=9.6))
    assert Corner("typical", True).label(study) == "V1 9.6 V"
    assert Corner("max", True).label(study) == "beta max, V1 9.6 V"
    assert Corner("max", False).label(study) == "max"
    assert Corner("typical", True).label(Study(switch(low=1.0))) == "typical"
    assert stress_corner(study) == Corner("max", True)
    assert stress_corner(Study(garden_light())) == Corner("typical", False)  # one gain, one supply voltage


def test_the_highest_supply_is_what_the_runs_see() -> None:
    subject = switch(high=9.6)
    study = Study(circuit(*subject.parts.values(), film("C1", "out", "gnd", 1e-6)))
    assert power_up(study, Corner("max", True)).timeline.final["C1"] == pytest.approx(9.6)
    assert power_up(study, Corner()).timeline.final["C1"] == pytest.approx(9.0)


@pytest.mark.parametrize("subject", [garden_light(), one_shot(), blinker()], ids=lambda c: c.name)
def test_the_greatest_along_all_runs_is_that_of_the_greatest_run(subject: Circuit) -> None:
    study = Study(subject)
    for part in subject.parts.values():
        if part.kind in ("npn", "pnp"):
            pair = reverse_pair(part)
            peak = along(study, pair)
            assert peak is not None
            most = max(e.timeline.extremes(*pair)[1].value for e in episodes(study, Corner()))
            assert peak.value == pytest.approx(most, abs=1e-5)
            first, second = (peak.nets[net] for net in pair)
            assert first is not None
            assert second is not None
            assert first - second == pytest.approx(peak.value, abs=1e-5)


def test_at_rest_the_worst_of_all_tolerances_counts() -> None:
    """A divider of 1 kohm over 2 kohm from 9 V, 5 % each: 9 V * 2.1/(2.1 + 0.95) = 6.197 V."""
    study = Study(
        circuit(
            supply("V1", "rail", "gnd", 9.0),
            resistor("R1", "rail", "e", 1e3),
            resistor("R2", "e", "gnd", 2e3),
            resistor("R3", "rail", "c", 1e3),
            resistor("R4", "b", "gnd", 1e3),
            npn("Q1", collector="c", base="b", emitter="e", beta=100.0),
        )
    )
    pair = reverse_pair(study.circuit.parts["Q1"])
    worst = at_rest(study, pair, lambda _, volts: volts > 2.0)
    plain = at_rest(study, pair, lambda _, volts: volts > 7.0)
    assert plain is not None
    assert plain.value == pytest.approx(6.0)
    assert worst is not None
    assert worst.value == pytest.approx(9.0 * 2.1 / 3.05)
    assert worst.corner == "R1 -5 %, R2 +5 %"


def test_what_holds_a_junction_reversed() -> None:
    study = Study(one_shot())
    part = study.circuit.parts["Q2"]
    peak = along(study, reverse_pair(part))
    assert peak is not None
    assert holding_capacitor(study, peak, part.pins.values()) == "C1"
    assert holding_capacitor(study, peak, ("gnd",)) is None


def test_without_anything_stored_there_is_nothing_beyond_the_resting_states() -> None:
    study = Study(switch())
    assert not moves(study)
    assert along(study, reverse_pair(study.circuit.parts["Q1"])) is None
    assert unfinished_runs(study) == ()


def test_a_source_fills_a_capacitor_through_a_diode_at_once() -> None:
    """Nothing that is drawn limits the current; 9 V less the drop arrive, and leave with R1*C1 = 10 s."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        diode("D1", "feed", "store"),
        capacitor("C1", "store", "gnd", 100e-6),
        resistor("R1", "store", "gnd", 100e3),
        resistor("R2", "feed", "gnd", 100e3),
        stimuli=frozen_map({"tap": press("S1", 1.0)}),
    )
    study = Study(subject)
    assert unfinished_runs(study) == ()
    (tapped,) = (e for e in episodes(study, Corner()) if e.kind == "stimulus")
    volts = tapped.timeline.sample([1e-3, 0.999, 11.0])["store"]
    assert volts == pytest.approx([8.3, 8.3, 8.3 * math.exp(-1.0)], abs=1e-4)


def fed(*parts: Part, farads: float = 470e-6, **members: object) -> Circuit:
    """A supply, a diode against the wrong polarity and a reservoir in front of ``parts``."""
    return circuit(
        supply("V9", "plug", "gnd", 12.0),
        diode("D9", "plug", "rail"),
        capacitor("C9", "rail", "gnd", farads),
        *parts,
        **members,  # type: ignore[arg-type]
    )


def test_behind_a_diode_with_a_reservoir_a_coil_finds_its_path() -> None:
    """D9 stands at its very drop with and without a current: two solutions, one of which lasts."""
    subject = fed(
        driver("U1", "order", "gnd", 0.0, 5.0),
        resistor("R1", "order", "base", 1e3),
        npn("Q1", "pulled", "base", "gnd", 150.0),
        coil("K1", "rail", "pulled", 400.0, inductance=0.6, nominal=12.0),
        diode("D1", "pulled", "rail"),
    )
    study = Study(subject)
    assert unfinished_runs(study) == ()
    kinds = {event.kind for e in episodes(study, Corner()) for event in e.timeline.events}
    assert "jump" in kinds
    assert "forced" not in kinds


def test_behind_a_diode_with_a_reservoir_a_latch_is_followed() -> None:
    latch = fed(
        pnp("Q2", "out", "b2", "rail", 150.0),
        resistor("R1", "rail", "b2", 4.7e3),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", "c1", "b1", "gnd", 150.0),
        resistor("R3", "out", "b1", 22e3),
        resistor("R4", "b1", "gnd", 10e3),
        film("C2", "b1", "gnd", 10e-9),
        resistor("R5", "out", "gnd", 1e3),
        contact("S2", "b1", "gnd"),
        stimuli=frozen_map({"clear": press("S2", 0.2)}),
    )
    study = Study(latch)
    assert unfinished_runs(study) == ()
    ends = [e.timeline.last.devices for e in episodes(study, Corner()) if e.kind == "stimulus"]
    assert len(ends) == 2  # from off and from on
    assert {(end["Q1"], end["Q2"]) for end in ends} == {("off", "off")}


@pytest.mark.parametrize("farads", [100e-6, 10e-3])
def test_what_nobody_limits_is_no_surge(farads: float) -> None:
    """The current into the empty reservoir is that of a resistance that only helps to follow the run."""
    subject = fed(load("LA1", "rail", "gnd", 100.0), farads=farads)
    study, corner = Study(subject), Corner()
    peak = surges(study, corner)["D9"]
    assert peak.value > 100.0
    assert after(study, peak, "D9", 1e-4) == pytest.approx(11.3 / 100.0, rel=0.01)


def test_a_run_that_gets_stuck_is_told() -> None:
    """A full capacitor straight onto an empty one through a junction: nothing limits the current."""
    stuck = circuit(
        supply("V1", "rail", "gnd", 9.0),
        resistor("R1", "rail", "full", 1e3),
        capacitor("C1", "full", "gnd", 100e-6),
        contact("S1", "full", "feed"),
        diode("D1", "feed", "store"),
        capacitor("C2", "store", "gnd", 100e-6),
        resistor("R2", "store", "gnd", 100e3),
        resistor("R3", "feed", "gnd", 100e3),
        stimuli=frozen_map({"tap": press("S1", 1.0)}),
    )
    study = Study(stuck)
    (words,) = unfinished(episodes(study, Corner()))
    assert words.startswith('the run after "tap" from "all off" could not be followed to its end: ')
    assert unfinished_runs(study) == (words,)


def test_which_capacitors_have_a_polarity() -> None:
    assert is_polarised(capacitor("C1", "a", "b", 1e-6))
    assert is_polarised(capacitor("C1", "a", "b", 1e-6, dielectric="tantalum"))
    assert not is_polarised(capacitor("C1", "a", "b", 1e-6, dielectric="film"))
    assert not is_polarised(film("C1", "a", "b", 1e-6))


def test_a_fitting_is_the_same_in_a_copy_and_in_the_document() -> None:
    subject = blinker()
    inner = new_net(subject, "b1")
    blocks = new_part(subject, "D", "diode", {"anode": "b1", "cathode": inner})
    bleed = new_part(subject, "RB", "resistor", {"a": inner, "b": "gnd"}, resistance=100e3)
    fitting = Fitting((blocks, bleed), (("Q1", "base", inner),))
    assert (inner, blocks.name, bleed.name) == ("b1_2", "D1", "RB3")
    raw = dump(subject)
    patched = load_circuit(apply(raw, patch_for(raw, fitting.changes(subject))))
    assert patched == load_circuit(dump(fitting.applied(subject)))


def test_pace_before_and_after() -> None:
    study = Study(blinker())
    assert list(pace(study)) == ["the period"]
    parts = {**study.circuit.parts, "RB1": resistor("RB1", "rail", "b1", 56e3)}
    words = changed_pace(study, circuit(*parts.values()))
    assert words.startswith("; the period ")
    assert " instead of 705 ms" in words
    assert changed_pace(study, study.circuit) == ""
    timed = pace(Study(garden_light()))
    assert timed == {"the delay that C1 sets": pytest.approx(62.32, abs=0.01)}
