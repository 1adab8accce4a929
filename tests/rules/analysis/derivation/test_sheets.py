"""Sheets of hand working: the two worked circuits, and every kind of part and of trouble."""

from __future__ import annotations

import dataclasses
import math

import pytest

from rules.analysis.derivation.expression import with_symbols
from rules.analysis.derivation.sheet import sheet_of
from rules.analysis.resolve import resolve
from rules.analysis.study import Study
from schemas.circuit import Circuit, frozen_map
from tests import builders as b
from tests.latch import LATCH
from tests.sheets import differences, sheets, steps
from tests.textbook import agrees
from tests.timers import garden_light

ON, MIDDLE, OFF = "Q1 saturated, Q2 saturated", "Q1 active, Q2 active (unstable)", "all off"


def stiff(circuit: Circuit) -> Circuit:
    """The same with a battery that has no resistance."""
    parts = dict(circuit.parts)
    values = {key: value for key, value in parts["B1"].values.items() if key != "resistance"}
    parts["B1"] = dataclasses.replace(parts["B1"], values=frozen_map(values))
    return dataclasses.replace(circuit, parts=frozen_map(parts))


def test_the_latch_that_is_on_takes_seventeen_steps_of_one_unknown() -> None:
    sheet = sheets(b.circuit(*LATCH))[ON]
    assert [step.kind for step in sheet.steps] == [
        "source", "junction", "junction", "saturation", "saturation", "ohm", "ohm", "ohm", "ohm", "ohm",
        "kcl", "kcl", "kcl", "sum", "kcl", "sum", "kcl",
    ]  # fmt: skip
    found = steps(sheet)
    # own computation for the same circuit, 4 figures
    printed = {"I_B(Q1)": "166.2 u", "I_C(Q1)": "2.362 m", "I_B(Q2)": "2.213 m", "I_C(Q2)": "12.04 m"}
    assert [key for key, text in printed.items() if not agrees(found[key].value, text)] == []
    assert all(check.holds for check in sheet.checks)


def test_the_state_between_needs_eight_equations_together() -> None:
    sheet = sheets(b.circuit(*LATCH))[MIDDLE]
    (block,) = [step for step in sheet.steps if step.kind == "together"]
    assert len(block.together) == 8
    assert block.unknown.id == "I_B(Q1)"
    # closed form by hand: (beta2 V/RB2 + V/RL + (1 + R3/RL) V/RB1) / (beta1 beta2 - 1 - R3/RL), V = 0.7 V
    volts = 0.7
    top = 150 * volts / 4.7e3 + volts / 1e3 + (1 + 47) * volts / 10e3
    assert block.value == pytest.approx(top / (200 * 150 - 1 - 47), rel=1e-12)
    assert agrees(steps(sheet)["V(out)"].value, "4.031")


def test_nothing_flows_where_a_branch_ends_nowhere() -> None:
    sheet = sheets(b.circuit(*LATCH))[OFF]
    assert any(step.kind == "idle" for step in sheet.steps)
    assert all(step.value == 0.0 for step in sheet.steps if step.unknown.unit == "A")


def test_the_garden_light_just_after_the_button() -> None:
    sheet = sheets(stiff(garden_light()), held={"C1": 0.0})["LED on, Q1 active, Q2 saturated"]
    found = steps(sheet)
    # own computation for the same circuit, 4 figures
    printed = {
        "V(out)": "8.8", "I(RB2)": "70 u", "I(R6)": "40 u", "I(R9)": "1.872 m", "I(R7)": "10.36 m",
        "I(C1)": "40 u", "V_th(b1)": "3.991", "R_th(b1)": "21.31 k", "I_B(Q1)": "4.807 u",
        "I_C(Q1)": "961.3 u", "V(b1)": "3.888", "V(e)": "3.188", "I_C(Q2)": "12.37 m", "V(c1)": "7.848",
        "I_B(Q2)": "891.3 u", "I_E(Q2)": "13.27 m", "I(B1)": "13.34 m",
    }  # fmt: skip
    assert {
        key: found[key].value for key, text in printed.items() if not agrees(found[key].value, text)
    } == {}
    assert "together" not in {step.kind for step in sheet.steps}
    base = found["I_B(Q1)"]
    assert with_symbols(base.formula) == "(V_th(b1) - V_BE) / (R_th(b1) + (beta(Q1) + 1) * RE)"
    rough = base.approximate
    assert rough is not None
    # the quick check: the divider unloaded is 2.6 % high, 102 uA are 21 times the base current
    quick = {item.symbol.id: item for item in sheet.compared}
    assert agrees(quick["V(b1)"].rough, "3.991")
    assert quick["V(b1)"].difference == pytest.approx(0.026, abs=0.0005)
    assert rough.ratio is not None
    assert round(rough.ratio[1]) == 21
    # R_parallel times I_B is just what the tap shifts by
    assert rough.shift is not None
    assert rough.shift[1] == pytest.approx(found["V_th(b1)"].value - found["V(b1)"].value, rel=1e-9)


