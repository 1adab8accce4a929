"""What a rule hands over is checked before it is believed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from rules.soundness import complaint, relative_margin
from schemas.circuit import Circuit, Part
from schemas.finding import Change, Outcome, Proof, Proposal, Quantity, Remedy
from schemas.finding import Test as Inequality
from tests.service.fakes import satisfied, violated

NAN = float("nan")
CIRCUIT = Circuit("c", "gnd", {"R1": Part("R1", "resistor", {"a": "n1", "b": "gnd"}, {"resistance": 1.0})})
LOW = Inequality.at_least(50.0, 100.0, "ohm")
SOUND = violated("rule", LOW, ("R1",), (Proposal("s", (Change("/parts/R1/resistance", 1, 2),)),))
FINDING: Any = SOUND.finding


def _with(**over: Any) -> Outcome:
    return replace(SOUND, finding=replace(FINDING, **over))


def test_sound_outcomes_are_believed() -> None:
    for outcome in (
        SOUND,
        satisfied("rule", Inequality.at_least(3.0, 2.0, "V")),
        Outcome("rule", "not-applicable", ()),
    ):
        assert complaint(outcome, "rule", CIRCUIT) is None


@pytest.mark.parametrize(
    ("outcome", "text"),
    [
        ("violated", "the rule gave a str where an Outcome is needed"),
        (replace(SOUND, rule="other"), "the outcome names the rule 'other'"),
        (replace(SOUND, kind="fine"), "the outcome kind is 'fine'"),
        (replace(SOUND, subject=["R1"]), "the outcome's subject is not a tuple of names"),
        (Outcome("rule", "undecided", ()), "an outcome is undecided without a reason"),
        (Outcome("rule", "violated", ()), "an outcome is violated without a finding"),
        (replace(SOUND, kind="satisfied", test=None), "an outcome is satisfied with a finding"),
        (
            Outcome("rule", "satisfied", (), test=LOW),
            "an outcome is satisfied although its test has the margin -50",
        ),
        (
            Outcome("rule", "satisfied", (), test=Inequality(NAN, ">=", 1.0, "V", 1.0)),
            "the left of the test of the outcome",
        ),
        (
            Outcome("rule", "satisfied", (), proposals=SOUND.proposals),
            "an outcome is satisfied and proposes changes",
        ),
        (_with(rule="other"), "the finding names the rule 'other'"),
        (_with(severity="fatal"), "the severity is 'fatal'"),
        (_with(message=" "), "the message is empty"),
        (_with(parts=("R9",)), "the finding names the part 'R9', which is not in the circuit"),
        (_with(nets=("n9",)), "the finding names the net 'n9', which is not in the circuit"),
        (_with(pointers=("parts/R1",)), "'parts/R1' is not a JSON Pointer"),
        (_with(test=Inequality(NAN, ">=", 1.0, "V", -1.0)), "the left of the test of the finding is nan"),
        (_with(test=Inequality(1.0, ">=", 1.0, "V", NAN)), "the margin of the test of the finding is nan"),
        (_with(test=Inequality("1", ">=", 1.0, "V", -1.0)), "the left of the test of the finding is '1'"),
        (
            _with(test=Inequality(1.0, "==", 1.0, "V", -1.0)),
            "the relation of the test of the finding is '=='",
        ),
        (
            _with(test=Inequality.at_least(5.0, 1.0, "V")),
            "the rule is violated although its test has the margin 4",
        ),
        (_with(evidence=(Quantity("I_B", "m", NAN, "A"),)), "the evidence I_B is nan"),
        (_with(evidence=(Quantity("I_B", "m", None, "A"),)), "the evidence I_B is None"),  # type: ignore[arg-type]
        (
            _with(evidence=(Quantity("I_B", "m", 1.0, "A", "guessed"),)),
            "the origin of the evidence I_B is 'guessed'",
        ),
        (_with(remedies=(Remedy("s", (), Proof(True, "", 0.0, 0.0, 0.0, "")),)), "remedies of its own"),
        (replace(SOUND, proposals=(Proposal("s", ()),)), "a proposal has no changes or no summary"),
        (replace(SOUND, proposals=(Proposal("s", (Change("R1", 1, 2),)),)), "a proposal changes 'R1'"),
    ],
)
def test_what_is_unsound_is_named(outcome: Any, text: str) -> None:
    found = complaint(outcome, "rule", CIRCUIT)
    assert found is not None
    assert text in found


def test_a_margin_is_seen_in_units_of_its_limit() -> None:
    assert relative_margin(Inequality.at_least(50.0, 100.0, "ohm")) == -0.5
    assert relative_margin(Inequality.at_most(-3.0, -2.0, "V")) == 0.5
    assert relative_margin(Inequality.at_least(-3.0, 0.0, "V")) == -3.0
    assert relative_margin(Inequality.at_most(3.0, float("inf"), "V")) == float("inf")
