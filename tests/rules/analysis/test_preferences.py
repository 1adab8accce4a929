"""The preferred series of a study: whose they are, and that proposals take their values from them."""

from __future__ import annotations

import pytest

from rules.analysis.preferred import SERIES, Preferences, is_preferred, steps_in
from rules.analysis.study import Study
from rules.contract import Rule
from rules.divider_stiffness import RULE as DIVIDER
from rules.min_beta_drive import RULE as DRIVE
from schemas.quantities import parse
from tests.builders import circuit, resistor, supply
from tests.judged import document


@pytest.mark.parametrize(
    ("dielectric", "series"),
    [("aluminium", "E3"), ("tantalum", "E3"), ("film", "E48"), ("ceramic", "E96")],
)
def test_a_capacitor_takes_the_series_of_its_dielectric(dielectric: str, series: str) -> None:
    assert Preferences("E192", "E3", "E48", "E96").capacitor(dielectric) == series


def test_what_is_preferred_unless_told() -> None:
    # common practice, no source: what shops keep
    study = Study(circuit(supply("V1", "rail", "gnd", 9.0), resistor("R1", "rail", "gnd", 1e3)))
    assert study.preferences == Preferences("E24", "E6", "E12", "E12")
    assert study.series("R1") == "E24"


def test_a_decade_has_as_many_steps_as_its_series_has_members() -> None:
    assert {name: steps_in(name, 1.0) for name in SERIES} == {name: int(name[1:]) for name in SERIES}
    assert steps_in("E3", 0.01) == 1


@pytest.mark.parametrize("rule", [DIVIDER, DRIVE], ids=lambda rule: rule.slug)
@pytest.mark.parametrize("series", ["E6", "E12", "E96"])
def test_proposals_are_members_of_the_series_of_the_study(rule: Rule, series: str) -> None:
    found = document(rule.lesson.failing).circuit
    study = Study(found, preferences=Preferences(resistor=series))
    values = [
        parse(change.new, "resistance")
        for outcome in rule.check(study)
        for proposal in outcome.proposals
        for change in proposal.changes
        if change.pointer.endswith("/resistance")
    ]
    assert values
    assert all(is_preferred(value, series) for value in values)
