"""Intervals, points and the names of corners."""

from __future__ import annotations

import pytest

from rules.analysis.corners.labels import label
from rules.analysis.corners.parameters import (
    DIODE,
    TEMPERATURE,
    VBE,
    Parameter,
    at,
    nominal_point,
    parameters,
)
from rules.analysis.part_types import minimum_beta
from rules.analysis.resolve import Resolved, resolve
from schemas.circuit import Ambient, Beta, Part, Tolerance
from tests.builders import (
    amperes,
    battery,
    capacitor,
    circuit,
    coil,
    current_source,
    diode,
    inductor,
    led,
    npn,
    only_state,
    pnp,
    resistor,
    solve,
    zener,
)
from tests.latch import LATCH

FROST = Ambient(263.15, 288.15, 318.15)


def bench(*more: Part) -> Resolved:
    return resolve(
        circuit(
            battery("BT1", "vp", "gnd", 9.0, low=6.5, high=9.6),
            resistor("R1", "vp", "b", 100e3, tolerance=Tolerance(-0.05, 0.05)),
            resistor("R2", "vp", "c", 1e3, tolerance=Tolerance(-0.01, 0.02)),
            npn("Q1", "c", "b", "gnd", Beta(50.0, 100.0, 300.0)),
            *more,
            ambient=FROST,
        )
    )


def found(resolved: Resolved) -> dict[tuple[str, str], Parameter]:
    return {p.key: p for p in parameters(resolved)}


def test_every_toleranced_quantity_is_an_interval() -> None:
    more = (
        coil("K1", "vp", "k", 360.0, tolerance=Tolerance(-0.1, 0.1)),
        inductor("L1", "k", "m", 1e-3, resistance=2.0),
        capacitor("C1", "m", "gnd", 100e-6, tolerance=Tolerance(-0.2, 0.5)),
        zener("Z1", "gnd", "m", 5.1, tolerance=Tolerance(-0.05, 0.05)),
        led("D1", "m", "gnd", 1.9),
        diode("D2", "m", "gnd"),
        pnp("Q2", "m", "c", "vp", Beta(None, 80.0, None)),
        current_source("I1", "gnd", "m", 1e-3),
    )
    ends = {key: (p.low, p.nominal, p.high) for key, p in found(bench(*more)).items()}
    expected = {
        ("BT1", "voltage"): (6.5, 9.0, 9.6),
        ("C1", "capacitance"): (80e-6, 100e-6, 150e-6),
        ("D1", "forward"): (1.7, 1.9, 2.1),
        ("K1", "resistance"): (324.0, 360.0, 396.0),
        ("L1", "inductance"): (0.95e-3, 1e-3, 1.05e-3),
        ("L1", "resistance"): (1.9, 2.0, 2.1),
        ("Q1", "beta"): (50.0, 100.0, 300.0),
        ("R1", "resistance"): (95e3, 100e3, 105e3),
        ("R2", "resistance"): (990.0, 1e3, 1.02e3),
        ("Z1", "zener"): (4.845, 5.1, 5.355),
        VBE: (0.65, 0.7, 0.75),
        DIODE: (0.65, 0.7, 0.75),
        TEMPERATURE: (263.15, 298.15, 318.15),
    }
    assert sorted(ends) == sorted(expected)  # the single gain of Q2 has no width
    for key, values in expected.items():
        assert ends[key] == pytest.approx(values), key


def test_the_order_and_the_source_of_an_interval() -> None:
    listed = parameters(bench())
    assert [p.key for p in listed] == [
        ("Q1", "beta"),
        ("BT1", "voltage"),
        ("R1", "resistance"),
        ("R2", "resistance"),
        VBE,
        TEMPERATURE,
    ]
    gain, supply, first, _, drop, temperature = listed
    assert (gain.origin, supply.pointer, first.pointer) == (
        "declared",
        "/parts/BT1/low",
        "/parts/R1/tolerance",
    )
    assert (drop.origin, drop.pointer) == ("assumed", "/assumptions/junction_spread")
    assert (temperature.origin, temperature.pointer) == ("declared", "/ambient")


