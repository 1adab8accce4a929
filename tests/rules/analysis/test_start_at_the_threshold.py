"""A capacitor that stands at its own threshold when a state begins sets no time, whatever the names."""

from __future__ import annotations

import pytest

from rules.analysis.study import Study
from tests.service.comparison.renaming import corpus, document_of, fresh, renamed


@pytest.mark.parametrize("seed", range(8))
def test_a_filter_at_its_base_emitter_drop(seed: int) -> None:
    # C2 is held at the 0.7 V of Q1 while the latch is lit; let go, it starts where the junction takes over
    document = corpus()["cistern-latch"]
    circuit = document.circuit
    parts, nets = fresh(circuit.parts, seed), fresh(circuit.net_names, seed + 100)
    other = document_of(renamed(document.raw, parts, nets), document).circuit
    study = Study(other)
    assert [timed.name for corner in study.corners for timed in study.timing(corner)] == []
