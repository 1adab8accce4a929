"""Sheets of random circuits: each ends where the solver does, and every number is its own formula's."""

from __future__ import annotations

from pathlib import Path

import pytest

from rules.analysis.derivation.sheet import sheet_of
from rules.analysis.study import Study
from service import facade
from tests.builders import circuit
from tests.random_circuits import mixed
from tests.random_timed import timed
from tests.reference.bias_rows import ROWS
from tests.sheets import differences, every_sheet, honest
from tests.timed_families import FAMILIES

EXAMPLES = sorted((Path(__file__).parents[4] / "clients" / "examples").glob("*.*"))


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
