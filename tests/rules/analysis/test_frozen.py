"""Timed states: capacitors held and followed, against closed forms and an independent integration."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Mapping

import numpy as np
import pytest

from rules.analysis.configurations import configurations
from rules.analysis.frozen import Phase, follow, timed_states
from rules.analysis.resolve import Resolved, resolve
from rules.analysis.states import State, find_states
from schemas.circuit import Circuit, Part
from tests.builders import (
    amperes,
    battery,
    capacitor,
    circuit,
    contact,
    current_source,
    diode,
    film,
    led,
    npn,
    only_state,
    pnp,
    resistor,
    solve,
    supply,
    volts,
    zener,
)

# --- a garden path light: a press starts it, C1 ends it ----------------------------------------------------

GARDEN_LIGHT = circuit(
    battery("B1", "vb", "gnd", 9.0, 2.0),
    pnp("Q2", "out", "b2", "vb", 150.0),
    resistor("RB2", "vb", "b2", 10e3),
    resistor("R2", "b2", "c1", 470.0),
    npn("Q1", "c1", "b1", "e", 200.0),
    npn("Q3", "vb", "tm", "e", 200.0),
    resistor("RE", "e", "gnd", 3.3e3),
    resistor("R3", "out", "b1", 47e3),
    resistor("R4", "b1", "gnd", 39e3),
    resistor("R6", "out", "tm", 220e3),
    capacitor("C1", "tm", "gnd", 470e-6),
    film("C2", "b1", "gnd", 100e-9),
    diode("D1", "tm", "out"),
    resistor("R9", "out", "gnd", 4.7e3),
    resistor("R7", "out", "la", 560.0),
    led("LED", "la", "gnd", 3.0),
    contact("S1", "vb", "sw"),
    resistor("R8", "sw", "b1", 22e3),
)


def lit(state: State) -> bool:
    return state.devices["Q2"] == "saturated"


def test_garden_light_at_rest_has_one_state() -> None:
    state = only_state(GARDEN_LIGHT)
    assert set(state.devices.values()) == {"off"}
    assert (state.index, state.stable) == (1, True)


def test_garden_light_with_its_capacitor_still_empty() -> None:
    """Off, middle and lit; the lit state is no DC state, it needs the capacitor held."""
    found = solve(GARDEN_LIGHT, held={"C1": 0.0})
    assert found.complete
    seen = {(state.devices["Q1"], state.devices["Q2"]): (state.index, state.stable) for state in found.states}
    assert seen == {
        ("off", "off"): (1, True),
        ("active", "active"): (-1, False),
        ("active", "saturated"): (1, True),
    }
    (on,) = (state for state in found.stable if lit(state))
    # own computation by hand with the battery's 2 ohm left out: b1 3.888 V, e 3.188 V, I_C1 961.3 uA
    ideal = circuit(
        *(p for p in GARDEN_LIGHT.parts.values() if p.name != "B1"), supply("B1", "vb", "gnd", 9.0)
    )
    (by_hand,) = (state for state in solve(ideal, held={"C1": 0.0}).stable if lit(state))
    assert volts(by_hand, "b1") == pytest.approx(3.888, abs=0.0005)
    assert volts(by_hand, "e") == pytest.approx(3.188, abs=0.0005)
    assert volts(by_hand, "c1") == pytest.approx(7.848, abs=0.0005)
    assert amperes(by_hand, "Q1", "collector") == pytest.approx(961.3e-6, abs=0.05e-6)
    assert -amperes(by_hand, "B1", "plus") == pytest.approx(13.34e-3, abs=0.005e-3)
    # with it: out 8.77 V
    assert volts(on, "out") == pytest.approx(8.77, abs=0.005)


def test_garden_light_ends_in_a_fold() -> None:
    """Fold of C1 at 3.962 V after 62.32 s (own computation).

    This model lets the much faster C2 settle throughout.  An event run with C2 in place ends it when Q3
    begins to conduct, at 3.877 V and 60.3 s; a smooth Ebers-Moll run of the whole circuit gives 62.47 s.
    """
    (on,) = (state for state in solve(GARDEN_LIGHT, held={"C1": 0.0}).stable if lit(state))
    phase = follow(on, "C1")
    assert phase.end == "fold"
    assert phase.end_voltage == pytest.approx(3.962, abs=0.0005)
    assert phase.duration == pytest.approx(62.32, abs=0.005)
    first, second = phase.segments
    assert first.end == pytest.approx(3.877, abs=0.0005)
    assert first.duration == pytest.approx(60.297, abs=0.001)
    assert (first.devices["Q3"], second.devices["Q3"]) == ("off", "active")
    # beyond the fold only the state with Q2 off is left
    beyond = solve(GARDEN_LIGHT, held={"C1": phase.end_voltage + 1e-3})
    assert [state.devices["Q2"] for state in beyond.states] == ["off"]
    before = solve(GARDEN_LIGHT, held={"C1": phase.end_voltage - 1e-3})
    assert len(before.states) == 3


def test_garden_light_returns_to_rest() -> None:
    """D1 empties C1 to 0.714 V, then Q3 lets go: 11.2 s and 13.3 s after the end in the event run."""
    resolved = resolve(GARDEN_LIGHT)
    sets = tuple(find_states(resolved, made) for made in configurations(GARDEN_LIGHT)[0])
    (timed,) = (
        item
        for item in timed_states(sets, resolved, "typical")
        if item.capacitor == "C1" and item.configuration.contacts["S1"] == "open"
    )
    assert (timed.kind, timed.outcome, timed.charging) == ("fold", "settles", True)
    (after,) = timed.after
    assert after.end == "settles"
    assert after.end_voltage == 0.0
    stops = next(k for k, segment in enumerate(after.segments) if segment.devices["D1"] == "off")
    assert after.segments[stops].start == pytest.approx(0.714, abs=0.0005)
    assert sum(s.duration for s in after.segments[:stops]) == pytest.approx(71.5 - 60.297, abs=0.1)
    releases = next(k for k, segment in enumerate(after.segments) if segment.devices["Q3"] == "off")
    assert sum(s.duration for s in after.segments[:releases]) == pytest.approx(73.6 - 60.297, abs=0.1)


def test_garden_light_while_pressed() -> None:
    """C2 charges through the contact: Q1 on, Q2 on, Q2 saturated.

    0.186 ms, 0.255 ms, 0.319 ms: own computation by an event-driven run of the whole circuit.
    """
    (off,) = solve(GARDEN_LIGHT, held={"C1": 0.0, "C2": 0.0}, S1="closed").stable
    phase = follow(off, "C2")
    times = [sum(s.duration for s in phase.segments[:k]) for k in range(len(phase.segments))]

    def first(device: str, *wanted: str) -> float:
        named = zip(times, phase.segments, strict=True)
        return next(time for time, s in named if s.devices[device] in wanted)

    assert first("Q1", "active") == pytest.approx(0.186e-3, abs=0.5e-6)
    assert first("Q2", "active") == pytest.approx(0.255e-3, abs=0.5e-6)
    assert first("Q2", "saturated") == pytest.approx(0.319e-3, abs=0.5e-6)
    assert phase.end == "settles"


# --- closed forms ------------------------------------------------------------------------------------------


def followed(parts: Circuit | tuple[Part, ...], start: float = 0.0, name: str = "C1") -> Phase:
    subject = parts if isinstance(parts, Circuit) else circuit(*parts)
    return follow(only_state(subject, held={name: start}), name)


def rc_delay(ohms: float, farads: float, rail: float, gain: float, base: float) -> tuple[Part, ...]:
    return (
        supply("V1", "vp", "gnd", rail),
        resistor("R1", "vp", "u", ohms),
        capacitor("C1", "u", "gnd", farads),
        resistor("RB", "u", "b", base),
        npn("Q1", "c", "b", "gnd", gain),
        resistor("RC", "vp", "c", 4.7e3),
    )


@pytest.mark.parametrize(
    ("ohms", "farads", "rail", "start"),
    [(1e6, 10e-6, 9.0, 0.0), (47e3, 1e-9, 12.0, 0.0), (220e3, 470e-6, 1.5, 0.3), (1e3, 1e-12, 5.0, -4.0)],
)
def test_rc_delay_to_the_base_emitter_drop(ohms: float, farads: float, rail: float, start: float) -> None:
    """t = R C ln((V - V_0)/(V - 0.7)), then the base joins in (OpenStax, University Physics 2, sec. 10.5)."""
    phase = followed(rc_delay(ohms, farads, rail, 100.0, 10e3), start)
    wait, *later = phase.segments
    assert wait.devices["Q1"] == "off"
    assert wait.end == pytest.approx(0.7, rel=1e-9)
    assert wait.duration == pytest.approx(ohms * farads * math.log((rail - start) / (rail - 0.7)), rel=1e-9)
    assert wait.tau == pytest.approx(ohms * farads, rel=1e-9)
    assert wait.aim == pytest.approx(rail, rel=1e-9)
    assert later[0].devices["Q1"] == "active"
    # base conducting: R1 parallel RB, aiming between the rail and 0.7 V
    loaded = (rail / ohms + 0.7 / 10e3) / (1.0 / ohms + 1.0 / 10e3)
    assert later[0].tau == pytest.approx(farads / (1.0 / ohms + 1.0 / 10e3), rel=1e-9)
    assert later[0].aim == pytest.approx(loaded, rel=1e-9)
    assert phase.end == "settles"
    assert phase.end_voltage == pytest.approx(loaded, rel=1e-9)


@pytest.mark.parametrize(
    ("r1", "r2", "farads"), [(10e3, 22e3, 1e-6), (1e6, 470e3, 100e-6), (330.0, 1e3, 1e-3)]
)
def test_loaded_divider_charges_towards_its_tap(r1: float, r2: float, farads: float) -> None:
    """Thevenin source of the divider charges C; a zener at the tap's half marks a time on the way."""
    parts = (
        supply("V1", "vp", "gnd", 12.0),
        resistor("R1", "vp", "tap", r1),
        resistor("R2", "tap", "gnd", r2),
        capacitor("C1", "tap", "gnd", farads),
    )
    aim, tau = 12.0 * r2 / (r1 + r2), farads * r1 * r2 / (r1 + r2)
    (alone,) = followed(parts).segments
    assert alone.aim == pytest.approx(aim, rel=1e-9)
    assert alone.tau == pytest.approx(tau, rel=1e-9)
    assert not alone.complete
    assert math.isinf(alone.duration)
    assert alone.current_start == pytest.approx(12.0 / r1, rel=1e-9)
    marked = followed((*parts, zener("Z1", "x", "tap", aim / 2.0), resistor("RX", "x", "gnd", 1e3)))
    assert marked.segments[0].duration == pytest.approx(tau * math.log(2.0), rel=1e-9)
    assert marked.segments[0].current_end == pytest.approx(6.0 / r1, rel=1e-9)


