"""Parts list, bring-up and readings of whole circuits."""

from __future__ import annotations

from typing import Any

import pytest

from rules.analysis.study import Study
from schemas.circuit import Circuit
from service import facade
from service.bench.asked import meter_of
from service.bench.buying import parts_list
from service.documents import load_circuit
from service.facade import OptionRefused
from service.ruleset import installed
from tests.timers import garden_light

LAMP = b"""\
format: thumbrule/1
name: shed-lamp
ground: gnd
parts:
  BT1:
    {kind: battery, voltage: 9 V, low: 6.5 V, high: 9.6 V, resistance: 2 ohm, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: go}}
  R1: {kind: resistor, resistance: 10k, pins: {a: go, b: base}}
  R2: {kind: resistor, resistance: 100k, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 100k, pins: {a: go, b: side}}
  R4: {kind: resistor, resistance: 100k, pins: {a: side, b: gnd}}
  Q1: {kind: npn, type: 2N3904, pins: {collector: low, base: base, emitter: gnd}}
  R5: {kind: resistor, resistance: 330 ohm, power: 0.25 W, pins: {a: rail, b: anode}}
  D1: {kind: led, forward: 2 V, current: 20 mA, pins: {anode: anode, cathode: low}}
states: {dark: {Q1: off}, lit: {Q1: saturated}}
stimuli: {press: [{at: 0 s, part: S1, to: closed}]}
"""


@pytest.fixture(scope="module")
def sheet() -> dict[str, Any]:
    return facade.bench(facade.read(LAMP, "yaml"))


def _state(sheet: dict[str, Any], name: str) -> dict[str, Any]:
    (found,) = [state for state in sheet["states"] if state["name"] == name]
    return dict(found)


def _rating(sheet: dict[str, Any], part: str, what: str) -> dict[str, Any]:
    line = next(line for line in sheet["parts"] if part in line["parts"])
    return dict(next(rating for rating in line["ratings"] if rating["what"] == what))


def test_equal_parts_are_bought_together(sheet: dict[str, Any]) -> None:
    lines = {tuple(line["parts"]): line for line in sheet["parts"]}
    assert lines["R2", "R3", "R4"]["quantity"] == 3
    assert lines["R1",]["series"] == "E3"
    assert all("BT1" not in line["parts"] for line in sheet["parts"])


def test_a_need_is_what_the_worst_corner_asks(sheet: dict[str, Any]) -> None:
    """R5 at 9.6 V, all tolerances in its disfavour: (9.6 - 1.8 - 0.2)^2/313.5 = 184 mW but for 2 ohm."""
    rating = _rating(sheet, "R5", "power")
    current = (9.6 - 1.8 - 0.2) / (313.5 + 2.0)
    assert rating["worst"] == pytest.approx(current**2 * 313.5, rel=0.02)
    assert rating["least"] == pytest.approx(rating["worst"] / rating["share"])
    assert rating["buy"] == 0.5
    assert rating["stated"] == 0.25
    assert rating["enough"] is False


def test_the_share_is_that_of_the_rule_set(sheet: dict[str, Any]) -> None:
    entry = installed().find("collector-voltage")
    assert entry is not None
    assert _rating(sheet, "Q1", "voltage")["share"] == entry.rule.limits["share"].value


def test_transistors_are_described_by_what_they_must_stand(sheet: dict[str, Any]) -> None:
    line = next(line for line in sheet["parts"] if line["parts"] == ["Q1"])
    assert line["alternative"].startswith("any small-signal NPN with gain at least")
    assert "V_CEO at least 13 V" in line["alternative"]  # 9.6 V / 0.75 = 12.8 V


def test_readings_follow_the_supply_outwards(sheet: dict[str, Any]) -> None:
    nets = [reading["net"] for reading in _state(sheet, "dark")["readings"]]
    assert nets[0] == "rail"
    assert nets.index("go") < nets.index("base") < len(nets)
    assert "gnd" not in nets


def test_each_state_says_how_to_get_there(sheet: dict[str, Any]) -> None:
    assert _state(sheet, "dark")["how"] == "with every contact and driver at rest"
    assert _state(sheet, "lit")["how"] == 'with S1 closed; "press" leads there'


def test_a_net_that_nothing_holds_is_said_to_be_undefined() -> None:
    loose = LAMP.replace(b"  R2: {kind: resistor, resistance: 100k, pins: {a: base, b: gnd}}\n", b"")
    loose = loose.replace(b"  R4: {kind: resistor, resistance: 100k, pins: {a: side, b: gnd}}\n", b"")
    loose = loose.replace(b"a: go, b: side", b"a: go, b: base")
    sheet = facade.bench(facade.read(loose, "yaml"))
    base = next(r for r in sheet["states"][0]["readings"] if r["net"] == "base")
    assert base["free"] is None
    assert "undefined" in base["advice"]


