"""``/v1/sheets`` in process: its shape, its refusals, and that every number is that of its own formula."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service import facade
from service.facade import OptionRefused
from tests.sheets import worked_out

EXAMPLES = sorted((Path(__file__).parents[2] / "clients" / "examples").glob("*.*"))
SHED = """\
format: thumbrule/1
name: shed-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: order}}
  R1: {kind: resistor, resistance: 10k, pins: {a: order, b: base}}
  R2: {kind: resistor, resistance: 22k, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: {min: 100, typical: 200, max: 300},
       pins: {collector: rail, base: base, emitter: lamp}}
  LP1: {kind: load, resistance: 470, pins: {plus: lamp, minus: gnd}}
states:
  dark: {Q1: off}
  lit: {Q1: active}
"""


def ask(text: str, **options: Any) -> Any:
    answer = facade.sheet(facade.read(text.encode(), "yaml"), **options)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    return answer


def test_one_sheet_per_state_and_position() -> None:
    answer = ask(SHED)
    found = [(sheet["state"], sheet["contacts"]["S1"]) for sheet in answer["sheets"]]
    assert found == [("dark", "open"), ("lit", "closed")]
    assert answer["complete"] is True
    assert answer["circuit"] == "shed-lamp"


def test_a_state_by_its_name_and_a_gain() -> None:
    (lit,) = ask(SHED, state="lit", beta="min")["sheets"]
    found = {step["id"]: step for step in lit["steps"]}
    # by hand: 6.1875 V behind 6.875 k, 101 times 470 ohm
    volts, ohms = 9 * 22 / 32, 10e3 * 22e3 / 32e3
    assert found["I_B(Q1)"]["value"] == pytest.approx((volts - 0.7) / (ohms + 101 * 470), rel=1e-12)
    assert found["I_B(Q1)"]["formula"] == "(V_th(base) - V_BE) / (R_th(base) + (beta(Q1) + 1) * R(LP1))"
    assert found["I_B(Q1)"]["uses"] == ["V_th(base)", "V_BE", "R_th(base)", "beta(Q1)", "R(LP1)"]
    rough = found["I_B(Q1)"]["approximate"]
    assert rough["value"] == pytest.approx((volts - 0.7) / (101 * 470), rel=1e-12)
    assert rough["difference"] == pytest.approx(ohms / (101 * 470), rel=1e-9)
    assert rough["ratio"]["value"] == pytest.approx(9 / 32e3 / found["I_B(Q1)"]["value"], rel=1e-12)


def test_what_is_refused() -> None:
    with pytest.raises(OptionRefused) as refused:
        ask(SHED, state="lid")
    assert (refused.value.option, refused.value.complaint.accepted) == ("state", "dark, lit")
    assert refused.value.complaint.nearest == "lit"
    with pytest.raises(OptionRefused, match="beta"):
        ask(SHED, beta="most")


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.stem for path in EXAMPLES])
def test_every_number_is_that_of_its_own_formula(path: Path) -> None:
    answer = facade.sheet(facade.read(path.read_bytes(), name=path.name))
    for sheet in answer["sheets"]:
        values = {given["id"]: given["value"] for given in sheet["givens"]}
        onward = sheet["next"] or {"givens": [], "steps": []}
        for step in [*sheet["steps"], *onward["steps"]]:
            if step is (onward["steps"] or [None])[0]:
                values |= {given["id"]: given["value"] for given in onward["givens"]}
            assert step["id"] not in values
            assert set(step["uses"]) <= set(values), step["id"]
            assert worked_out(step["tree"], values) == step["value"], step["id"]
            values[step["id"]] = step["value"]
            rough = step["approximate"]
            for item in [] if rough is None else [rough, rough["ratio"], rough["shift"]]:
                assert item is None or worked_out(item["tree"], values) == item["value"]
        assert sheet["missing"] == []
        assert sheet["agreement"]["volts"] < 1e-9
        assert sheet["agreement"]["amperes"] < 1e-11
        assert all(check["holds"] is not False for check in sheet["checks"])
        open_ = [check for check in sheet["checks"] if check["holds"] is None]
        assert not open_ or sheet["undefined"]


def test_undefined_is_null_and_named() -> None:
    loose = SHED.replace(
        "states:", "  C1: {kind: capacitor, capacitance: 1 uF, pins: {a: rail, b: air}}\nstates:"
    )
    sheet = ask(loose)["sheets"][0]
    assert "the voltage of air" in sheet["undefined"]
    assert not any("air" in str(step["id"]) for step in sheet["steps"])


def test_a_circuit_without_an_answer_says_why() -> None:
    shorted = SHED.replace("b: order}}", "b: gnd}}")
    answer = ask(shorted)
    assert answer["complete"] is False
    assert answer["problems"]
    assert {sheet["contacts"]["S1"] for sheet in answer["sheets"]} == {"open"}


def test_the_same_bytes_every_time() -> None:
    assert json.dumps(ask(SHED)) == json.dumps(ask(SHED))
