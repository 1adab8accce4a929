"""Reports are the same bytes under any hash seed and in any order of the files."""

from __future__ import annotations

import os
import subprocess
import sys

from tests.clients.reports.circuits import EXAMPLES

PROGRAM = """
import sys
from clients.reports import STYLES, entry_of, written
from clients.sources import Source
from service import facade

lamp, bell = (Source(name) for name in ("workshop-lamp.yaml", "vent-relay.yaml"))
compared = facade.compare(bell.document, bell.document, remedies=False)
entries = [entry_of("a/lamp.yaml", lamp, review=facade.review(lamp.document)),
           entry_of("b/bell.yaml", bell, comparison=compared),
           entry_of("c/none.yaml", problem={"detail": "no such file", "errors": []})]
for style in STYLES:
    print(written(style, entries[::int(sys.argv[1])], ask=facade.lesson, threshold="note", everything=True))
"""


def test_same_bytes() -> None:
    made = []
    for seed, order in (("0", "1"), ("1", "-1"), ("2", "1")):
        environment = {**os.environ, "PYTHONHASHSEED": seed, "OPENBLAS_NUM_THREADS": "1",
                       "PYTHONPATH": str(EXAMPLES.parents[1])}
        run = subprocess.run([sys.executable, "-c", PROGRAM, order], cwd=EXAMPLES, env=environment,
                             capture_output=True, check=False)
        assert run.returncode == 0, run.stderr
        made.append(run.stdout)
    assert made[0] == made[1] == made[2]
    assert made[0].count(b"min-beta-drive") > 3
    assert str(EXAMPLES).encode() not in made[0]