def test_a_heavy_meter_is_warned_of() -> None:
    sheet = facade.bench(facade.read(LAMP, "yaml"), meter="20 kohm/V")
    lit = next(state for state in sheet["states"] if state["name"] == "lit")
    side = next(reading for reading in lit["readings"] if reading["net"] == "side")
    assert side["range"] == 10.0
    assert side["loading"] == pytest.approx(-50.0 / 250.0, rel=0.01)
    assert "the meter moves it by -20 %" in side["advice"]


def test_a_measured_battery_narrows_the_bands() -> None:
    wide = facade.bench(facade.read(LAMP, "yaml"))
    narrow = facade.bench(facade.read(LAMP, "yaml"), measured={"BT1": 9.1})

    def rail(sheet: dict[str, Any]) -> tuple[float, float]:
        reading = next(r for r in _state(sheet, "dark")["readings"] if r["net"] == "rail")
        return reading["low"], reading["high"]

    assert rail(wide) == pytest.approx((6.5, 9.6), rel=1e-5)
    assert rail(narrow) == pytest.approx((9.1, 9.1), rel=1e-5)
    # what to buy is for every battery that may come
    assert narrow["parts"] == wide["parts"]


def test_the_bench_supply_is_limited_just_above_the_need(sheet: dict[str, Any]) -> None:
    step = next(step for step in sheet["bring_up"] if "current limit" in step["do"])
    most = next(c["high"] for c in _state(sheet, "lit")["currents"])
    assert most == pytest.approx((9.6 - 1.8 - 0.2) / 315.5, rel=0.1)
    assert "50 mA" in step["do"]


def test_a_timing_capacitor_is_tried_a_hundredth_first() -> None:
    sheet = facade.bench(_document(garden_light()))
    step = next(step for step in sheet["bring_up"] if "in place of C1" in step["do"])
    assert "4.7 uF in place of C1 (470 uF)" in step["do"]
    started = next(s for s in sheet["states"] if s["held"] and s["contacts"] == {"S1": "open"})
    timer = next(r for r in started["readings"] if r["moves_to"] is not None and r["net"] == "tm")
    assert timer["moves_to"] == pytest.approx(3.9, abs=0.2)
    assert timer["low"] <= 0.0 < timer["moves_to"] <= timer["high"]


def test_a_pointer_meter_on_a_timing_net_is_sent_elsewhere() -> None:
    sheet = facade.bench(_document(garden_light()), meter="20 kohm/V")
    started = next(s for s in sheet["states"] if s["held"] and s["contacts"] == {"S1": "open"})
    timer = next(r for r in started["readings"] if r["net"] == "tm")
    assert "of what charges it and moves the delay" in timer["advice"]


def test_cautions_come_with_it(sheet: dict[str, Any]) -> None:
    text = " ".join(sheet["cautions"])
    assert "licensed" in text
    assert "Do not short BT1" in text


@pytest.mark.parametrize(("text", "resistance", "per_volt"), [("10 Mohm", 10e6, None), ("20k/V", None, 20e3)])
def test_meters_are_read(text: str, resistance: float | None, per_volt: float | None) -> None:
    meter = meter_of(text)
    assert (meter.resistance, meter.per_volt) == (resistance, per_volt)


@pytest.mark.parametrize(
    ("options", "option", "accepted"),
    [
        ({"meter": "10 V"}, "meter", "20 kohm/V"),
        ({"meter": "0 ohm"}, "meter", "10 Mohm"),
        ({"measured": {"BT2": 9.0}}, "measured", "BT1"),
        ({"measured": {"R1": 9.0}}, "measured", "BT1"),
    ],
)
def test_bad_options_are_refused_with_what_is_needed(options: Any, option: str, accepted: str) -> None:
    with pytest.raises(OptionRefused) as refused:
        facade.bench(facade.read(LAMP, "yaml"), **options)
    assert refused.value.option == option
    assert accepted in str(refused.value.complaint.accepted)


def test_the_parts_list_is_the_same_twice() -> None:
    circuit = load_circuit(facade.read(LAMP, "yaml").raw)
    assert parts_list(Study(circuit), installed()) == parts_list(Study(circuit), installed())


def _document(circuit: Circuit) -> Any:
    import json

    from schemas.document import dump

    return facade.read(json.dumps(dump(circuit)).encode(), "json")
