"""Reviews dump to the published shape, and only that shape loads."""

from __future__ import annotations

import copy
import json
import math
from typing import Any

import pytest
from marshmallow import ValidationError

from schemas.finding import (
    Assumed,
    Finding,
    Grounds,
    Occurrence,
    Outcome,
    Proof,
    Quantity,
    Remedy,
    Review,
    identity,
)
from schemas.finding import (
    Test as Inequality,
)
from schemas.finding_schema import review_schema
from service.shapes import review_shape

FINDING = Finding(
    rule="divider-stiffness",
    severity="warning",
    parts=("R1", "R2"),
    nets=("n2",),
    pointers=("/parts/R1/resistance",),
    state="idle",
    corner="beta min",
    message="the tap shifts by 0.4 V",
    evidence=(
        Quantity("I_B", "base current", 4.8e-6, "A", pointer="/parts/Q1"),
        Quantity("V", "tap", math.nan, "V", source="hand formula"),
    ),
    test=Inequality.at_most(0.4, 0.1, "V"),
    grounds=Grounds(
        "the divider carries ten times the base current",
        "I_D >= 10*I_B",
        {"I_D": "divider current, A", "I_B": "base current, A"},
        "common practice, no source",
        "small signals",
        "heavy loads",
    ),
    role="divider",
    remedies=(
        Remedy(
            "R1 to 1.8 kohm",
            (
                {"op": "test", "path": "/parts/R1/resistance", "value": "4k7"},
                {"op": "replace", "path": "/parts/R1/resistance", "value": "1k8"},
            ),
            Proof(True, "", 0.4, math.inf, 0.1, "V", ("beta min",)),
        ),
    ),
    advice=("see the lesson",),
    occurrences=(Occurrence("idle", None, "warning", 0.4, -0.3),),
)
REVIEW = Review(
    circuit="pond-pump",
    ruleset="0123",
    complete=True,
    states=({"contacts": {"S1": "open"}, "name": "idle", "stable": True, "nets": {"n1": math.nan}},),
    findings=(FINDING,),
    outcomes=(
        Outcome("divider-stiffness", "violated", ("R1", "R2"), finding=FINDING, test=FINDING.test),
        Outcome("reset-path", "undecided", ("C1",), reason="no leakage"),
    ),
    assumed=(
        Assumed("/assumptions/vbe_on", "V_BE", 0.7, "V", "rule of thumb"),
        Assumed("/parts/C1/dielectric", "dielectric", "film", "", "value"),
    ),
    cautions=("mains is near",),
)


def dumped() -> dict[str, Any]:
    data = review_schema().dump(REVIEW)
    assert isinstance(data, dict)
    return data


def test_the_dump_is_what_the_service_answers() -> None:
    assert dumped() == review_shape(REVIEW)


def test_the_dump_is_plain_json_without_nan_and_loads_back() -> None:
    data = dumped()
    assert json.loads(json.dumps(data, allow_nan=False)) == data
    assert data["findings"][0]["evidence"][1]["value"] is None
    assert data["findings"][0]["remedies"][0]["proof"]["after"] is None
    assert data["states"][0]["nets"] == {"n1": None}
    assert review_schema().load(data) == data


def test_identity_is_dumped_and_does_not_depend_on_order() -> None:
    data = dumped()
    assert data["findings"][0]["identity"] == identity("divider-stiffness", ("R2", "R1"), ("n2",), "divider")
    assert [o["identity"] for o in data["outcomes"]] == [data["findings"][0]["identity"], None]


@pytest.mark.parametrize(
    ("path", "value", "words"),
    [
        (("complete",), "on", "true or false"),
        (("complete",), 1, "true or false"),
        (("circuit",), 5, "text"),
        (("circuit",), None, "null"),
        (("findings", 0, "severity"), "fatal", "one of error, warning, note"),
        (("findings", 0, "test", "left"), math.nan, "a finite number"),
        (("findings", 0, "test", "left"), math.inf, "a finite number"),
        (("findings", 0, "test", "left"), "1_000", "a finite number"),
        (("findings", 0, "test", "left"), True, "a finite number"),
        (("findings", 0, "test", "relation"), "==", "one of"),
        (("findings", 0, "evidence"), {}, "Not a valid list"),
        (("findings", 0, "grounds", "symbols"), {"I": math.nan}, "finite numbers"),
        (("findings", 0, "extra"), 1, "Unknown field"),
        (("outcomes", 1, "kind"), "maybe", "one of violated"),
        (("assumed", 0, "value"), False, "a number or text"),
    ],
)
def test_what_is_not_a_review_is_refused(path: tuple[str | int, ...], value: Any, words: str) -> None:
    data = copy.deepcopy(dumped())
    holder: Any = data
    for token in path[:-1]:
        holder = holder[token]
    holder[path[-1]] = value
    with pytest.raises(ValidationError) as caught:
        review_schema().load(data)
    error: Any = caught.value.messages
    for token in path:
        error = error[token]
    assert words in json.dumps(error)


@pytest.mark.parametrize("member", sorted(dumped()))
def test_every_member_is_required(member: str) -> None:
    data = dumped()
    del data[member]
    with pytest.raises(ValidationError, match="Missing data"):
        review_schema().load(data)
