"""States of random circuits with values eleven decades apart against exact rational arithmetic.

The exact solver tries every set of regions; it is the oracle for what double precision may lose: a state
missed, a state too many, a voltage that is wrong.  Values on the very border of two regions follow.
"""

from __future__ import annotations

import math
import random
from collections import Counter

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.resolve import resolve
from rules.analysis.states import find_states
from schemas.circuit import Circuit, Part
from tests import builders as b
from tests import random_circuits as make
from tests.exact import CHOICES, Singular, exact_states
from tests.physics import complaints

RUNAWAY = 1e3  # A; a state that carries more may be told as a short instead


class Wide(make.Maker):
    """Draws from everything a document may hold instead of from what a bench has."""

    decades = (-3, 7)

    def resistor(self, a: str, c: str, low: int = 1, high: int = 4) -> None:
        value = float(f"{self.dice.choice(make.DECADE) / 10}e{self.dice.randint(*self.decades)}")
        self.parts.append(b.resistor(self.name("R"), a, c, value))

    def transistor(self, kind: str, collector: str, base: str, emitter: str) -> None:
        gain = 10.0 ** self.dice.randint(0, 6)
        kinds = {"npn": b.npn, "pnp": b.pnp}
        self.parts.append(kinds[kind](self.name("Q"), collector, base, emitter, gain))

    def rail(self, net: str, volts: float | None = None, *, ideal: bool | None = None) -> float:
        volts = self.dice.choice((0.0, 0.1, 0.7, 1.5, 12.0, 100.0, 400.0)) if volts is None else volts
        inner = self.dice.choice((None, 1e-3, 1.0, 1e3))
        self.parts.append(b.supply(self.name("V"), net, "gnd", volts, inner))
        return volts


class Moderate(Wide):
    decades = (0, 6)


def wide(seed: int, kind: type[Wide]) -> Circuit:
    """A latch, a pair, a trigger or a few parts at random, with values from the whole range."""
    maker = kind(random.Random(seed))
    dice = maker.dice
    maker.rail("vp")
    shape = dice.choice((make._latch, make._pair, make._trigger, None))
    if shape is not None:
        shape(maker, "a")
        return b.circuit(*maker.parts, name=f"wide-{seed}")
    nets = ["n1", "n2", "n3", "n4"]
    for _ in range(dice.choice((1, 2, 2))):
        maker.transistor(dice.choice(("npn", "pnp")), *dice.sample([*nets, "vp", "gnd"], 3))
    if dice.random() < 0.3:
        maker.parts.append(b.zener("Z1", *dice.sample([*nets, "gnd"], 2), 5.1))
    for net in nets:
        maker.resistor(net, dice.choice(("vp", "gnd")))
    for _ in range(4):
        maker.resistor(*dice.sample([*nets, "vp", "gnd"], 2))
    return b.circuit(*maker.parts, name=f"wide-{seed}")


@pytest.mark.parametrize(
    ("kind", "accuracy", "least"),
    [
        # moderate: 1 ohm to 8.2 Mohm; wide: 1 mohm to 82 Mohm
        (Moderate, 1e-6, {"one": 180, "several": 12}),
        (Wide, 1e-5, {"one": 200, "several": 6}),
    ],
)
def test_states_of_wide_ranging_values_are_exact(
    kind: type[Wide], accuracy: float, least: dict[str, int]
) -> None:
    seen: Counter[str] = Counter()
    for seed in range(260):
        resolved = resolve(wide(seed, kind))
        rest = configurations(resolved.circuit)[0][0]
        try:
            wanted = exact_states(resolved, rest)
        except Singular:
            seen["undetermined"] += 1
            continue
        found = find_states(resolved, rest)
        reported = {tuple(state.devices.items()): state for state in found.states}
        assert len(reported) == len(found.states), f"seed {seed}: a state twice"
        for state in wanted:
            same = reported.pop(tuple(sorted(state.devices.items())), None)
            if same is None:
                assert max(state.currents.values()) > RUNAWAY, f"seed {seed}: missed {state.devices}"
                assert found.faults, f"seed {seed}: missed {state.devices} in silence"
                continue
            for net, exact in state.nets.items():
                assert b.volts(same, net) == pytest.approx(float(exact), rel=accuracy, abs=accuracy), (
                    f"seed {seed}, {same.name}, {net}"
                )
        assert not reported, f"seed {seed}: too many: {[state.name for state in reported.values()]}"
        if wanted:
            assert found.complete or found.faults, f"seed {seed}: {found.reason}"
        else:
            assert found.faults, f"seed {seed}: no state, and no fault told"
            assert not found.complete, f"seed {seed}"
        seen["several" if len(wanted) > 1 else "one" if wanted else "none"] += 1
    assert all(seen[what] >= count for what, count in least.items()), seen


