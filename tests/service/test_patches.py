"""Guarded patches: what they guard, what they refuse, how big they are."""

from __future__ import annotations

import copy
import math

import pytest

from schemas.circuit import Circuit, Part
from schemas.finding import Change
from service.patches import CannotPatch, apply, compose, patch_for, size, split, value_at

RAW = {
    "name": "bench",
    "parts": {
        "R1": {"kind": "resistor", "resistance": "4k7", "pins": {"a": "n1", "b": "gnd"}},
        "a/b~c": {"kind": "resistor", "resistance": 10},
    },
    "requirements": [{"kind": "delay"}],
}


def test_a_replaced_value_is_guarded_by_its_text_and_its_part_by_its_kind() -> None:
    patch = patch_for(RAW, [Change("/parts/R1/resistance", 4700.0, "3k9")])
    assert patch == (
        {"op": "test", "path": "/parts/R1/kind", "value": "resistor"},
        {"op": "test", "path": "/parts/R1/resistance", "value": "4k7"},
        {"op": "replace", "path": "/parts/R1/resistance", "value": "3k9"},
    )


def test_a_member_that_is_not_there_is_added_and_the_guards_come_first() -> None:
    changes = [Change("/parts/R1/tolerance", None, "1 %"), Change("/parts/R1/resistance", None, 5)]
    patch = patch_for(RAW, changes)
    assert [operation["op"] for operation in patch] == ["test", "test", "replace", "add"]
    assert apply(RAW, patch)["parts"]["R1"]["tolerance"] == "1 %"


def test_a_part_can_be_added_and_a_member_removed() -> None:
    part = {"kind": "resistor", "resistance": "1k0", "pins": {"a": "n1", "b": "gnd"}}
    patched = apply(
        RAW, patch_for(RAW, [Change("/parts/R2", None, part), Change("/parts/R1/pins/b", "gnd", None)])
    )
    assert patched["parts"]["R2"] == part
    assert patched["parts"]["R1"]["pins"] == {"a": "n1"}


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (Change("/parts/R9/resistance", None, 5), "/parts/R9 is not there to be changed"),
        (Change("/parts/R1", None, {"kind": "resistor"}), "R1 is already the name of a part"),
        (Change("/parts/R1/tolerance", None, None), "/parts/R1/tolerance is not there to be removed"),
        (Change("/parts/R1/resistance", 4700.0, "4k7"), "nothing would change"),
    ],
)
def test_changes_that_do_not_fit_are_refused(change: Change, reason: str) -> None:
    with pytest.raises(CannotPatch, match=reason):
        patch_for(RAW, [change])


def test_a_patch_is_applied_as_a_whole_or_not_at_all() -> None:
    before = copy.deepcopy(RAW)
    patch = patch_for(RAW, [Change("/parts/R1/resistance", 4700.0, "3k9")])
    moved = copy.deepcopy(RAW)
    moved["parts"]["R1"]["resistance"] = "5k6"  # type: ignore[index]
    with pytest.raises(CannotPatch):
        apply(moved, patch)
    assert moved["parts"]["R1"]["resistance"] == "5k6"  # type: ignore[index]
    assert before == RAW
    apply(RAW, patch)
    assert before == RAW


def test_pointers_are_unescaped() -> None:
    assert split("/parts/a~1b~0c/resistance") == ["parts", "a/b~c", "resistance"]
    assert value_at(RAW, "/parts/a~1b~0c/resistance") == 10
    assert value_at(RAW, "/requirements/0/kind") == "delay"


def test_composed_changes_keep_the_first_old_and_the_last_new_value() -> None:
    first = [Change("/b", 1, 2), Change("/a", 1, 2)]
    assert compose(first, [Change("/b", 2, 3)]) == (Change("/a", 1, 2), Change("/b", 1, 3))


def test_a_change_inside_an_added_part_goes_into_it() -> None:
    part = {"kind": "resistor", "resistance": 10, "pins": {"a": "n1", "b": "gnd"}}
    steps = (
        [Change("/parts/R2", None, part)],
        [Change("/parts/R2/resistance", 10, 12)],
        [Change("/parts/R2/pins/a", "n1", "n2")],
    )
    (change,) = compose(*steps)
    assert change == Change("/parts/R2", None, {**part, "resistance": 12, "pins": {"a": "n2", "b": "gnd"}})
    assert part["resistance"] == 10
    assert compose([Change("/parts/R2/tolerance", None, 1)], [Change("/parts/R2", None, part)]) == (
        Change("/parts/R2", None, part),
    )
    with pytest.raises(CannotPatch, match="inside a value that an earlier step took away"):
        compose([Change("/parts/R1", {}, None)], [Change("/parts/R1/resistance", 1, 2)])


def _circuit(**parts: Part) -> Circuit:
    return Circuit("c", "gnd", parts)


def _resistor(ohms: float, **pins: str) -> Part:
    return Part("R", "resistor", pins or {"a": "n1", "b": "gnd"}, {"resistance": ohms})


def test_the_size_counts_parts_first_and_then_the_ratio_of_values() -> None:
    before = _circuit(R1=_resistor(100.0), R2=_resistor(100.0))
    assert size(before, before) == (0, 0.0)
    assert size(before, _circuit(R1=_resistor(200.0), R2=_resistor(100.0))) == (1, pytest.approx(math.log(2)))
    halved = size(before, _circuit(R1=_resistor(50.0), R2=_resistor(100.0)))
    assert halved == (1, pytest.approx(math.log(2)))
    assert size(before, _circuit(R1=_resistor(101.0), R2=_resistor(99.0)))[0] == 2
    added = size(before, _circuit(R1=_resistor(100.0), R2=_resistor(100.0), R3=_resistor(1.0)))
    assert added == (1, pytest.approx(math.log(10)))
    rewired = size(before, _circuit(R1=_resistor(100.0, a="n2", b="gnd"), R2=_resistor(100.0)))
    assert rewired == (1, pytest.approx(math.log(10)))
