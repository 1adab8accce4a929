"""The published shape of a course in time, on courses made by hand."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, cast

import numpy as np
import pytest

from rules.analysis.elements import Configuration
from rules.analysis.timeline.model import Event, Interval, Timeline
from schemas.circuit import Circuit
from service.sampling import Array
from service.timelines import timeline_shape
from tests.builders import capacitor, circuit, coil, contact, resistor, supply

Curve = Callable[[Array], Array]
THRESHOLD = 6.0


@dataclass(frozen=True)
class Stores:
    names: tuple[str, ...]
    free: tuple[str, ...]
    capacitors: int
    weight: Array


@dataclass(frozen=True)
class Mode:
    """C1 fails a condition at ``THRESHOLD`` on its way up."""

    conditions: tuple[Array, Array]
    pace: Array

    def rate(self, x: Array) -> Array:
        return self.pace


@dataclass(frozen=True)
class Plant:
    stores: Stores


@dataclass(frozen=True)
class Course:
    """Curves in closed form over the time since the start of the interval."""

    nets: Mapping[str, Curve]
    stores: Mapping[str, Curve] = field(default_factory=dict)

    @property
    def plant(self) -> Plant:
        names = tuple(name for name in ("C1", "C2") if name in self.stores)
        return Plant(Stores(names, names, len(names), np.full(len(names), 1e-6)))

    @property
    def mode(self) -> Mode:
        size = len(self.plant.stores.free)
        pace = np.array([1.0, 1e-3][:size])
        return Mode((np.array([THRESHOLD]), np.array([[-1.0, -1e-6][:size]])), pace)

    def at(self, times: Array) -> Array:
        return np.array([self.stores[name](times) for name in self.plant.stores.free])

    def voltages(self, times: Array) -> dict[str, Array]:
        return {name: curve(times) for name, curve in self.nets.items()}

    def stored(self, times: Array) -> dict[str, Array]:
        return {name: curve(times) for name, curve in self.stores.items()}


@dataclass(frozen=True)
class Devices:
    devices: Mapping[str, str]


def towards(start: float, aim: float, tau: float) -> Curve:
    return lambda t: aim + (start - aim) * np.exp(-t / tau)


def level(value: float) -> Curve:
    return lambda t: np.full(np.shape(t), value)


def interval(start: float, end: float, name: str, course: Course, contact_position: str = "open") -> Interval:
    return Interval(
        start,
        end,
        Configuration({"S1": contact_position}, {}),
        name,
        cast(Any, Devices({"Q1": "off"})),
        cast(Any, course),
    )


def subject() -> Circuit:
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "out"),
        resistor("R1", "out", "top", 1e3),
        capacitor("C1", "top", "gnd", 1e-3),
        capacitor("C2", "out", "gnd", 1e-9),
        coil("K1", "out", "gnd", 400.0),
        name="shelf-timer",
    )


AFTER = math.log(9.0 / (9.0 - THRESHOLD))  # s to charge to it with a time constant of 1 s


def release(end: float = math.inf) -> Timeline:
    """C1 charges towards 9 V, the circuit lets go at 6 V, and C1 discharges with a time constant of 2 s."""
    up, down = towards(0.0, 9.0, 1.0), towards(THRESHOLD, 0.0, 2.0)
    stores_up = {"C1": up, "C2": towards(0.0, 9.0, 1e-6), "K1": level(0.02)}
    stores_down = {"C1": down, "C2": towards(9.0, 0.0, 1e-6), "K1": towards(0.02, 0.0, 1e-3)}
    return Timeline(
        "shelf-timer",
        "press",
        "rest",
        "typical",
        "none",
        (
            Event(0.0, "stimulus", "S1 closes", ("S1",), "lit"),
            Event(AFTER, "jump", "C1 lets go", ("Q1",), "dark", "the only state left"),
            Event(AFTER + 9.0, "rest", "nothing moves any more", (), "dark"),
        ),
        (
            interval(0.0, AFTER, "lit", Course({"top": up, "out": level(9.0)}, stores_up), "closed"),
            interval(AFTER, end, "dark", Course({"top": down, "out": level(0.0)}, stores_down), "closed"),
        ),
        "settles",
        None,
        "",
    )


def points(line: Mapping[str, Sequence[float]], name: str = "voltage") -> list[tuple[float, float]]:
    return list(zip(line["at"], line[name], strict=True))


def test_the_members_of_the_published_shape_come_first() -> None:
    shape = timeline_shape(subject(), release())
    assert list(shape)[:7] == ["circuit", "stimulus", "events", "intervals", "nets", "verdict", "period"]
    assert (shape["circuit"], shape["stimulus"], shape["verdict"], shape["period"]) == (
        "shelf-timer", "press", "settles", None)  # fmt: skip
    assert list(shape["events"][0])[:3] == ["at", "what", "state"]
    assert list(shape["intervals"][0])[:3] == ["state", "from", "to"]
    assert list(shape["nets"]) == ["out", "top"]
    assert json.loads(json.dumps(shape, allow_nan=False)) == shape


def test_an_interval_without_end_has_none() -> None:
    first, last = timeline_shape(subject(), release())["intervals"]
    assert (first["state"], first["from"], first["to"]) == ("lit", 0.0, AFTER)
    assert (last["state"], last["from"], last["to"]) == ("dark", AFTER, None)
    assert last["devices"] == {"Q1": "off"}
    assert last["contacts"] == {"S1": "closed"}


def test_every_event_tells_what_is_stored() -> None:
    _, jump, _ = timeline_shape(subject(), release())["events"]
    assert jump["stored"] == {"C1": THRESHOLD, "C2": 9.0, "K1": 0.02}
    assert jump["reason"] == "the only state left"
    assert jump["parts"] == ["Q1"]


def test_curves_keep_both_sides_of_a_jump_and_follow_the_bend() -> None:
    shape = timeline_shape(subject(), release())
    assert points(shape["nets"]["out"])[:3] == [(0.0, 9.0), (AFTER, 9.0), (AFTER, 0.0)]
    top = [(t, v) for t, v in points(shape["nets"]["top"]) if t < AFTER]
    assert len(top) > 10
    assert [v for _, v in top] == pytest.approx([9.0 * (1 - math.exp(-t)) for t, _ in top], abs=1e-12)
    assert shape["stored"]["C1"]["unit"] == "V"
    assert shape["stored"]["C1"]["nets"] == ["top", "gnd"]
    assert shape["stored"]["K1"]["unit"] == "A"


def test_a_course_that_rests_is_drawn_until_it_has_settled() -> None:
    shape = timeline_shape(subject(), release())
    assert shape["drawn_to"] == pytest.approx(AFTER + math.log(100.0) * 2.0, rel=0.3)
    assert shape["nets"]["top"]["at"][-1] == shape["drawn_to"]


def test_a_small_tail_is_not_drawn_to_its_end() -> None:
    whole = release()
    tail = interval(AFTER, math.inf, "dark", Course({"top": towards(1.0, 0.0, 1e3)}, {}), "closed")
    shape = timeline_shape(subject(), replace(whole, intervals=(whole.intervals[0], tail)))
    assert shape["drawn_to"] == pytest.approx((AFTER + 9.0) * 1.06, rel=1e-6)
    long = interval(AFTER, math.inf, "dark", Course({"top": towards(5.0, 0.0, 1e3)}, {}), "closed")
    shape = timeline_shape(subject(), replace(whole, intervals=(whole.intervals[0], long)))
    assert shape["drawn_to"] > 4e3


def test_what_held_before_is_passed_on() -> None:
    before = {"state": "dark", "contacts": {"S1": "open"}, "drivers": {}, "nets": {"top": 0.0}, "stored": {}}
    assert timeline_shape(subject(), release(), before=before)["before"] == before
    assert timeline_shape(subject(), release())["before"] is None


def test_outputs_are_nets_at_loads_and_at_collectors_that_switch() -> None:
    assert timeline_shape(subject(), release())["outputs"] == ["out"]


def test_the_end_of_the_drawing_may_be_said() -> None:
    for until in (0.5, AFTER, 100.0):
        shape = timeline_shape(subject(), release(), until=until)
        assert shape["drawn_to"] == until
        assert {line["at"][-1] for line in shape["nets"].values()} == {until}
        assert len(shape["events"]) == 3


def test_the_threshold_is_that_of_the_capacitor_still_on_its_way() -> None:
    (threshold,) = timeline_shape(subject(), release())["thresholds"]
    assert threshold == {
        "part": "C1",
        "voltage": pytest.approx(THRESHOLD),
        "aim": pytest.approx(9.0),
        "at": AFTER,
        "kind": "jump",
        "state": "lit",
        "after": AFTER,
    }


def oscillation() -> Timeline:
    up, down = towards(0.0, 9.0, 1.0), towards(THRESHOLD, 0.0, 2.0)
    turn = AFTER + 1.0
    pieces = []
    for k in range(2):
        start = k * turn
        pieces.append(interval(start, start + AFTER, "on", Course({"top": up}, {"C1": up})))
        pieces.append(interval(start + AFTER, start + turn, "off", Course({"top": down}, {"C1": down})))
    events = (
        Event(0.0, "start", "power-up", (), "on"),
        Event(AFTER, "jump", "C1 turns round", ("Q1",), "off"),
        Event(2 * turn, "repeats", "as one period before", (), "on"),
    )
    return Timeline("shelf-timer", None, "power-up", "typical", "none", events, tuple(pieces), "oscillates",
                    turn, "")  # fmt: skip


def test_an_oscillation_goes_on_to_where_the_drawing_ends() -> None:
    turn = AFTER + 1.0
    assert timeline_shape(subject(), oscillation())["drawn_to"] == pytest.approx(3.25 * turn)
    shape = timeline_shape(subject(), oscillation(), until=5.5 * turn)
    top = shape["nets"]["top"]
    assert top["at"][-1] == pytest.approx(5.5 * turn)
    sharp = [t for t, v in points(top) if v == pytest.approx(THRESHOLD, abs=1e-9)]
    peaks = np.unique(np.round(sharp, 9))
    assert peaks == pytest.approx([k * turn + AFTER for k in range(6) if k * turn + AFTER <= 5.5 * turn])


def test_times_never_go_back() -> None:
    for share in (0.9, 1.0, 1.1):
        course = oscillation()
        period = course.period
        assert period is not None
        moved = [replace(i, start=i.start * share, end=i.end * share) for i in course.intervals]
        shape = timeline_shape(
            subject(), replace(course, intervals=tuple(moved), period=period * share), until=60.0
        )
        at = shape["nets"]["top"]["at"]
        assert at == sorted(at)
        assert len(at) <= 400


def test_a_drawing_of_endless_periods_says_where_it_stops() -> None:
    shape = timeline_shape(subject(), oscillation(), until=1e6)
    assert shape["drawn_to"] < 1e6
    assert "the curves end at" in shape["problems"][0]
    assert shape["complete"]


def test_an_undecided_course_is_not_complete_and_says_why() -> None:
    undecided = replace(release(end=AFTER + 1.0), verdict="undecided", reason="the budget is spent")
    shape = timeline_shape(subject(), undecided)
    assert shape["complete"] is False
    assert shape["problems"] == ["the budget is spent"]
    assert shape["drawn_to"] == pytest.approx(AFTER + 1.0)


def test_where_nothing_happens_a_second_is_drawn() -> None:
    rest = Timeline("x", None, "rest", "typical", "none", (Event(0.0, "start", "rest", (), "dark"),),
                    (interval(0.0, math.inf, "dark", Course({"top": level(3.0)}, {})),), "settles",
                    None, "")  # fmt: skip
    shape = timeline_shape(subject(), rest)
    assert points(shape["nets"]["top"]) == [(0.0, 3.0), (1.0, 3.0)]