@pytest.mark.parametrize("first", [0, 150])
def test_states_of_ordinary_values_are_exact(first: int) -> None:
    compared = 0
    for seed in range(first, first + 150):
        resolved = resolve(make.mixed(seed))
        rest = configurations(resolved.circuit)[0][0]
        kinds = [part.kind for part in resolved.circuit.parts.values()]
        if math.prod(len(CHOICES.get(kind, (1,))) for kind in kinds) > 64:
            continue
        try:
            wanted = exact_states(resolved, rest)
        except Singular:
            continue
        found = find_states(resolved, rest)
        exact = {tuple(sorted(state.devices.items())): state for state in wanted}
        assert {tuple(state.devices.items()) for state in found.states} == set(exact), f"seed {seed}"
        for state in found.states:
            for net, value in exact[tuple(state.devices.items())].nets.items():
                assert b.volts(state, net) == pytest.approx(float(value), rel=1e-8, abs=1e-8), (seed, net)
                compared += 1
    assert compared >= 200, compared


# --- on the border of two regions --------------------------------------------------------------------------

V10 = b.supply("V1", "vp", "gnd", 10.0)
BORDERS: dict[str, tuple[tuple[Part, ...], dict[str, float]]] = {
    # 0.7 V from an unloaded 9:1 divider: the junction is at its drop and carries nothing
    "base just at its drop": (
        (b.supply("V1", "vp", "gnd", 7.0), b.resistor("R1", "vp", "b", 63e3),
         b.resistor("R2", "b", "gnd", 7e3), b.npn("Q1", "c", "b", "gnd", 100.0),
         b.resistor("R3", "vp", "c", 1e3)),
        {"b": 0.7, "c": 7.0},
    ),
    # I_B = 9.3 V / 930 k = 10 uA, I_C = 1 mA, 10 V - 9.8 V = V_CE,sat
    "just saturated": (
        (V10, b.resistor("R1", "vp", "b", 930e3), b.npn("Q1", "c", "b", "gnd", 100.0),
         b.resistor("R2", "vp", "c", 9.8e3)),
        {"b": 0.7, "c": 0.2},
    ),
    "PNP just saturated": (
        (V10, b.resistor("R1", "b", "gnd", 930e3), b.pnp("Q1", "c", "b", "vp", 100.0),
         b.resistor("R2", "c", "gnd", 9.8e3)),
        {"b": 9.3, "c": 9.8},
    ),
    "diode just at its drop": (
        (b.supply("V1", "vp", "gnd", 0.7), b.resistor("R1", "vp", "a", 1e3), b.diode("D1", "a", "gnd")),
        {"a": 0.7},
    ),
    "diode at its drop across an ideal supply": (
        (b.supply("V1", "vp", "gnd", 0.7), b.diode("D1", "vp", "gnd")),
        {"vp": 0.7},
    ),
    "zener just at its voltage": (
        (b.supply("V1", "vp", "gnd", 5.1), b.resistor("R1", "vp", "z", 1e3), b.zener("Z1", "gnd", "z", 5.1)),
        {"z": 5.1},
    ),
    "no supply at all": (
        (b.supply("V1", "vp", "gnd", 0.0), b.resistor("R1", "vp", "b", 1e3),
         b.npn("Q1", "vp", "b", "gnd", 100.0)),
        {"vp": 0.0, "b": 0.0},
    ),
    "two diodes head to tail": (
        (b.diode("D1", "a", "c"), b.diode("D2", "c", "a"), b.resistor("R1", "a", "gnd", 1e3),
         b.resistor("R2", "c", "gnd", 1e3)),
        {"a": 0.0, "c": 0.0},
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BORDERS)
def test_a_state_on_a_border_is_told_once(case: str) -> None:
    parts, expected = BORDERS[case]
    state = b.only_state(b.circuit(*parts))
    assert {net: b.volts(state, net) for net in expected} == pytest.approx(expected, abs=1e-9)
    assert state.index == 1
    assert state.stable
    network = state.mode.network
    assert complaints(network.resolved, network.configuration, state) == []


# --- pins that share a net ---------------------------------------------------------------------------------

TIED: dict[str, tuple[tuple[str, str, str], str, dict[str, float]]] = {
    # collector tied to base: a diode, all 9.3 V / 1 k through it
    "collector to base": (("x", "x", "gnd"), "active", {"x": 0.7}),
    # collector and emitter tied: the lower drop conducts
    "collector to emitter": (("gnd", "x", "gnd"), "reverse", {"x": 0.5}),
    "base to emitter": (("x", "gnd", "gnd"), "off", {"x": 10.0}),
    "all three": (("x", "x", "x"), "off", {"x": 10.0}),
}


@pytest.mark.parametrize("case", TIED)
def test_transistor_with_pins_on_one_net(case: str) -> None:
    nets, region, expected = TIED[case]
    state = b.only_state(b.circuit(V10, b.resistor("R1", "vp", "x", 1e3), b.npn("Q1", *nets, 100.0)))
    assert state.devices["Q1"] == region
    assert {net: b.volts(state, net) for net in expected} == pytest.approx(expected, abs=1e-9)


def test_a_junction_bridged_by_an_inductor_never_conducts() -> None:
    """The bridge leaves no voltage; taken for a tiny resistance it would carry absurd currents."""
    parts = [b.battery("V1", "vp", "gnd", 3.0, 2.0), b.inductor("X1", "vp", "n1", 1e-3),
             b.pnp("Q1", "n1", "vp", "gnd", 150.0), b.driver("U1", "n1", "gnd", 0.1, 4.9, resistance=220.0),
             b.resistor("R1", "n2", "vp", 270.0), b.resistor("R2", "n2", "n1", 1.5e3)]  # fmt: skip
    state = b.only_state(b.circuit(*parts))
    assert state.devices["Q1"] == "off"
    assert b.volts(state, "n1") == pytest.approx(0.1 + 2.9 * 220.0 / 222.0, abs=1e-9)


def test_a_latch_straight_across_an_ideal_supply_has_a_state_without_limit() -> None:
    """Off is a state, the threshold between is one; latched, nothing limits the current."""
    latch = [b.supply("V1", "vp", "gnd", 12.0), b.pnp("Q1", "c1", "c2", "vp", 100.0),
             b.npn("Q2", "c2", "c1", "gnd", 100.0), b.resistor("R1", "vp", "c2", 10e3),
             b.resistor("R2", "c1", "gnd", 10e3)]  # fmt: skip
    found = b.solve(b.circuit(*latch))
    assert [state.index for state in found.states] == [1, -1]
    assert not found.complete
    assert [(fault.kind, fault.parts) for fault in found.faults] == [("supply-short", ("Q1", "Q2"))]
    limited = b.solve(b.circuit(*latch[1:], b.supply("V1", "vp", "gnd", 12.0, 1.0)))
    assert limited.complete
    assert [state.index for state in limited.states] == [1, -1, 1]
    # latched: 12 V less a base-emitter drop and a saturated transistor, through 1 ohm
    assert b.amperes(limited.states[2], "V1", "plus") == pytest.approx(-(12.0 - 0.9), rel=1e-3)