def test_constant_current_charges_in_a_straight_line() -> None:
    """t = C dV / I; 10 uA into 47 uF up to a zener of 5.1 V: 23.97 s."""
    parts = (
        current_source("I1", "gnd", "u", 10e-6),
        capacitor("C1", "u", "gnd", 47e-6),
        zener("Z1", "gnd", "u", 5.1, resistance=100.0),
    )
    phase = followed(parts)
    assert phase.segments[0].duration == pytest.approx(47e-6 * 5.1 / 10e-6, rel=1e-9)
    assert phase.segments[0].tau is None
    assert phase.end_voltage == pytest.approx(5.1 + 1e-3, rel=1e-9)


def test_discharge_through_a_diode_leaves_its_drop() -> None:
    """From 8 V through 1 k and a diode: towards 0.7 V with R C, and there it stays."""
    parts = (capacitor("C1", "u", "gnd", 10e-6), diode("D1", "u", "x"), resistor("R1", "x", "gnd", 1e3))
    phase = followed(parts, 8.0)
    assert phase.segments[0].aim == pytest.approx(0.7, rel=1e-9)
    assert phase.segments[0].tau == pytest.approx(10e-3, rel=1e-9)
    assert phase.segments[0].current_start == pytest.approx(-7.3e-3, rel=1e-9)
    assert phase.end_voltage == pytest.approx(0.7, rel=1e-9)
    assert phase.end == "settles"