def test_how_the_timed_state_goes_on() -> None:
    study = Study(stiff(garden_light()))
    (timed,) = [item for item in study.timing() if item.capacitor == "C1" and item.kind == "fold"][:1]
    sheet = sheet_of(timed.state, timed)
    assert differences(timed.state, sheet) == []
    assert sheet.next is not None
    onward = {step.unknown.id: step.value for step in sheet.next.steps}
    # 40 uA into 470 uF; 220 kohm times 470 uF; to the end of the first piece as the engine says
    assert onward["dU/dt(C1)"] == pytest.approx(40e-6 / 470e-6, rel=1e-3)
    assert onward["tau(C1)"] == pytest.approx(220e3 * 470e-6, rel=1e-9)
    piece = timed.phase.segments[0]
    assert onward["t(C1)"] == pytest.approx(piece.duration, rel=1e-9)
    aim, end = 8.8, piece.end
    assert onward["t(C1)"] == pytest.approx(103.4 * math.log(aim / (aim - end)), rel=1e-3)


def test_a_battery_that_sags_is_told_beside_one_that_does_not() -> None:
    sheet = sheets(garden_light(), held={"C1": 0.0})["LED on, Q1 active, Q2 saturated"]
    rail = steps(sheet)["V(vb)"]
    assert rail.approximate is not None
    assert rail.approximate.value == pytest.approx(9.0)
    # 13.3 mA through 2 ohm
    assert rail.value == pytest.approx(9.0 - 2.0 * steps(sheet)["I(B1)"].value, rel=1e-12)
    assert agrees(rail.value, "8.973")


def follower(drop: float = 0.0) -> Circuit:
    return b.circuit(
        b.supply("V1", "vp", "gnd", 9.0, drop or None),
        b.npn("Q1", "vp", "base", "out", 100.0),
        b.resistor("R1", "vp", "base", 10e3),
        b.load("LP1", "out", "gnd", 470.0),
    )


KINDS = {
    "series string": (
        [b.supply("V1", "vp", "gnd", 9.0), b.resistor("R1", "vp", "a", 330.0), b.led("D1", "a", "k", 2.0),
         b.resistor("R2", "k", "gnd", 100.0)],
        "series", "I(R1)", (9.0 - 2.0) / 430.0),
    "divider": (
        [b.supply("V1", "vp", "gnd", 9.0), b.resistor("R1", "vp", "a", 3e3),
         b.resistor("R2", "a", "gnd", 6e3)],
        "divider", "V(a)", 6.0),
    "three resistances at one net": (
        [b.supply("V1", "vp", "gnd", 9.0), b.resistor("R1", "vp", "a", 3e3),
         b.resistor("R2", "a", "gnd", 6e3),
         b.resistor("R3", "a", "gnd", 2e3)],
        "thevenin", "V(a)", 3.0),
    "parallel pair in a string": (
        [b.supply("V1", "vp", "gnd", 9.0), b.resistor("R1", "vp", "a", 1e3), b.resistor("R2", "a", "c", 2e3),
         b.resistor("R3", "a", "c", 2e3), b.resistor("R4", "c", "gnd", 1e3)],
        "parallel", "R_p(R2)", 1e3),
    "thevenin behind thevenin": (
        [b.supply("V1", "vp", "gnd", 8.0), b.resistor("R1", "vp", "a", 2e3),
         b.resistor("R2", "a", "gnd", 2e3),
         b.resistor("R3", "a", "c", 1e3), b.resistor("R4", "c", "gnd", 2e3),
         b.resistor("R5", "c", "gnd", 2e3)],
        "thevenin", "V(a)", 8.0 / 3.0),
    "zener with a slope": (
        [b.supply("V1", "vp", "gnd", 9.0), b.resistor("R1", "vp", "k", 390.0),
         b.zener("Z1", "gnd", "k", 5.1, resistance=10.0)],
        "series", "I(R1)", 3.9 / 400.0),
    "current source": (
        [b.current_source("I1", "gnd", "a", 1e-3), b.resistor("R1", "a", "gnd", 4.7e3)],
        "kcl", "I(R1)", 1e-3),
    "coil at rest": (
        [b.supply("V1", "vp", "gnd", 9.0), b.inductor("L1", "vp", "a", 0.1),
         b.resistor("R1", "a", "gnd", 1e3)],
        "coil", "V(a)", 9.0),
    "closed contact": (
        [b.supply("V1", "vp", "gnd", 9.0), b.contact("S1", "vp", "a", "closed"),
         b.resistor("R1", "a", "gnd", 1e3)],
        "contact", "V(a)", 9.0),
    "driver with a resistance": (
        [b.driver("U1", "o", "gnd", 0.2, 4.8, rest="high", resistance=200.0),
         b.resistor("R1", "o", "gnd", 4.6e3)],
        "series", "I(R1)", 1e-3),
    "transistor backwards": (
        [b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "base", 10e3),
         b.npn("Q1", "gnd", "base", "e", 100.0), b.resistor("R2", "vp", "e", 1e3)],
        "beta", "I_E(Q1)", 4 * 450e-6),
    "diode-wired transistor": (
        [b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "x", 1e3),
         b.npn("Q1", "x", "x", "gnd", 99.0)],
        "beta", "I_B(Q1)", 43e-6),
    "collector feedback": (
        [b.supply("V1", "vp", "gnd", 10.0), b.resistor("RC", "vp", "c", 10e3),
         b.resistor("RB", "c", "base", 100e3),
         b.npn("Q1", "c", "base", "gnd", 100.0)],
        "together", "I_B(Q1)", 9.3 / (100e3 + 101 * 10e3)),
}  # fmt: skip


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_of_part_and_pattern(name: str) -> None:
    parts, kind, key, expected = KINDS[name]
    state = b.only_state(b.circuit(*parts))
    sheet = sheet_of(state)
    step = steps(sheet)[key]
    assert (step.kind, step.value) == (kind, pytest.approx(expected, rel=1e-12))
    assert differences(state, sheet) == []
    assert all(check.holds for check in sheet.checks)
    assert (sheet.missing, sheet.open) == ((), ())


