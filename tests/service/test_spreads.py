"""Spreads over the tolerances: against closed forms, exact bounds, and honest when cut short."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from service import facade
from service.facade import OptionRefused

EXAMPLES = Path(__file__).parents[2] / "clients" / "examples"
DIVIDER = """\
format: thumbrule/1
name: bench-divider
ground: gnd
ambient: {low: 25 degC, nominal: 25 degC, high: 25 degC}
parts:
  V1: {kind: supply, voltage: 10 V, low: 10 V, high: 10 V, pins: {plus: top, minus: gnd}}
  R1: {kind: resistor, resistance: 10k, tolerance: 5 %, pins: {a: top, b: tap}}
  R2: {kind: resistor, resistance: 10k, tolerance: 5 %, pins: {a: tap, b: gnd}}
  R3: {kind: resistor, resistance: 1k, pins: {a: top, b: pilot}}
  D1: {kind: led, forward: 2 V, pins: {anode: pilot, cathode: gnd}}
states: {resting: {D1: on}}
requirements:
  - {kind: net-voltage, name: half, net: tap, state: resting, target: 5 V, within: 5.1 %}
  - {kind: net-voltage, name: narrow, net: tap, state: resting, target: 5 V, within: 1 %}
"""


def ask(text: str, **options: Any) -> Any:
    answer = facade.spread(facade.read(text.encode(), "yaml"), **options)
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer
    return answer


def quantity(answer: Any, name: str, kind: str = "net-voltage", **where: Any) -> Any:
    (found,) = (q for q in answer["quantities"] if (q["kind"], q["name"]) == (kind, name)
                and all(q[key] == value for key, value in where.items()))  # fmt: skip
    return found


def test_a_divider_spreads_as_its_closed_form() -> None:
    answer = ask(DIVIDER, samples=20_000, seed=7)
    varied = {(v["part"], v["member"]): (v["low"], v["nominal"], v["high"]) for v in answer["varied"]}
    assert varied["R1", "resistance"] == varied["R2", "resistance"] == (9500.0, 10000.0, 10500.0)
    assert ("V1", "voltage") not in varied
    tap = quantity(answer, "tap")
    worst = tap["worst"]
    assert worst["low"] == pytest.approx(10 * 0.95 / 2.0, rel=1e-12)
    assert worst["high"] == pytest.approx(10 * 1.05 / 2.0, rel=1e-12)
    assert (worst["low_corner"], worst["high_corner"]) == ("R1 +5 %, R2 -5 %", "R1 -5 %, R2 +5 %")
    assert worst["exact"] is True
    # one resistor alone moves the tap by 10 V * (1/2.05 - 1/1.95) / 2 either way
    alone = 10 * (1 / 1.95 - 1 / 2.05) / 2
    assert tap["root_sum_square"] == pytest.approx(math.sqrt(2) * alone, rel=1e-9)
    # two uniform intervals: the deviation is the root sum square over root three, nearly
    assert tap["deviation"] == pytest.approx(tap["root_sum_square"] / math.sqrt(3), rel=0.02)
    assert tap["mean"] == pytest.approx(5.0, abs=0.005)
    assert tap["median"] == pytest.approx(5.0, abs=0.005)
    # by integration of the ratio of two uniform resistors on a fine grid
    grid = 10_000 * (0.95 + 0.1 * (np.arange(2000) + 0.5) / 2000)
    volts = 10 * grid[None] / (grid[None] + grid[:, None])
    low, high = np.quantile(volts, [0.005, 0.995])
    assert tap["low"] == pytest.approx(low, abs=0.005)
    assert tap["high"] == pytest.approx(high, abs=0.005)


def test_the_yield_is_that_of_the_area_within_the_limits() -> None:
    answer = ask(DIVIDER, samples=20_000, seed=3)
    half, narrow = answer["yields"]
    assert (half["requirement"], half["share"]) == ("half", 1.0)
    grid = 0.95 + 0.1 * (np.arange(1000) + 0.5) / 1000
    ratio = 10 * grid[None] / (grid[None] + grid[:, None])
    true = float(np.mean(np.abs(ratio - 5.0) <= 0.05))
    assert narrow["low"] < true < narrow["high"]
    assert narrow["share"] == pytest.approx(true, abs=0.015)
    assert narrow["passed"] == round(narrow["share"] * 20_000)
    assert (narrow["at_least"], narrow["at_most"]) == (pytest.approx(4.95), pytest.approx(5.05))


def test_no_sample_of_a_timer_lies_outside_its_worst_values() -> None:
    answer = facade.spread(facade.read((EXAMPLES / "frost-bell.yaml").read_bytes(), "yaml"), samples=600)
    assert answer["complete"]
    assert len(answer["quantities"]) > 20
    for item in answer["quantities"]:
        worst = item["worst"]
        assert worst["exact"], item["name"]
        room = 1e-9 * max(1.0, abs(worst["high"]))
        assert worst["low"] - room <= item["low"] <= item["median"] <= item["high"] <= worst["high"] + room
        assert worst["low"] - room <= item["nominal"] <= worst["high"] + room
    ring = quantity(answer, "C1", "delay")
    assert ring["count"] == 600
    assert ring["never"] == 0
    (wanted,) = answer["yields"]
    assert (wanted["kind"], wanted["passed"]) == ("delay", 600)
    assert [item["kind"] for item in answer["left_out"]] == ["re-arm", "standing-current"]


def test_a_state_that_some_samples_lack_has_its_share() -> None:
    # Q1 turns the lamp on when the divider reaches 0.7 V; nominally it does by a hair
    text = """\
