"""States at values far apart: milliohms to megohms, gains of 1 to a million, rails of 0 to 400 V."""

from __future__ import annotations

import itertools
import math

import pytest

from rules.analysis.resolve import resolve
from tests.builders import (
    amperes,
    circuit,
    load,
    npn,
    pnp,
    resistor,
    solve,
    supply,
    volts,
)
from tests.latch import LATCH, regions, sound, without

OHMS = (1e-3, 1.0, 1e4, 1e8)
GAINS = (1.0, 100.0, 1e6)
RAILS = (0.0, 0.5, 12.0, 400.0)


@pytest.mark.parametrize(("rb", "rc"), list(itertools.product(OHMS, OHMS)))
def test_extreme_switch(rb: float, rc: float) -> None:
    """One switch has one state at any values, and its currents follow from Ohm's law.

    What binary numbers cannot hold is allowed: the collector current of a deeply saturated transistor is the
    difference of two junction currents of the size of its base current, and its rounding drops across R_C.
    """
    for gain, rail in itertools.product(GAINS, RAILS):
        parts = (
            supply("V1", "vp", "gnd", rail),
            resistor("RB", "vp", "b", rb),
            resistor("RC", "vp", "c", rc),
            npn("Q1", "c", "b", "gnd", gain),
        )
        found = solve(circuit(*parts))
        assert found.complete, found.reason
        (state,) = found.states
        base = max(0.0, (rail - 0.7) / rb)
        wanted, passed = gain * base, max(0.0, (rail - 0.2) / rc)
        region = "off" if base == 0.0 else "active" if wanted < passed else "saturated"
        collector = min(wanted, passed)
        assert state.devices == {"Q1": region}
        rounding = 4e-15 * (base + collector)
        assert amperes(state, "Q1", "base") == pytest.approx(base, rel=1e-9, abs=1e-15)
        assert amperes(state, "Q1", "collector") == pytest.approx(collector, rel=1e-9, abs=rounding)
        at = 0.2 if region == "saturated" else rail - collector * rc
        assert volts(state, "c") == pytest.approx(at, abs=1e-9 * max(1.0, rail) + rounding * rc)
        assert state.stable


@pytest.mark.parametrize("scale", [1e-4, 1e-2, 1.0, 1e2, 1e4])
def test_states_of_a_latch_do_not_depend_on_the_impedance(scale: float) -> None:
    """All resistors times the same factor: the same voltages, the currents divided."""
    scaled = tuple(
        resistor(item.name, item.pins["a"], item.pins["b"], (item.number("resistance") or 0.0) * scale)
        if item.kind == "resistor"
        else load("RL", "out", "gnd", 1e3 * scale)
        if item.kind == "load"
        else item
        for item in LATCH
    )
    found, plain = sound(solve(circuit(*scaled))), solve(circuit(*LATCH))
    assert found.complete
    assert set(regions(found)) == set(regions(plain))
    for key, state in regions(found).items():
        for net, value in regions(plain)[key].nets.items():
            assert state.nets[net] == pytest.approx(value, rel=1e-9, abs=1e-9)
        expected = amperes(regions(plain)[key], "V1", "plus")
        assert amperes(state, "V1", "plus") * scale == pytest.approx(expected, rel=1e-8, abs=1e-15)


@pytest.mark.parametrize(("rail", "gain"), list(itertools.product(RAILS, (2.0, 1e3, 1e6))))
def test_latch_at_extreme_rails_and_gains(rail: float, gain: float) -> None:
    parts = (
        *without(LATCH, "V1", "Q1", "Q2"),
        supply("V1", "vp", "gnd", rail),
        npn("Q1", "c1", "b1", "gnd", gain),
        pnp("Q2", "out", "b2", "vp", gain),
    )
    found = sound(solve(circuit(*parts)))
    assert found.complete, found.reason
    # it holds where the rail feeds R3 and RB1, and the loop has gain to spare
    assert len(found.states) == (3 if rail > 5.0 and gain > 10.0 else 1)
    assert sum(state.index or 0 for state in found.states) == 1


def test_every_number_is_finite_or_undefined() -> None:
    resolved = resolve(circuit(*without(LATCH, "RB1", "RB2", "RL")))
    for corner in ("min", "typical", "max"):
        for state in solve(resolved, corner=corner).states:
            shown = [*state.nets.values(), *state.power.values()]
            shown += [current for pins in state.currents.values() for current in pins.values()]
            assert all(value is None or math.isfinite(value) for value in shown)