def test_the_current_of_two_equal_junctions_side_by_side() -> None:
    # matched junctions share alike: with the base-emitter junctions of both across one net
    parts = [b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "x", 1e3),
             b.diode("D1", "x", "gnd", 0.7),
             b.diode("D2", "x", "gnd", 0.7)]  # fmt: skip
    state = b.only_state(b.circuit(*parts))
    sheet = sheet_of(state)
    (block,) = [step for step in sheet.steps if step.together]
    assert sorted(" = ".join(map(with_symbols, sides)) for sides in block.together) == [
        "I(D1) + I(D2) = I(R1)",
        "I(D1) = I(D2)",
    ]
    assert steps(sheet)["I(D1)"].value == pytest.approx(4.3e-3 / 2, rel=1e-12)
    assert differences(state, sheet) == []


def test_undefined_is_said_and_never_a_number() -> None:
    parts = [b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "gnd", 1e3),
             b.film("C1", "vp", "x", 1e-6),
             b.resistor("R2", "x", "y", 1e3)]  # fmt: skip
    state = b.only_state(b.circuit(*parts))
    sheet = sheet_of(state)
    assert {"the voltage of x", "the voltage of y"} <= set(sheet.open)
    assert not {"V(x)", "V(y)"} & set(sheet.values())
    assert steps(sheet)["I(R2)"].value == 0.0
    assert differences(state, sheet) == []


def test_an_island_of_its_own_is_counted_from_one_of_its_nets() -> None:
    parts = [b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "gnd", 1e3),
             b.battery("B2", "p", "m", 3.0), b.resistor("R2", "p", "m", 1.5e3)]  # fmt: skip
    sheet = sheet_of(b.only_state(b.circuit(*parts)))
    assert steps(sheet)["I(R2)"].value == pytest.approx(2e-3)
    assert steps(sheet)["V(p,m)"].value == pytest.approx(3.0)
    assert "V(p)" not in sheet.values()
    assert "m, p hang free: voltages there are counted from m" in sheet.assume


def test_a_loop_of_ideal_sources_leaves_their_currents_open() -> None:
    parts = [b.battery("B1", "vp", "gnd", 9.0), b.battery("B2", "vp", "gnd", 9.0),
             b.resistor("R1", "vp", "gnd", 1e3)]  # fmt: skip
    state = b.only_state(b.circuit(*parts))
    sheet = sheet_of(state)
    assert {"the current of B1", "the current of B2"} <= set(sheet.open)
    assert not {"I(B1)", "I(B2)"} & set(sheet.values())
    assert steps(sheet)["I(R1)"].value == pytest.approx(9e-3)
    assert sheet.missing == ()


