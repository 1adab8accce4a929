"""Hand working of every state of the corpus: it ends where the solver does, no step is without its number."""

from __future__ import annotations

import pytest

from rules.analysis.derivation.sheet import sheet_of
from rules.analysis.study import Study
from service import facade
from tests.corpus import Case, cases
from tests.sheets import differences, every_sheet, honest


@pytest.mark.parametrize("case", cases(), ids=lambda case: case.name)
def test_every_state_and_every_timed_state(case: Case) -> None:
    circuit = facade.read(case.path.read_bytes(), "yaml").circuit
    assert every_sheet(circuit, 64) == []
    for timed in Study(circuit).timing():
        sheet = sheet_of(timed.state, timed)
        assert [*differences(timed.state, sheet), *honest(sheet), *sheet.missing] == []
