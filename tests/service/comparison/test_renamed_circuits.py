"""Other names change no mark: all that was found is known, nothing is gone."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

import pytest

from service import facade
from tests.corpus import cases
from tests.service.comparison.renaming import corpus, document_of, fresh, renamed, shuffled

EVERY = 14
# a share of the circuits in which something is to be found, another one for each way of renaming
NAMES = [case.name for case in cases() if case.fires]
CASES = [(name, fresh) for name in NAMES[::EVERY]] + [(name, shuffled) for name in NAMES[5::EVERY]]


@pytest.mark.parametrize(("name", "deal"), CASES, ids=lambda value: getattr(value, "__name__", value))
def test_a_circuit_under_other_names_has_only_known_findings(name: str, deal: Any) -> None:
    base = corpus()[name]
    parts, nets = deal(base.circuit.parts, 7), deal(base.circuit.net_names, 8)
    head = document_of(renamed(base.raw, parts, nets), base)
    answer = facade.compare(base, head, remedies=False)
    assert answer["findings"] != []
    told = [(item["rule"], item["why"]) for item in answer["findings"] if item["mark"] != "known"]
    assert told == []
    assert answer["gone"] == []
    assert len(answer["findings"]) == answer["base"]["findings"]
    assert not any(item["counts"] for item in answer["findings"])
    # what a known finding had before is what it has now, but for rounding
    for item in answer["findings"]:
        was, now = item["before"]["left"], item["test"]["left"]
        assert was == (None if now is None else pytest.approx(now, rel=1e-6, abs=1e-12))


def test_the_answer_is_the_same_under_any_hash_seed() -> None:
    script = (
        "import json\n"
        "from service import facade\n"
        "from tests.service.comparison.renaming import corpus, document_of, fresh, renamed\n"
        "base = corpus()['attic-lamp']\n"
        "raw = renamed(base.raw, fresh(base.circuit.parts, 3, 0.5), fresh(base.circuit.net_names, 4))\n"
        "next(p for p in raw['parts'].values() if p['kind'] == 'resistor')['resistance'] = '123 ohm'\n"
        "print(json.dumps(facade.compare(base, document_of(raw, base), remedies=False)))\n"
    )
    answers = set()
    for seed in ("0", "1", "4242"):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "OPENBLAS_NUM_THREADS": "1"}
        call = [sys.executable, "-c", script]
        answers.add(subprocess.run(call, env=environment, capture_output=True, text=True, check=True).stdout)
    assert len(answers) == 1
    assert json.loads(answers.pop())["renamed"]["nets"]
