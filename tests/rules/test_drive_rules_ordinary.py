"""Ordinary circuits about which the rules on drops, LEDs, zeners and bases have nothing to say."""

from __future__ import annotations

import pytest

from rules.base_bleed import RULE as BLEED
from rules.base_current_limit import RULE as CURRENT
from rules.drop_budget import RULE as BUDGET
from rules.led_current import RULE as LED
from rules.true_off import RULE as OFF
from rules.zener_bias import RULE as ZENER
from tests.judged import document, judged

HEAD = "format: thumbrule/1\nname: bench\nground: gnd\n"

CIRCUITS = {
    # Two cross-coupled stages at 60 degC: V_CE,sat on a base is surely off.
    "a_bistable_in_a_hot_shed": """\
ambient: {low: 0 degC, nominal: 25 degC, high: 60 degC}
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: c1}}
  R2: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: c2}}
  R3: {kind: resistor, resistance: 10 kohm, pins: {a: c1, b: b2}}
  R4: {kind: resistor, resistance: 10 kohm, pins: {a: c2, b: b1}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: c1, base: b1, emitter: gnd}}
  Q2: {kind: npn, type: 2N3904, pins: {collector: c2, base: b2, emitter: gnd}}
""",
    # 0.7 V on its emitter resistor, and two white LEDs.
    "a_current_limiter_of_two_transistors": """\
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: rail, b: b1}}
  D1: {kind: led, forward: 3.1 V, current: 20 mA, pins: {anode: rail, cathode: x}}
  D2: {kind: led, forward: 3.1 V, current: 20 mA, pins: {anode: x, cathode: c}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: c, base: b1, emitter: e}}
  Q2: {kind: npn, type: 2N3904, pins: {collector: b1, base: e, emitter: gnd}}
  R2: {kind: resistor, resistance: 56 ohm, pins: {a: e, b: gnd}}
""",
    # Leakage finds 1 Mohm and 100 kohm.
    "a_pair_behind_a_megohm": """\
parts:
  V1: {kind: battery, voltage: 9 V, low: 7 V, high: 9.6 V, keyed: true, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, pins: {a: rail, b: t}}
  R1: {kind: resistor, resistance: 1 Mohm, pins: {a: t, b: b1}}
  R5: {kind: resistor, resistance: 1 Mohm, pins: {a: b1, b: gnd}}
  Q1: {kind: npn, type: BC547B, pins: {collector: c, base: b1, emitter: b2}}
  R6: {kind: resistor, resistance: 100 kohm, pins: {a: b2, b: gnd}}
  Q2: {kind: npn, type: BC547B, pins: {collector: c, base: b2, emitter: gnd}}
  R3: {kind: resistor, resistance: 680 ohm, pins: {a: rail, b: a}}
  D1: {kind: led, forward: 2.0 V, current: 20 mA, pins: {anode: a, cathode: c}}
""",
    # One of them is always reversed.
    "two_leds_back_to_back": """\
parts:
  U1: {kind: driver, low: 0.1 V, high: 4.9 V, resistance: 30 ohm, pins: {out: o, reference: gnd}}
  U2: {kind: driver, low: 0.1 V, high: 4.9 V, resistance: 30 ohm, pins: {out: p, reference: gnd}}
  R3: {kind: resistor, resistance: 270 ohm, pins: {a: o, b: a}}
  D1: {kind: led, forward: 1.9 V, current: 20 mA, pins: {anode: a, cathode: p}}
  D2: {kind: led, forward: 2.1 V, current: 20 mA, pins: {anode: p, cathode: a}}
""",
    # The load of the zener is a base current.
    "a_reference_and_a_follower": """\
parts:
  V1: {kind: supply, voltage: 12 V, low: 10.5 V, high: 14 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 680 ohm, pins: {a: rail, b: z}}
  Z1: {kind: zener, zener: 5.6 V, tolerance: 5 %, ratings: {power: 500 mW}, pins: {anode: gnd, cathode: z}}
  Q1: {kind: npn, type: 2N2222A, pins: {collector: rail, base: z, emitter: out}}
  L1: {kind: load, resistance: 220 ohm, pins: {plus: out, minus: gnd}}
""",
    # It shares the switch with the relay.
    "an_led_beside_a_coil": """\
parts:
  V1: {kind: supply, voltage: 12 V, low: 11.4 V, high: 12.6 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0.2 V, high: 4.8 V, resistance: 50 ohm, pins: {out: o, reference: gnd}}
  R1: {kind: resistor, resistance: 1.8 kohm, pins: {a: o, b: b}}
  R2: {kind: resistor, resistance: 22 kohm, pins: {a: b, b: gnd}}
  Q1: {kind: npn, type: 2N2222A, pins: {collector: c, base: b, emitter: gnd}}
  K1: {kind: coil, resistance: 400 ohm, pins: {plus: rail, minus: c}}
  D1: {kind: diode, type: 1N4001, pins: {anode: c, cathode: rail}}
  R3: {kind: resistor, resistance: 1.2 kohm, pins: {a: rail, b: a}}
  D2: {kind: led, forward: 2 V, current: 20 mA, pins: {anode: a, cathode: c}}
""",
    # Bases straight on an output.
    "two_followers_back_to_back": """\
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0.1 V, high: 8.9 V, resistance: 100 ohm, pins: {out: b, reference: gnd}}
  Q1: {kind: npn, type: 2N2222A, pins: {collector: rail, base: b, emitter: e}}
  Q2: {kind: pnp, type: 2N2907A, pins: {collector: gnd, base: b, emitter: e}}
  L1: {kind: load, resistance: 150 ohm, pins: {plus: e, minus: gnd}}
""",
    # A zener in the way to a base, an LED that goes out on purpose.
    "a_battery_indicator": """\
parts:
  V1: {kind: battery, voltage: 9 V, low: 6.5 V, high: 9.6 V, keyed: true, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 3.3 kohm, pins: {a: rail, b: k}}
  Z1: {kind: zener, zener: 6.2 V, pins: {anode: b, cathode: k}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: b, b: gnd}}
  Q1: {kind: npn, type: BC547B, pins: {collector: c, base: b, emitter: gnd}}
  R3: {kind: resistor, resistance: 680 ohm, pins: {a: rail, b: a}}
  D1: {kind: led, forward: 2.0 V, current: 20 mA, pins: {anode: a, cathode: c}}
""",
    # A capacitor that is charged through 100 ohm holds a base.
    "a_slow_light": """\
parts:
  V1: {kind: battery, voltage: 9 V, low: 7 V, high: 9.6 V, keyed: true, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, pins: {a: rail, b: s}}
  R0: {kind: resistor, resistance: 100 ohm, pins: {a: s, b: t}}
  C1: {kind: capacitor, capacitance: 470 uF, voltage: 16 V, pins: {plus: t, minus: gnd}}
  R1: {kind: resistor, resistance: 100 kohm, pins: {a: t, b: b}}
  R2: {kind: resistor, resistance: 220 kohm, pins: {a: b, b: gnd}}
  Q1: {kind: npn, type: BC547B, pins: {collector: c, base: b, emitter: gnd}}
  R3: {kind: resistor, resistance: 680 ohm, pins: {a: rail, b: a}}
  D1: {kind: led, forward: 2.0 V, current: 20 mA, pins: {anode: a, cathode: c}}
""",
    # It takes the difference between two rails.
    "an_led_in_a_base_lead": """\
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  U1: {kind: driver, low: 0.1 V, high: 3.2 V, rest: high, pins: {out: o, reference: gnd}}
  D2: {kind: led, forward: 1.8 V, pins: {anode: x, cathode: o}}
  R1: {kind: resistor, resistance: 470 ohm, pins: {a: x, b: b}}
  R2: {kind: resistor, resistance: 4.7 kohm, pins: {a: b, b: rail}}
  Q1: {kind: pnp, type: 2N3906, pins: {collector: c, base: b, emitter: rail}}
  L1: {kind: load, resistance: 330 ohm, pins: {plus: c, minus: gnd}}
""",
}


@pytest.mark.parametrize("name", sorted(CIRCUITS))
def test_an_ordinary_circuit_gets_no_finding(name: str) -> None:
    run = judged(document(HEAD + CIRCUITS[name]).circuit, BLEED, BUDGET, CURRENT, LED, OFF, ZENER)
    assert [f"{f.rule}: {f.message}" for f in run.findings] == []
    assert any(outcome.kind == "satisfied" for outcome in run.outcomes)