# --- against scipy.integrate.solve_ivp ---------------------------------------------------------------------


def one_transistor(dice: random.Random) -> tuple[Part, ...]:
    """An RC network on a base, with or without a divider, a diode, a shifted emitter."""
    rail = dice.choice((5.0, 9.0, 12.0, 24.0))
    parts = [
        supply("V1", "vp", "gnd", rail, dice.choice((None, 10.0))),
        resistor("R1", "vp", "u", dice.choice((47e3, 220e3, 1e6))),
        capacitor("C1", "u", "gnd", dice.choice((1e-6, 10e-6, 470e-6))),
        resistor("RB", "x", "b", dice.choice((1e3, 47e3))),
        npn("Q1", "c", "b", "e", dice.choice((50.0, 200.0))),
        resistor("RC", "vp", "c", dice.choice((1e3, 4.7e3))),
        resistor("RE", "e", "gnd", dice.choice((100.0, 1e3))),
        resistor("RT", "vp", "e", dice.choice((2.2e3, 10e3))),
    ]
    if dice.random() < 0.5:
        parts.append(resistor("R2", "u", "gnd", dice.choice((1e6, 2.2e6))))
    parts.append(diode("D1", "u", "x") if dice.random() < 0.5 else resistor("RX", "u", "x", 1e3))
    return tuple(parts)


