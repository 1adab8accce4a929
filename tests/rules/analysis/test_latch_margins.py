"""Margins of latches against their definition: bisection on the enumerated states, and seeded samples."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from rules.analysis.latches.find import Latch, latches
from rules.analysis.latches.heat import hottest
from rules.analysis.latches.margins import as_written, at_worst, holding, reserve
from rules.analysis.study import Study
from schemas.circuit import Circuit, Part, frozen_map
from tests.builders import current_source, led, load, npn, pnp, resistor, solve, supply
from tests.latches import bench


def some_latch(seed: int, toleranced: bool = False) -> Circuit:
    """A PNP/NPN latch of random values that rests in two places; every third drives an LED."""
    rng = np.random.default_rng(seed)
    while True:
        beta_1, beta_2 = (float(rng.uniform(60, 400)) for _ in range(2))
        volts = float(rng.uniform(5, 15))

        def ohms(low: float, high: float) -> float:
            return float(np.exp(rng.uniform(math.log(low), math.log(high))))

        parts: list[Part] = [
            supply("V1", "vp", "gnd", volts, low=0.9 * volts, high=1.05 * volts),
            pnp("Q2", "out", "b2", "vp", beta_2, icbo=float(rng.uniform(5e-9, 500e-9))),
            resistor("RB2", "vp", "b2", ohms(2e3, 300e3)),
            resistor("R2", "b2", "c1", ohms(500.0, 22e3)),
            npn("Q1", "c1", "b1", "gnd", beta_1, icbo=float(rng.uniform(5e-9, 500e-9))),
            resistor("RB1", "b1", "gnd", ohms(5e3, 300e3)),
            resistor("R3", "out", "b1", ohms(10e3, 300e3)),
        ]
        if seed % 3 == 0:
            parts += [resistor("R7", "out", "lamp", ohms(220.0, 2e3)), led("D1", "lamp", "gnd", 2.0)]
        else:
            parts.append(load("RL", "out", "gnd", ohms(200.0, 5e3)))
        subject = bench(*parts, toleranced=toleranced)
        if all(on(solve(each, corner="min")) for each in (subject, scaled(subject, 1.0 / 1.2))):
            return subject


def on(found: object) -> bool:
    """True when the on state is there and its output saturated."""
    return any(
        state.devices["Q1"] != "off" and state.devices["Q2"] == "saturated" and state.index == 1
        for state in found.states  # type: ignore[attr-defined]
    )


def with_values(subject: Circuit, **values: dict[str, object]) -> Circuit:
    parts = {
        name: Part(name, part.kind, part.pins, frozen_map({**part.values, **values.get(name, {})}))
        for name, part in subject.parts.items()
    }
    return replace(subject, parts=frozen_map(parts))


def scaled(subject: Circuit, factor: float) -> Circuit:
    """The same with the gains of both transistors times a factor."""
    kept = [part for part in subject.parts.values() if part.kind not in ("npn", "pnp")]
    made = []
    for part in subject.parts.values():
        if part.kind in ("npn", "pnp"):
            beta = part.values["beta"]
            nets = (part.pins["collector"], part.pins["base"], part.pins["emitter"])
            make = npn if part.kind == "npn" else pnp
            made.append(make(part.name, *nets, factor * beta.minimum, icbo=part.values["icbo"]))  # type: ignore[union-attr,operator]
    return replace(subject, parts=frozen_map({part.name: part for part in (*kept, *made)}))


def edge(there: Callable[[float], bool], low: float, high: float) -> float:
    """Where, on a logarithmic scale, a state appears: absent at ``low``, there at ``high``."""
    assert not there(low)
    assert there(high)
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if there(middle) else (middle, high)
    return high


def the_latch(subject: Circuit) -> Latch:
    (latch,) = latches(Study(subject))
    return latch


@pytest.mark.parametrize("seed", range(12))
def test_reserve_of_gain_is_that_of_bisection(seed: int) -> None:
    subject = some_latch(seed)
    latch = the_latch(subject)
    expected = 1.0 / edge(lambda f: on(solve(scaled(subject, f), corner="min")), 1e-3, 1.0)
    assert as_written(latch, latch.ons[0], reserve).value == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("seed", range(12))
def test_holding_voltage_is_that_of_bisection(seed: int) -> None:
    subject = some_latch(seed)
    latch = the_latch(subject)
    volts = subject.parts["V1"].number("voltage") or 0.0

    def there(share: float) -> bool:
        lower = with_values(subject, V1=dict.fromkeys(("voltage", "low", "high"), share * volts))
        return any(
            {"Q1", "Q2"} <= {n for n, region in s.devices.items() if region != "off"} and s.index == 1
            for s in solve(lower, corner="min").states
        )

    expected = edge(there, 1e-2, 1.0)
    assert as_written(latch, latch.ons[0], holding).value == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("seed", range(12))
def test_critical_temperature_is_that_of_bisection(seed: int) -> None:
    """Leakage as two current sources of the document, V_BE,off as the drop of its transistors."""
    subject = some_latch(seed)
    latch = the_latch(subject)

    def lost(warmer: float) -> bool:
        celsius = warmer - 100.0  # from -55 degC on, so that the scale may be logarithmic
        growth, drop = 2.0 ** ((celsius - 25.0) / 10.0), 0.45 - 0.002 * (celsius - 25.0)
        leaks = []
        for name, base_first in (("Q1", False), ("Q2", True)):
            pins = subject.parts[name].pins
            ends = (pins["base"], pins["collector"]) if base_first else (pins["collector"], pins["base"])
            amperes = (subject.parts[name].number("icbo") or 0.0) * growth
            leaks.append(current_source(f"I{name}", *ends, amperes))
        hot = bench(*subject.parts.values(), *leaks, assumptions={"vbe_on": drop, "vce_sat": -5.0})
        if "D1" in hot.parts:
            hot = with_values(hot, D1={"forward": 2.0 - 0.002 * (celsius - 25.0)})
        return not any(s.devices["Q1"] == s.devices["Q2"] == "off" for s in solve(hot, corner="max").states)

    expected = edge(lost, 45.0, 300.0) - 100.0
    found = as_written(latch, latch.rests[0], hottest).value - 273.15
    assert found == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_no_sample_is_worse_than_the_worst_corner(seed: int) -> None:
    """Resistances and supply anywhere within their tolerances, at either end of the ambient temperature."""
    subject = some_latch(100 + seed, toleranced=True)
    latch = the_latch(subject)
    worst = [at_worst(latch, latch.ons[0], measure).value for measure in (reserve, holding)]
    hot = at_worst(latch, latch.rests[0], hottest).value
    rng = np.random.default_rng(seed)
    for _ in range(12):
        values = {
            name: {"resistance": (part.number("resistance") or 0.0) * float(rng.choice([0.95, 1.0, 1.05]))}
            for name, part in subject.parts.items()
            if part.kind in ("resistor", "load")
        }
        volts = subject.parts["V1"].number("voltage") or 0.0
        least = volts * float(rng.choice([0.9, 1.0, 1.05]))
        sample = with_values(subject, **values, V1={"voltage": least, "low": least, "high": least})
        cold = 1.0 - 0.005 * 25.0
        drops = dict.fromkeys(("resistor_tolerance", "junction_spread", "led_spread"), 0.0)
        chilled = replace(
            scaled(sample, cold),
            assumptions={**drops, "vbe_on": 0.75, "diode_forward": 0.75, "led_forward": 2.05},
        )
        if "D1" in chilled.parts:
            chilled = with_values(chilled, D1={"forward": 2.05})
        other = the_latch(chilled)
        assert as_written(other, other.ons[0], reserve).value >= worst[0] * (1.0 - 1e-5)
        share = as_written(other, other.ons[0], holding).value * least / volts
        assert share <= worst[1] * (1.0 + 1e-5)
        assert as_written(the_latch(sample), other.rests[0], hottest).value >= hot - 0.01
