"""What a review has worked out goes with it: a worker that serves many does not fill the memory."""

from __future__ import annotations

import gc
import weakref
from pathlib import Path

from rules.analysis.study import Study
from schemas.circuit import Circuit
from service import engine, facade
from service.ruleset import installed

EXAMPLE = Path(__file__).parents[2] / "clients" / "examples" / "frost-bell.yaml"


def frost_bell() -> Circuit:
    return facade.read(EXAMPLE.read_bytes(), "yaml").circuit


def test_a_study_that_every_rule_was_asked_on_is_let_go() -> None:
    study = Study(frost_bell())
    hearing = engine.Hearing(study.circuit, installed(), study=study)
    assert hearing.whole().outcomes
    asked, given, values = weakref.ref(hearing.study), weakref.ref(study), weakref.ref(study.resolved)
    del study, hearing
    gc.collect()
    assert asked() is None
    assert given() is None
    assert values() is None


def test_with_and_without_cures_the_analyses_are_the_same() -> None:
    """A trial that asks for cures too must not run everything again."""
    from rules.analysis.latches.find import latches
    from rules.analysis.runs import Corner, episodes
    from rules.analysis.timeline.timelines import world_of

    study = Study(frost_bell())
    other = study.asked(False)
    assert episodes(study, Corner()) is episodes(other, Corner())
    assert latches(study) is latches(other)
    assert world_of(study) is world_of(other)
