"""Which timed states count as delays, and where their course really starts."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.delays import delay_with, dwell
from rules.analysis.frozen import held_with
from rules.analysis.study import Study
from schemas.circuit import Action, Circuit, frozen_map
from tests.builders import battery, capacitor, circuit, contact, film, load, npn, resistor, supply, zener
from tests.timers import garden_light, hold_on, on_delay, one_shot


def delay_of(subject: Circuit, corner: str = "typical"):  # type: ignore[no-untyped-def]
    found, _ = Study(subject).delays(corner)
    assert len(found) == 1, [d.timed.name for d in found]
    return found[0]


def reasons(subject: Circuit) -> dict[str, str]:
    found, out = Study(subject).delays("typical")
    assert not found
    return {left.capacitor: left.reason for left in out}


def test_the_garden_light_has_one_delay() -> None:
    """Both steered bases stand level at 3.877 V after 60.30 s (own working); it lets go at 3.962 V."""
    delay = delay_of(garden_light())
    assert delay.timed.kind == "fold"
    assert delay.segments[0].end == pytest.approx(3.877, abs=1e-3)
    assert delay.segments[0].duration == pytest.approx(60.30, abs=0.01)
    assert delay.timed.threshold == pytest.approx(3.962, abs=1e-3)
    assert delay.opposed


def test_a_state_that_outlasts_its_stimulus_is_left_out() -> None:
    """With S1 held the light would burn for 139 s, but a press is over after 0.1 s."""
    _, out = Study(garden_light()).delays("typical")
    told = [left.reason for left in out if left.capacitor == "C1"]
    assert len(told) == 1
    assert "S1 closed" in told[0]
    assert "0.1 s at most" in told[0]


def test_without_stimuli_every_position_may_last() -> None:
    subject = replace(garden_light(), stimuli=frozen_map({}))
    keys = {d.timed.configuration.key for d in Study(subject).delays("typical")[0]}
    assert keys == {"S1 open", "S1 closed"}


def test_dwell_of_a_configuration() -> None:
    stimuli = {
        "twice": (
            Action(0.0, "S1", "closed"),
            Action(2.0, "S1", "open"),
            Action(5.0, "S1", "closed"),
            Action(5.5, "S1", "open"),
        )
    }
    subject = replace(on_delay(), stimuli=frozen_map(stimuli))
    rest, closed = configurations(subject)[0]
    assert dwell(subject, closed, rest) == 2.0
    assert dwell(subject, rest, rest) == math.inf
    stays = replace(subject, stimuli=frozen_map({"on": (Action(0.0, "S1", "closed"),)}))
    assert dwell(stays, closed, rest) == math.inf


def test_a_short_tap_starts_where_it_got_to() -> None:
    """220 uF through 10 kohm for 0.5 s instead of until it is full."""
    full, part = delay_of(hold_on(stay=1.0)), delay_of(hold_on(stay=0.5, charging=10e3))
    assert full.start == pytest.approx(11.99, abs=0.01)
    # before Q1 conducts the divider is 200 kohm, afterwards 100 kohm above 0.7 V
    assert part.start == pytest.approx(2.4, abs=0.15)
    assert part.duration < full.duration
    assert not full.opposed


def test_a_tap_too_short_to_switch_is_no_delay() -> None:
    told = reasons(hold_on(stay=0.1, charging=10e3))
    assert "no stimulus leads into" in told["C1"]


def test_filters_couplings_and_decouplers_are_no_delays() -> None:
    subject = circuit(
        battery("B1", "rail", "gnd", 9.0, 2.0),
        capacitor("C1", "rail", "gnd", 100e-6),
        contact("S1", "rail", "in"),
        resistor("R1", "in", "f", 10e3),
        film("C2", "f", "gnd", 2.2e-6),
        resistor("R2", "f", "b", 10e3),
        resistor("R3", "b", "gnd", 100e3),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=200.0),
        resistor("R4", "rail", "c", 1e3),
        film("C3", "c", "line", 1e-6),
        resistor("R5", "line", "gnd", 100e3),
    )
    told = reasons(subject)
    assert set(told) == {"C1", "C2", "C3"}
    assert told["C1"] == "it stands across the supply"
    assert "filters" in told["C2"]


def test_an_amplifier_that_finds_its_bias_is_no_delay() -> None:
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        resistor("R1", "rail", "base", 82e3),
        resistor("R2", "base", "gnd", 18e3),
        capacitor("C1", "base", "gnd", 100e-6, voltage=16.0),
        resistor("RC", "rail", "out", 3.3e3),
        npn("Q1", collector="out", base="base", emitter="e", beta=200.0),
        resistor("RE", "e", "gnd", 1e3),
    )
    assert "settles to its bias" in reasons(subject)["C1"]


def steered(level: float, charging: float = 100e3, load: float | None = 10e3) -> Circuit:
    """A follower charged towards 6 V beside a partner whose base stands at a share of 6 V."""
    return circuit(
        supply("V1", "rail", "gnd", 6.0),
        resistor("R1", "rail", "slow", charging),
        film("C1", "slow", "gnd", 10e-6),
        contact("S1", "slow", "gnd", rest="closed"),
        npn("Q1", collector="rail", base="slow", emitter="tail", beta=200.0),
        npn("Q2", collector="rail" if load is None else "c2", base="half", emitter="tail", beta=200.0),
        resistor("R2", "rail", "half", 10e3 * (1.0 - level)),
        resistor("R3", "half", "gnd", 10e3 * level),
        resistor("RE", "tail", "gnd", 4.7e3),
        *(() if load is None else (resistor("R4", "rail", "c2", load),)),
    )


def test_a_follower_that_takes_the_current_of_a_partner_times_something() -> None:
    """1 s * ln(6/3), less the share that the base of Q2 takes from its divider."""
    delay = delay_of(steered(0.5, load=2.2e3))
    assert delay.timed.changed == ("Q1",)
    assert delay.duration == pytest.approx(math.log(2.0), rel=0.02)
    # one that will never get there is to be found out by the rules on delays, so it is a delay too
    assert delay_of(steered(0.5, charging=3.3e6, load=2.2e3)).duration == pytest.approx(
        33.0 * math.log(2.0), rel=0.02
    )


@pytest.mark.parametrize("subject", [steered(0.5, load=None), steered(0.99, load=100.0)])
def test_followers_alone_and_a_level_that_is_only_just_met_time_nothing(subject: Circuit) -> None:
    """Of two followers the higher leads; where the aim is the level, the two share the current at rest."""
    assert "settles to its bias" in reasons(subject)["C1"]


def test_a_decoupler_does_not_hide_the_delay_at_power_up() -> None:
    """A large capacitor across the battery follows it; 100 kohm, 100 uF to 5.1 V + 0.7 V remains."""
    subject = circuit(
        battery("V1", "rail", "gnd", 12.0, 1.0),
        capacitor("C9", "rail", "gnd", 470e-6),
        resistor("R1", "rail", "slow", 100e3),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=25.0),
        zener("DZ", "base", "slow", 5.1),
        resistor("R3", "base", "gnd", 100e3),
        load("R4", "rail", "out", 1e3),
        npn("Q1", collector="out", base="base", emitter="gnd", beta=200.0),
    )
    resolved = Study(subject).resolved
    assert set(held_with(resolved, "C1", None)) == {"C1"}
    delay = delay_of(subject)
    assert delay.timed.kind == "region-change"
    assert delay.timed.threshold == pytest.approx(5.8)
    # 10 s * ln(12/6.9), then 5 s * ln((8.55 - 5.1)/(8.55 - 5.8)) with R3 in parallel
    assert delay.duration == pytest.approx(10.0 * math.log(12 / 6.9) + 5.0 * math.log(3.45 / 2.75), rel=1e-3)


def test_a_base_straight_on_the_capacitor_clamps_it() -> None:
    """9 V through 220 kohm into 100 uF, base at the capacitor: 22 s * ln(9/8.3)."""
    subject = circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "slow", 220e3),
        capacitor("C1", "slow", "gnd", 100e-6, voltage=16.0),
        load("R4", "rail", "out", 1e3),
        npn("Q1", collector="out", base="slow", emitter="gnd", beta=200.0),
    )
    delay = delay_of(subject)
    assert (delay.timed.kind, delay.timed.changed) == ("region-change", ("Q1",))
    assert delay.timed.phase.end == "settles"
    assert delay.timed.phase.end_voltage == pytest.approx(0.7)
    assert delay.duration == pytest.approx(22.0 * math.log(9 / 8.3), rel=1e-9)


def test_other_values_on_the_same_mode() -> None:
    """R6 alone sets the time constant and hardly the threshold; what no longer ends is ``None``."""
    study = Study(garden_light())
    delay = study.delays("typical")[0][0]
    halved = delay_with(study, delay, {("R6", "resistance"): 110e3})
    assert halved is not None
    assert halved.segments[0].duration == pytest.approx(delay.segments[0].duration / 2, rel=2e-3)
    fresh = Study(garden_light(r6=110e3)).delays("typical")[0][0]
    assert halved.duration == pytest.approx(fresh.duration, rel=1e-9)
    assert delay_with(study, delay, {("R6", "resistance"): 10e6}) is None


@pytest.mark.parametrize("corner", ["min", "typical", "max"])
def test_a_one_shot_runs_down_from_the_supply(corner: str) -> None:
    """47 kohm, 47 uF from 4.3 V to where b2 is at 0.7 V again: about 0.69 time constants or less."""
    delay = delay_of(one_shot(), corner)
    assert delay.timed.kind == "fold"
    assert delay.start == pytest.approx(4.2, abs=0.15)
    assert delay.timed.threshold == pytest.approx(-0.5, abs=0.01)
    assert not delay.opposed
    tau = 47e3 * 47e-6
    assert delay.duration == pytest.approx(tau * math.log((5.0 + delay.start - 0.2) / 4.3), rel=0.01)
