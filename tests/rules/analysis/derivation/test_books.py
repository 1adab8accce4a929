"""Worked examples of textbooks, step by step: the numbers that the book prints on the way stand on the sheet.

Sources: T. L. Floyd, Electronic Devices; D. A. Bell, Electronic Devices and Circuits; A. P. Malvino,
Electronic Principles; T. R. Kuphaldt, Lessons in Electric Circuits vol. III, Biasing calculations; R. Wang,
Harvey Mudd College, E84 home work 12 key.  A number that the page leaves to the reader is marked as own
computation.
"""

from __future__ import annotations

import pytest

from rules.analysis.derivation.expression import with_symbols
from rules.analysis.derivation.sheet import sheet_of
from schemas.circuit import Part
from tests.builders import circuit, led, only_state, resistor, supply
from tests.reference.bias_rows import base_bias, collector_feedback, divider, pnp_divider
from tests.reference.test_textbook_switches import switch
from tests.sheets import steps
from tests.textbook import HUGE, agrees

WORKED = {
    # ex. 4.2, p. 121: I_B 430 uA, I_C 64.5 mA, I_E 64.93 mA, V_CE 3.55 V
    "Floyd 4.2": (
        base_bias(5, 10e3, 10, 100, 150),
        {"I(RB)": "430 u", "I_B(Q1)": "430 u", "I_C(Q1)": "64.5 m", "I_E(Q1)": "64.93 m", "V(c)": "3.55"},
    ),
    # ex. 4.4, p. 125: I_C(sat) 9.8 mA, I_B 0.23 mA
    "Floyd 4.4": (
        switch(3, 10e3, 10, 1e3, 50),
        {"V(c)": "0.2", "I(RC)": "9.8 m", "I_C(Q1)": "9.8 m", "I_B(Q1)": "0.23 m"},
    ),
    # ex. 7-5, p. 232: V_CE 10.71 V; I_B 14.3 uA and I_C 1.43 mA own computation
    "Malvino 7-5": (
        base_bias(15, 1e6, 15, 3e3, 100),
        {"I_B(Q1)": "14.3 u", "I_C(Q1)": "1.43 m", "V(c)": "10.71"},
    ),
    # ex. 5-13, p. 168: 14.89 mA through the LED
    "Malvino 5-13": (
        (supply("V1", "vp", "gnd", 9.0), resistor("R1", "vp", "a", 470.0), led("D1", "a", "gnd", 2.0)),
        {"V(a)": "2", "I(R1)": "14.89 m", "I(D1)": "14.89 m"},
    ),
    # Biasing calculations: the divider 220 k over 38.8 k is 1.5 V behind 33 k, and I_E 1.00 mA follows.  The
    # page takes beta for beta + 1, so the circuit's gain is one less.
    "Kuphaldt, divider": (
        divider(10, 220e3, 38.82e3, 1e3, 470, 99),
        {"V_th(b)": "1.50", "R_th(b)": "33.0 k", "I_E(Q1)": "1.00 m"},
    ),
    # the same with 82 k and 470 ohm from 2 V: 1.01 mA at 100, 1.75 mA at 300
    "Kuphaldt, emitter bias, 100": (base_bias(2, 82e3, 10, 1e3, 99, re=470), {"I_E(Q1)": "1.01 m"}),
    "Kuphaldt, emitter bias, 300": (base_bias(2, 82e3, 10, 1e3, 299, re=470), {"I_E(Q1)": "1.75 m"}),
    "Kuphaldt, collector feedback": (collector_feedback(10, 470e3, 4.7e3, 99), {"I_E(Q1)": "0.989 m"}),
    # ex. 5.9, p. 200: V_CE 9.7 V with the base current counted; 4.8 V behind 8.8 k own computation
    "Bell 5.9": (
        divider(18, 33e3, 12e3, 1.2e3, 1e3, 100),
        {"V_th(b)": "4.80", "R_th(b)": "8.80 k", "I_C(Q1)": "3.734 m", "V(e)": "3.771"},
    ),
    # ex. 5.5, p. 193: V_CE 10.2 V; I_B 35.15 uA and I_C 3.515 mA own computation
    "Bell 5.5": (
        collector_feedback(18, 270e3, 2.2e3, 100),
        {"I_B(Q1)": "35.15 u", "I_C(Q1)": "3.515 m", "V(c)": "10.2"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", WORKED)
def test_the_numbers_on_the_way(name: str) -> None:
    parts, printed = WORKED[name]
    found = steps(sheet_of(only_state(circuit(*parts))))
    wrong = [key for key, text in printed.items() if not agrees(found[key].value, text)]
    assert wrong == [], {key: found[key].value for key in wrong}


# Books that neglect the base current print what quick working gives; the circuit has the gain of the book.
QUICK: dict[str, tuple[tuple[Part, ...], dict[str, str]]] = {
    # ex. 5.3, p. 151: I_C 0.005 A; V_B 3.590, I_E 5.160 mA: recomputed from its values
    "Floyd 5.3": (
        divider(10, 10e3, 5.6e3, 1e3, 560, 100),
        {"V(b)": "3.590", "V(e)": "2.890", "I_E(Q1)": "5.160 m", "I_C(Q1)": "0.005"},
    ),
    # ex. 5.4, p. 154: I_C 2.4 mA; V_B 6.875, V_E 7.575, I_E 2.425 mA: recomputed from its values
    "Floyd 5.4": (
        pnp_divider(10, 22e3, 10e3, 2.2e3, 1e3, 150),
        {"V(b)": "6.875", "V(e)": "7.575", "I_E(Q1)": "2.425 m", "I_C(Q1)": "2.4 m"},
    ),
    # problem 3, check: V_BB 3.16 V, V_E 2.46 V, I_E 2.46 mA
    "E84": (divider(15, 24e3, 6.4e3, 2e3, 1e3, 50), {"V(b)": "3.16", "V(e)": "2.46", "I_E(Q1)": "2.46 m"}),
}


@pytest.mark.parametrize("name", QUICK)
def test_quick_working_is_that_of_the_book(name: str) -> None:
    parts, printed = QUICK[name]
    state = only_state(circuit(*parts))
    sheet = sheet_of(state)
    quick = {item.symbol.id: item for item in sheet.compared}
    wrong = [key for key, text in printed.items() if not agrees(quick[key].rough, text)]
    assert wrong == [], {key: quick[key].rough for key in wrong}


def test_quick_working_of_a_gain_past_all_measure_is_exact() -> None:
    # Floyd, ex. 5.3, p. 151: V_CE 1.95 V
    sheet = sheet_of(only_state(circuit(*divider(10, 10e3, 5.6e3, 1e3, 560, HUGE))))
    found = steps(sheet)
    assert agrees(found["V(c)"].value - found["V(e)"].value, "1.95")
    assert all(abs(item.difference or 0.0) < 1e-5 for item in sheet.compared)


def test_seven_per_cent_at_a_ratio_of_ten() -> None:
    # own computation on Floyd's ex. 5.3, which just meets beta * R_E >= 10 * R2: I_C -6.9 % of the book's
    sheet = sheet_of(only_state(circuit(*divider(10, 10e3, 5.6e3, 1e3, 560, 100))))
    base = steps(sheet)["I_B(Q1)"]
    assert agrees(base.value, "48.04 u")
    rough = base.approximate
    assert rough is not None
    # I_C of the quick sheet is beta I_B; against the emitter current of the book it is 1 % less
    assert 100 * (base.value / rough.value - 1) == pytest.approx(-6.0, abs=0.05)
    assert rough.shift is not None
    # 3.590 V unloaded, 3.417 V in truth
    assert agrees(rough.shift[1], "0.172")


def test_the_formulas_are_those_of_the_book() -> None:
    # Kuphaldt, Biasing calculations: I_B = (V_BB - V_BE) / (R_B + (beta + 1) R_E) for the emitter bias, and
    # (V_CC - V_BE) / ((beta + 1) R_C + R_B) for the collector feedback
    bias = steps(sheet_of(only_state(circuit(*base_bias(2, 82e3, 10, 1e3, 100, re=470)))))
    assert with_symbols(bias["I_B(Q1)"].formula) == "(V(vbb) - V_BE) / (RB + (beta(Q1) + 1) * RE)"
    feedback = steps(sheet_of(only_state(circuit(*collector_feedback(10, 470e3, 4.7e3, 100)))))
    assert with_symbols(feedback["I_B(Q1)"].formula) == "(V(vcc) - V(b)) / (RB + RC * (beta(Q1) + 1))"
