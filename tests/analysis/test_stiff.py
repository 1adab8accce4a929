"""The stiff integration itself: order of the method, closed forms, what halving everything changes."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from schemas.circuit import Action, frozen_map
from tests import rodas
from tests.builders import capacitor, circuit, coil, contact, diode, press, resistor, solve, supply
from tests.modes_in_time import disagreements
from tests.random_timed import Timed, initial_nets, timed
from tests.stiff import Trace, integrate
from tests.stiff_equations import Fineness
from tests.timers import garden_light

FINER = Fineness(
    width=1e-8, resistance=5e-6, contact=1e-4, share=3e-10, relative=5e-7, absolute=5e-8, amperes=5e-3
)


def test_order_of_the_method() -> None:
    """Halving the step divides the error of a nonlinear pair by about 16."""

    def force(y: np.ndarray) -> np.ndarray:
        return np.array([y[1], (1.0 - y[0] ** 2) * y[1] - y[0]])

    def slope(y: np.ndarray) -> np.ndarray:
        return -np.array([[0.0, 1.0], [-2.0 * y[0] * y[1] - 1.0, 1.0 - y[0] ** 2]])

    def at_one(steps: int) -> np.ndarray:
        y, h = np.array([0.5, 1.0]), 1.0 / steps
        for _ in range(steps):
            factors = rodas.factorised(np.eye(2), slope(y), h)
            assert factors is not None
            y, _ = rodas.step(factors, np.eye(2), force, force(y), y, h)
        return y

    best = at_one(2560)
    errors = [np.abs(at_one(steps) - best).max() for steps in (40, 80, 160, 320)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert orders == pytest.approx(4.0, abs=0.3)


def test_charge_and_coil() -> None:
    """RC: u = E (1 - exp(-t/RC)); coil with diode: L/R ln((I R + Vd)/Vd) until the current stops."""
    subject = circuit(
        supply("V1", "rail", "gnd", 12.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "u", 10e3),
        capacitor("C1", "u", "gnd", 1e-6),
        contact("S2", "rail", "k"),
        coil("K1", "k", "gnd", 400.0, inductance=0.6),
        diode("D1", "gnd", "k"),
        stimuli=frozen_map({"go": (Action(0.0, "S1", "closed"), *press("S2", 0.05))}),
    )
    trace = integrate(subject, subject.stimuli["go"], {"rail": 12.0}, scale=0.05)
    rising = trace.times < 0.05
    expected = -12.0 * np.expm1(-trace.times[rising] / 0.01)
    assert trace.at("u")[rising] == pytest.approx(expected, rel=1e-5, abs=1e-4)
    initial = 0.03 * -math.expm1(-0.05 * 400.0 / 0.6)
    stops = [time for time, codes in trace.codes if codes[0] == 0][-1]
    assert stops - 0.05 == pytest.approx(0.6 / 400.0 * math.log((initial * 400.0 + 0.7) / 0.7), rel=2e-4)


def run(case: Timed, fine: Fineness | None = None) -> Trace:
    cold = case.start == "power-up"
    start = {} if cold else initial_nets(solve(case.circuit).stable[0].nets, case.circuit)
    return integrate(case.circuit, case.actions, start, scale=case.scale, cold=cold, fine=fine)


CASES = (
    ("charge_switch", 1),
    ("hold_on", 0),
    ("one_shot", 1),
    ("astable", 2),
    ("self_resetting", 4),
    ("relay", 0),
    ("trigger", 1),
    ("coupled", 1),
    ("ringing", 3),
    ("flasher", 2),
    ("graph", 0),
)


@pytest.mark.slow
@pytest.mark.parametrize(("family", "seed"), CASES)
def test_halving_everything_changes_nothing(family: str, seed: int) -> None:
    """Narrower junctions, smaller strays and closer tolerances move no event by 0.02 %."""
    case = timed(family, seed)
    usual, finer = run(case), run(case, FINER)
    assert usual.ended == finer.ended
    end = min(usual.times[-1], finer.times[-1])
    moments = [action.at for action in case.actions]
    found = disagreements(usual.codes, finer.codes, end, moments, floor=1e-6 * case.scale)
    assert not found or found[0].share < 2e-4, found[0]
    if usual.period is not None:
        assert usual.period == pytest.approx(finer.period, rel=1e-4)
    else:
        assert usual.voltages[-1] == pytest.approx(finer.voltages[-1], abs=1e-3)


def test_an_unstable_state_is_not_walked_along() -> None:
    """The latch of the garden light lets go when Q2 leaves saturation, not whenever a step happens to notice.

    By then Q1 and Q3 share the tail at equal base voltages v, which rise with C1:
    i_B1 = (out - v)/R3 - v/R4 - C2 v', and Q2 is at the edge with 150 (200 i_B1 - 0.7 V/RB2) = load current.
    """
    light = garden_light()
    start = {"vb": 9.0, "b2": 9.0, "c1": 9.0}
    trace = integrate(light, light.stimuli["press"], start, scale=110.0)
    lets_go = int(np.argmax((trace.times > 1.0) & (trace.at("out") < 5.0)))
    before = int(np.searchsorted(trace.times, trace.times[lets_go] - 0.5))
    edge, out = trace.at("tm")[lets_go], trace.at("out")[before]
    rise = (edge - trace.at("tm")[before]) / (trace.times[lets_go] - trace.times[before])
    load = (out - 3.0) / 560.0 + out / 4.7e3 + (out - edge) / 47e3 + (out - edge) / 220e3
    base = (out - edge) / 47e3 - edge / 39e3 - 100e-9 * rise
    assert 150.0 * (200.0 * base - 0.7 / 10e3) == pytest.approx(load, rel=2e-3)
    rougher = replace(Fineness(), width=1e-6, resistance=1e-4, share=1e-7)
    again = integrate(
        light, light.stimuli["press"], {"vb": 9.0, "b2": 9.0, "c1": 9.0}, scale=110.0, fine=rougher
    )
    later = int(np.argmax((again.times > 1.0) & (again.at("out") < 5.0)))
    assert trace.times[lets_go] == pytest.approx(again.times[later], rel=1e-4)
