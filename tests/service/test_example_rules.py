"""A rule package by someone else is found through its entry point alone."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

EXAMPLE = Path(__file__).resolve().parent.parent / "example_rules"
ROOT = EXAMPLE.parent.parent

SCRIPT = """
import json, sys
from importlib.metadata import entry_points
from service import facade
from service.ruleset import installed

answer = {
    "digest": installed().digest,
    "rules": [(rule["slug"], rule["distribution"], rule["version"]) for rule in facade.rules()],
    "faults": [str(fault) for fault in installed().faults if fault.distribution == "bench-rules"],
}
if "review" in sys.argv:
    point = next(p for p in entry_points(group="thumbrule.rules") if p.name == "cool-running")
    lesson = point.load().lesson
    for name in ("failing", "passing"):
        answer[name] = facade.review(facade.read(getattr(lesson, name).encode(), "yaml"))
print(json.dumps(answer))
"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The example package installed by pip into a folder of its own, without any network."""
    folder = tmp_path_factory.mktemp("site")
    source = tmp_path_factory.mktemp("source") / "example_rules"
    shutil.copytree(EXAMPLE, source)
    offline = ["--quiet", "--no-deps", "--no-build-isolation", "--no-index"]
    command = [sys.executable, "-m", "pip", "install", *offline, "--target", str(folder), str(source)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return folder


def _ask(site: Path, *arguments: str) -> dict[str, Any]:
    """What a fresh process says that has ``site`` on its path."""
    path = os.pathsep.join(filter(None, (str(site), str(ROOT), os.environ.get("PYTHONPATH"))))
    command = [sys.executable, "-c", SCRIPT, *arguments]
    environment = {**os.environ, "PYTHONPATH": path}
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, env=environment, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def test_it_is_discovered_and_runs_like_any_other_rule(site: Path) -> None:
    answer = _ask(site, "review")
    assert ["cool-running", "bench-rules", "1.2.0"] in answer["rules"]
    assert answer["faults"] == []
    found = [f for f in answer["failing"]["findings"] if f["rule"] == "cool-running"]
    assert len(found) == 1
    # (12 V)^2 / 680 ohm = 0.2118 W against half of 0.25 W
    assert found[0]["test"]["left"] == pytest.approx(0.21176, rel=1e-4)
    assert found[0]["test"]["right"] == 0.125
    assert found[0]["remedies"][0]["patch"][-1] == {
        "op": "replace",
        "path": "/parts/R1/power",
        "value": "0.5 W",
    }
    assert found[0]["remedies"][0]["proof"]["proven"] is True
    assert [f for f in answer["passing"]["findings"] if f["rule"] == "cool-running"] == []


def test_a_broken_copy_is_reported_and_changes_the_digest(site: Path, tmp_path: Path) -> None:
    broken = tmp_path / "site"
    shutil.copytree(site, broken)
    (broken / "bench_rules" / "cool_running.py").write_text("raise RuntimeError('half an upgrade')\n")
    shutil.rmtree(broken / "bench_rules" / "__pycache__", ignore_errors=True)
    answer = _ask(broken)
    assert answer["faults"] == [
        "rule 'cool-running' of bench-rules: could not be loaded: RuntimeError: half an upgrade"
    ]
    assert "cool-running" not in [slug for slug, _, _ in answer["rules"]]
    assert answer["digest"] != _ask(site)["digest"]