def test_two_contacts_side_by_side_carry_one_current_together() -> None:
    parts = [b.supply("V1", "vp", "gnd", 9.0, 10.0), b.contact("S1", "vp", "x", "closed"),
             b.contact("S2", "vp", "x", "closed"), b.resistor("R1", "x", "gnd", 890.0)]  # fmt: skip
    state = b.only_state(b.circuit(*parts))
    sheet = sheet_of(state)
    assert steps(sheet)["I(V1)"].value == pytest.approx(10e-3)
    assert differences(state, sheet) == []


def test_quick_working_is_that_of_a_stiff_divider() -> None:
    # a divider a million times stiffer is not loaded: what it gives is what quick working takes
    def stage(scale: float) -> Circuit:
        return b.circuit(
            b.supply("V1", "vp", "gnd", 12.0), b.resistor("R1", "vp", "base", 82e3 * scale),
            b.resistor("R2", "base", "gnd", 18e3 * scale), b.resistor("RC", "vp", "c", 3.9e3),
            b.resistor("RE", "e", "gnd", 820.0), b.npn("Q1", "c", "base", "e", 150.0),
        )  # fmt: skip

    sheet = sheet_of(b.only_state(stage(1.0)))
    unloaded = b.only_state(stage(1e-6))
    quick = {item.symbol.id: item.rough for item in sheet.compared}
    for net in ("base", "e", "c"):
        assert quick[f"V({net})"] == pytest.approx(b.volts(unloaded, net), rel=1e-5)
    assert quick["I_C(Q1)"] == pytest.approx(b.amperes(unloaded, "Q1", "collector"), rel=1e-5)
    for item in sheet.compared:
        assert item.difference == pytest.approx(item.rough / item.exact - 1.0, rel=1e-9)


def test_quick_working_lets_the_collector_carry_what_the_emitter_does() -> None:
    parts = [b.supply("V1", "vp", "gnd", 12.0), b.supply("V2", "base", "gnd", 2.7),
             b.npn("Q1", "c", "base", "e", 80.0), b.resistor("RE", "e", "gnd", 1e3),
             b.resistor("RC", "vp", "c", 2e3)]  # fmt: skip
    sheet = sheet_of(b.only_state(b.circuit(*parts)))
    rough = steps(sheet)["I_C(Q1)"].approximate
    assert rough is not None
    # 2 mA in the emitter; the collector has 80/81 of it
    assert (rough.value, rough.difference) == (pytest.approx(2e-3), pytest.approx(1 / 80))
    assert {item.symbol.id for item in sheet.compared} == {"I_C(Q1)", "I(RC)", "V(c)", "I(V1)"}


def test_names_of_any_kind_do_no_harm() -> None:
    # the letters of a symbol are no syntax: brackets, commas and semicolons in names stay names
    plain = garden_light()
    strange = {net: net if net == "gnd" else f"{net}, [{net}; x) = 1 || " for net in plain.net_names}
    parts = {}
    for name, part in plain.parts.items():
        pins = frozen_map({pin: strange[net] for pin, net in part.pins.items()})
        parts[f"{name}[1] (a), b"] = dataclasses.replace(part, name=f"{name}[1] (a), b", pins=pins)
    renamed = dataclasses.replace(plain, parts=frozen_map(parts), stimuli=frozen_map({}))
    held = {"C1[1] (a), b": 0.0}
    pairs = zip(b.solve(renamed, held=held).states, b.solve(plain, held={"C1": 0.0}).states, strict=True)
    for state, other in pairs:
        assert differences(state, sheet_of(state)) == []
        kinds = [sorted(step.kind for step in sheet_of(item).steps) for item in (state, other)]
        assert kinds[0] == kinds[1]


def test_a_follower_that_sags_agrees_too() -> None:
    for drop in (0.0, 3.0):
        state = b.only_state(follower(drop))
        assert differences(state, sheet_of(state)) == []


def test_gains_are_those_of_the_corner_and_the_current() -> None:
    circuit = b.circuit(
        b.supply("V1", "vp", "gnd", 5.0), b.resistor("R1", "vp", "base", 47e3),
        b.resistor("R2", "vp", "c", 100.0), b.npn("Q1", "c", "base", "gnd", type="2N3904"),
    )  # fmt: skip
    state = b.only_state(resolve(circuit), corner="min")
    sheet = sheet_of(state)
    given = {item.symbol.id: item.value for item in sheet.givens}
    assert given["beta(Q1)"] == state.mode.betas["Q1"]
    assert differences(state, sheet) == []
