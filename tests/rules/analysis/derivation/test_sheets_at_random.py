"""Sheets of random circuits: each ends where the solver does, and every number is its own formula's."""

from __future__ import annotations

from pathlib import Path

import pytest

from rules.analysis.configurations import configurations
from rules.analysis.derivation.expression import evaluate, symbols
from rules.analysis.derivation.model import Sheet
from rules.analysis.derivation.sheet import sheet_of
from rules.analysis.resolve import resolve
from rules.analysis.states import find_states
from rules.analysis.study import Study
from schemas.circuit import Circuit
from service import facade
from tests.builders import circuit
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.reference.bias_rows import ROWS
from tests.sheets import differences
from tests.timed_families import FAMILIES

EXAMPLES = sorted((Path(__file__).parents[4] / "clients" / "examples").glob("*.*"))


def honest(sheet: Sheet) -> list[str]:
    """Steps whose number is not that of their formula, or that use what is not there yet."""
    values = {given.symbol.id: given.value for given in sheet.givens}
    wrong = []
    for step in sheet.steps:
        if not set(symbols(step.formula)) <= set(values) or step.uses != symbols(step.formula):
            wrong.append(f"{step.unknown.id} uses {step.uses}")
            continue
        if evaluate(step.formula, values) != step.value or step.unknown.id in values:
            wrong.append(f"{step.unknown.id} = {step.value}")
        values[step.unknown.id] = step.value
        rough = step.approximate
        if rough is not None and rough.value != evaluate(rough.formula, values):
            wrong.append(f"quick {step.unknown.id}")
        if rough is not None and rough.difference is not None:
            exact = pytest.approx(rough.value / step.value - 1.0, rel=1e-9, abs=1e-12)
            wrong += [] if rough.difference == exact else [f"difference of {step.unknown.id}"]
    return wrong


def every_sheet(subject: Circuit, most: int = 4) -> list[str]:
    resolved, wrong = resolve(subject), []
    for configuration in configurations(subject)[0][:most]:
        for state in find_states(resolved, configuration).states:
            sheet = sheet_of(state)
            found = [
                *differences(state, sheet),
                *honest(sheet),
                *(f"no step: {key}" for key in sheet.missing),
            ]
            found += [f"fails: {check.says}" for check in sheet.checks if check.holds is False]
            wrong += [f"{subject.name}, {configuration.key}, {state.name}: {item}" for item in found]
    return wrong


@pytest.mark.parametrize("start", range(0, 200, 40))
def test_random_circuits(start: int) -> None:
    assert [item for seed in range(start, start + 40) for item in every_sheet(mixed(seed))] == []


def test_textbook_circuits() -> None:
    assert [
        item for row in ROWS for item in every_sheet(circuit(*row.parts, assumptions=row.assumptions))
    ] == []


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.stem for path in EXAMPLES])
def test_examples(path: Path) -> None:
    document = facade.read(path.read_bytes(), name=path.name)
    assert every_sheet(document.circuit, 64) == []
    for beta in ("min", "max"):
        answer = facade.sheet(document, beta=beta)
        assert answer["complete"]
        assert answer["sheets"]


def test_random_timed_states() -> None:
    seen = 0
    for seed, family in enumerate([*FAMILIES] * 3):
        study = Study(timed(family, seed).circuit)
        for item in study.timing():
            sheet = sheet_of(item.state, item)
            assert [*differences(item.state, sheet), *honest(sheet), *sheet.missing] == [], seed
            seen += 1
    assert seen > 20