def monostable(dice: random.Random) -> tuple[Part, ...]:
    """A latch whose tail current the charging capacitor steals: the lit state ends in a fold."""
    kept = {
        name: part for name, part in GARDEN_LIGHT.parts.items() if name not in ("R3", "R6", "C1", "C2", "Q1")
    }
    return (
        *kept.values(),
        npn("Q1", "c1", "b1", "e", dice.choice((80.0, 200.0, 400.0))),
        resistor("R3", "out", "b1", dice.choice((39e3, 47e3, 56e3))),
        resistor("R6", "out", "tm", dice.choice((100e3, 220e3, 330e3))),
        capacitor("C1", "tm", "gnd", dice.choice((10e-6, 100e-6, 470e-6))),
    )


def waiting(devices: Mapping[str, str]) -> bool:
    """The timed state of either family: the transistor still off, or the latch still lit."""
    return devices["Q2"] == "saturated" if "Q2" in devices else devices["Q1"] == "off"


class Frozen:
    """The charging current of C1 as a function of its voltage, read from the enumerated states alone."""

    def __init__(self, resolved: Resolved) -> None:
        self.resolved = resolved
        (self.configuration,) = configurations(resolved.circuit)[0][:1]
        self.farads = resolved.value("C1", "capacitance")

    def state(self, u: float) -> State | None:
        """The timed state at u, ``None`` where it has ceased to exist.

        By its index alone: a few millivolts before the fold Q2 leaves saturation so little that the smooth
        junctions behind ``stable`` already run away, while the piecewise-linear state still exists.
        """
        found = find_states(self.resolved, self.configuration, held={"C1": u}).states
        alive = [state for state in found if waiting(state.devices) and state.index == 1]
        assert len(alive) <= 1
        return alive[0] if alive else None

    def threshold(self, highest: float) -> float:
        """Where the state ends, by bisection."""
        low, high = 0.0, highest
        while high - low > 1e-9:
            middle = 0.5 * (low + high)
            low, high = (low, middle) if self.state(middle) is None else (middle, high)
        return low

    def time(self, threshold: float) -> float:
        """C du/dt = i(u) from 0 V, integrated as dt/du = C/i(u), so that no step leaves the state."""
        from scipy.integrate import solve_ivp

        def rate(u: float, _: np.ndarray) -> list[float]:
            state = self.state(u)
            assert state is not None
            return [self.farads / amperes(state, "C1", "plus")]

        run = solve_ivp(rate, (0.0, threshold), [0.0], rtol=1e-6, atol=1e-12)
        assert run.success
        return float(run.y[0, -1])


def end_of_wait(phase: Phase) -> tuple[float, float]:
    """The same end read from the followed course."""
    pieces = list(itertools.takewhile(lambda segment: waiting(segment.devices), phase.segments))
    return sum(segment.duration for segment in pieces), pieces[-1].end


@pytest.mark.parametrize("seed", range(24))
def test_against_numerical_integration(seed: int) -> None:
    """Threshold and time of random timed circuits against a Runge-Kutta run: 1e-6 and 1e-4."""
    dice = random.Random(1000 + seed)
    fold = seed % 4 == 0
    subject = circuit(*(monostable(dice) if fold else one_transistor(dice)))
    resolved = resolve(subject)
    (start,) = (s for s in solve(resolved, held={"C1": 0.0}).stable if waiting(s.devices))
    phase = follow(start, "C1")
    time, threshold = end_of_wait(phase)
    model = Frozen(resolved)
    reference = model.threshold(24.0)
    assert (phase.end == "fold") is fold
    assert threshold == pytest.approx(reference, rel=1e-6)
    assert math.isfinite(time)
    assert time == pytest.approx(model.time(reference), rel=1e-4)


@pytest.mark.parametrize("name", ["A1", "S1"])
def test_timed_state_of_an_rc_delay(name: str) -> None:
    """Opening a contact across the capacitor starts it; it ends when the transistor turns on.

    While the contact is closed nothing waits for the capacitor, whichever of the two names comes first.
    """
    subject = circuit(*rc_delay(1e6, 10e-6, 9.0, 100.0, 10e3), contact(name, "u", "gnd", "closed"))
    resolved = resolve(subject)
    sets = tuple(find_states(resolved, made) for made in configurations(subject)[0])
    (delay,) = timed_states(sets, resolved, "typical")
    assert (delay.capacitor, delay.kind, delay.changed) == ("C1", "region-change", ("Q1",))
    assert delay.configuration.contacts == {name: "open"}
    assert delay.threshold == pytest.approx(0.7, rel=1e-9)
    assert delay.duration == pytest.approx(10.0 * math.log(9.0 / 8.3), rel=1e-9)
    assert delay.current == pytest.approx(8.3e-6, rel=1e-9)
    assert (delay.start, delay.charging) == (0.0, True)