format: thumbrule/1
name: hair-trigger
ground: gnd
ambient: {low: 25 degC, nominal: 25 degC, high: 25 degC}
assumptions: {junction_spread: 0 V}
parts:
  V1: {kind: supply, voltage: 10 V, low: 10 V, high: 10 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 92.5k, tolerance: 5 %, pins: {a: rail, b: base}}
  R2: {kind: resistor, resistance: 7k, tolerance: 0.1 %, pins: {a: base, b: gnd}}
  Q1: {kind: npn, beta: 100, pins: {collector: lamp, base: base, emitter: gnd}}
  LP1: {kind: load, resistance: 1k, pins: {plus: rail, minus: lamp}}
states:
  lit: {Q1: on}
"""
    answer = ask(text, samples=2000)
    (lit,) = (item for item in answer["states"] if item["state"] == "lit")
    # on where R1 < R2 * 9.3 / 0.7 = 93 kohm: from 87.875 to 97.125 kohm, that is 55.4 %
    true = (93e3 - 87.875e3) / (97.125e3 - 87.875e3)
    assert lit["low"] < true < lit["high"]
    lamp = quantity(answer, "lamp", state="lit")
    assert lamp["count"] == lit["found"]
    assert lamp["worst"]["exact"] is False
    assert "the circuit is in another state" in lamp["worst"]["note"]


def test_the_same_seed_gives_the_same_answer_and_another_one_another() -> None:
    first, again, other = (ask(DIVIDER, samples=300, seed=seed) for seed in (5, 5, 6))
    assert first == again
    assert quantity(first, "tap")["low"] != quantity(other, "tap")["low"]


def test_a_budget_gives_an_honest_part_and_its_bounds() -> None:
    answer = ask(DIVIDER, samples=5000, budget=700)
    assert (answer["samples"], answer["asked"], answer["complete"]) == (700, 5000, False)
    assert "700 of 5000 samples done" in answer["problems"]
    assert quantity(answer, "tap")["count"] == 700
    assert quantity(answer, "tap")["worst"]["exact"] is True
    # the samples are those with which the whole run begins
    whole = ask(DIVIDER, samples=5000)
    assert quantity(whole, "tap")["count"] == 5000


def test_progress_is_told_and_may_end_the_run() -> None:
    heard: list[tuple[int, int]] = []

    def progress(done: int, asked: int) -> bool:
        heard.append((done, asked))
        return done >= 1000

    answer = ask(DIVIDER, samples=2600, progress=progress)
    assert heard == [(500, 2600), (1000, 2600)]
    assert (answer["samples"], answer["complete"]) == (1000, False)
    assert quantity(answer, "tap")["worst"] is None
    assert answer["yields"][0]["passed"] == 1000
    assert "1000 of 2600 samples done" in answer["problems"]


@pytest.mark.parametrize(("options", "option"), [
    ({"samples": 0}, "samples"), ({"samples": 100_001}, "samples"), ({"seed": -1}, "seed"),
    ({"budget": 0}, "budget")])  # fmt: skip
def test_numbers_out_of_range_are_refused(options: dict[str, Any], option: str) -> None:
    with pytest.raises(OptionRefused) as refused:
        ask(DIVIDER, **options)
    assert refused.value.option == option


def test_a_circuit_without_an_answer_says_why() -> None:
    short = DIVIDER.replace("pins: {a: top, b: tap}", "pins: {a: top, b: tap}").replace(
        "  R1:", "  V2: {kind: supply, voltage: 9 V, pins: {plus: top, minus: gnd}}\n  R1:")
    answer = ask(short, samples=10)
    assert answer["complete"] is False
    assert answer["problems"]
    assert answer["quantities"] == []