def test_the_least_gain_of_a_published_type_is_read_at_the_current_of_the_state() -> None:
    parts = (
        battery("BT1", "vp", "gnd", 9.0),
        resistor("R1", "vp", "b", 2.2e6),
        resistor("R2", "vp", "c", 10e3),
        npn("Q1", "c", "b", "gnd", type="2N3904"),
    )
    state = only_state(circuit(*parts))
    gain = next(p for p in parameters(state.mode.network.resolved, state) if p.kind == "gain")
    assert gain.floating
    assert gain.low == minimum_beta("2N3904", amperes(state, "Q1", "collector")).value
    assert gain.low < next(p for p in parameters(state.mode.network.resolved) if p.kind == "gain").low


def test_an_interval_of_the_temperature_holds_25_degc() -> None:
    hot = resolve(circuit(*LATCH, ambient=Ambient(313.15, 323.15, 333.15)))
    interval = found(hot)[TEMPERATURE]
    assert (interval.low, interval.nominal, interval.high) == (298.15, 298.15, 333.15)


def test_the_nominal_point_is_the_circuit_as_it_stands() -> None:
    resolved = resolve(circuit(*LATCH))
    there, betas = at(resolved, nominal_point(parameters(resolved)))
    assert betas == {"Q1": 200.0, "Q2": 150.0}
    for one, other in zip(solve(resolved).states, solve(there).states, strict=True):
        assert one.nets == other.nets
        assert one.currents == other.currents


def test_temperature_moves_every_drop_and_every_gain() -> None:
    resolved = bench(led("D1", "c", "gnd", 1.9), diode("D2", "c", "gnd"))
    there, betas = at(resolved, {TEMPERATURE: 298.15 + 20.0, DIODE: 0.75, ("Q1", "beta"): 50.0})
    # -2 mV and +0.5 % per kelvin: silicon rules of thumb, from memory
    assert there.assumptions["vbe_on"] == pytest.approx(0.66)
    assert there.assumptions["vbe_off"] == pytest.approx(0.41)
    assert there.assumptions["vce_sat"] == resolved.assumptions["vce_sat"]
    assert there.value("D1", "forward") == pytest.approx(1.86)
    assert there.value("D2", "forward") == pytest.approx(0.71)
    assert betas == {"Q1": pytest.approx(55.0)}
    assert {there.beta("Q1", corner).value for corner in ("min", "typical", "max")} == {betas["Q1"]}


def test_gains_and_drops_stay_positive_far_below_room_temperature() -> None:
    there, betas = at(bench(), {TEMPERATURE: 60.0, VBE: 0.7})
    assert betas["Q1"] > 0.0
    there, _ = at(bench(), {TEMPERATURE: 700.0})
    assert there.assumptions["vbe_off"] > 0.0


def test_a_point_that_names_an_unknown_part_is_refused() -> None:
    with pytest.raises(KeyError, match="R99"):
        at(bench(), {("R99", "resistance"): 1.0})


@pytest.mark.parametrize(
    ("point", "words"),
    [
        ({}, "nominal"),
        (
            {("Q1", "beta"): 50.0, ("BT1", "voltage"): 6.5, ("R2", "resistance"): 990.0},
            "beta min, BT1 6.5 V, R2 -1 %",
        ),
        ({("R1", "resistance"): 105e3, TEMPERATURE: 263.15, VBE: 0.75}, "R1 +5 %, V_BE 0.75 V, -10 degC"),
        ({("Q1", "beta"): 120.0, ("R1", "resistance"): 100e3}, "Q1 beta 120"),
        ({("Q1", "beta"): 300.0}, "beta max"),
    ],
)
def test_names_of_corners(point: dict[tuple[str, str], float], words: str) -> None:
    assert label(point, parameters(bench())) == words


def test_gains_that_go_different_ways_are_named_one_by_one() -> None:
    listed = parameters(bench(pnp("Q2", "m", "c", "vp", Beta(60.0, 80.0, 90.0))))
    point = {("Q1", "beta"): 50.0, ("Q2", "beta"): 90.0}
    assert label(point, listed) == "Q1 beta min, Q2 beta max"
    assert label(point, listed, [("Q2", "beta")]) == "Q2 beta max"


def test_assumed_spreads_are_taken_from_the_document() -> None:
    resolved = resolve(circuit(*LATCH, assumptions={"junction_spread": 0.1, "vbe_on": 0.65}))
    interval = found(resolved)[VBE]
    assert [interval.low, interval.high] == pytest.approx([0.55, 0.75])
    assert interval.origin == "declared"
