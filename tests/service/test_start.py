"""What a fresh process pays for, and that its answers do not depend on the hash seed."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

HEAVY = ("flask", "werkzeug", "gunicorn", "requests", "jsonpatch", "sympy")
REVIEW = f"""
import sys
from service import facade
from service.self_check import CIRCUIT
facade.review(facade.read(CIRCUIT, "yaml"))
print([name for name in {HEAVY!r} if name in sys.modules])
"""

ANSWERS = """
import hashlib, json
from pathlib import Path
from service import facade
from service.http.openapi import openapi_document
from service.http.problems import json_bytes

for path in sorted(Path("clients/examples").iterdir()):
    document = facade.read(path.read_bytes(), name=path.name)
    def whole(document):
        return facade.review(document, remedies=not path.name.startswith("frost"))
    answers = [whole, facade.states, facade.sheet]
    if path.name in ("vent-relay.yaml", "workshop-lamp.yaml"):
        answers += [facade.mend, facade.bench]
    for answer in answers:
        print(path.name, answer.__name__, hashlib.sha256(json_bytes(answer(document))).hexdigest())
print("lesson", hashlib.sha256(json_bytes(facade.lesson("min-beta-drive"))).hexdigest())
for answer in (openapi_document, facade.rules, facade.part_types, facade.circuit_schema, facade.ready):
    print(answer.__name__, hashlib.sha256(json_bytes(answer())).hexdigest())
"""


def _run(script: str, **variables: str) -> str:
    command, environment = [sys.executable, "-c", script], {**os.environ, **variables}
    done = subprocess.run(command, capture_output=True, text=True, timeout=240, cwd=ROOT, env=environment)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_review_in_process_imports_nothing_of_the_web() -> None:
    assert _run(REVIEW) == "[]\n"


@pytest.mark.slow
def test_the_same_bytes_under_several_hash_seeds() -> None:
    answers = {_run(ANSWERS, PYTHONHASHSEED=str(seed)) for seed in (0, 1, 12345)}
    assert len(answers) == 1
    assert len(answers.pop().splitlines()) > 20
