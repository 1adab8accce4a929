"""Contact positions and driver levels: which are looked at, and who reaches them."""

from __future__ import annotations

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.study import Study
from schemas.circuit import Action, Circuit
from tests.builders import circuit, contact, driver, only_state, press, resistor, supply, volts

STIMULI = {"press": press("S1", 0.1), "switch on": (Action(0.0, "U1", "high"), Action(1.0, "S1", "closed"))}


def bench(contacts: int = 1, *, stimuli: dict[str, tuple[Action, ...]] | None = None) -> Circuit:
    parts = [
        supply("V1", "vp", "gnd", 5.0),
        driver("U1", "u", "gnd", 0.1, 4.9),
        resistor("RU", "u", "gnd", 1e3),
    ]
    for k in range(1, contacts + 1):
        parts += [contact(f"S{k}", "vp", f"x{k}"), resistor(f"R{k}", f"x{k}", "gnd", 1e3)]
    return circuit(*parts, stimuli=stimuli or {})


def test_rest_first_then_what_a_stimulus_reaches() -> None:
    made, whole = configurations(bench(stimuli=STIMULI))
    assert whole
    assert [(c.contacts["S1"], c.drivers["U1"], c.reached_by) for c in made] == [
        ("open", "low", ("rest", "press")),
        ("closed", "low", ("press",)),
        ("open", "high", ("switch on",)),
        ("closed", "high", ("switch on",)),
    ]


def test_every_position_is_looked_at_without_stimuli() -> None:
    made, whole = configurations(bench(contacts=3))
    assert whole
    assert len({c.key for c in made}) == len(made) == 16
    assert made[0].reached_by == ("rest",)
    assert made[0].key == "S1 open, S2 open, S3 open, U1 low"
    assert all(c.reached_by == () for c in made[1:])


@pytest.mark.parametrize(("contacts", "whole"), [(5, True), (6, False)])
def test_past_six_movable_parts_only_single_moves(contacts: int, whole: bool) -> None:
    """64 combinations are tried; past that rest, stimuli and single moves, and that is said."""
    made, all_of_them = configurations(bench(contacts=contacts, stimuli={"press": press("S1", 0.1)}))
    assert all_of_them is whole
    assert len(made) == (64 if whole else 1 + contacts + 1)
    study = Study(bench(contacts=contacts))
    assert study.complete is whole
    assert any("not every combination" in reason for reason in study.incomplete_reasons) is not whole


def test_steps_of_a_stimulus_at_the_same_time_are_one_move() -> None:
    together = {"both": (Action(0.0, "S1", "closed"), Action(0.0, "U1", "high"))}
    made, _ = configurations(bench(stimuli=together))
    assert [c.key for c in made if "both" in c.reached_by] == ["S1 closed, U1 high"]


def test_rest_positions_are_those_declared() -> None:
    parts = (
        supply("V1", "vp", "gnd", 5.0),
        contact("S1", "vp", "x", "closed"),
        resistor("R1", "x", "gnd", 1e3),
        driver("U1", "u", "gnd", 0.1, 4.9, rest="high"),
        resistor("R2", "u", "gnd", 1e3),
    )
    made, _ = configurations(circuit(*parts))
    assert made[0].key == "S1 closed, U1 high"


@pytest.mark.parametrize(("level", "expected"), [("low", 0.1), ("high", 4.9)])
def test_driver_levels(level: str, expected: float) -> None:
    assert volts(only_state(bench(), U1=level), "u") == pytest.approx(expected, rel=1e-12)


def test_open_contact_leaves_its_resistor_without_current() -> None:
    assert volts(only_state(bench()), "x1") == 0.0
    assert volts(only_state(bench(), S1="closed"), "x1") == 5.0
