"""The recipe for any CI, run as it stands in the README, in a clone as a CI makes one."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

from tests.clients.gate.repo import FAULT, LAMP, ROOT, RULES, WORSE, Repo, gate


@pytest.fixture
def recipe() -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    section = text.split("### In any CI", 1)[1]
    found = re.search(r"^```sh\n(.*?)^```$", section, re.MULTILINE | re.DOTALL)
    assert found is not None
    return found.group(1)


def run_in_ci(repo: Repo, recipe: str, branch: str, *clone: str) -> tuple[int, Path]:
    place = repo.top / "ci"
    repo.git("clone", "--quiet", "--branch", branch, *clone, (repo.top / ".git").as_uri(), str(place))
    keep = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
    env = {**keep, "TARGET": "main", "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1",
           "PATH": f"{Path(sys.executable).parent}{os.pathsep}{keep['PATH']}"}  # fmt: skip
    done = subprocess.run(["sh", "-e", "-c", recipe], cwd=place, env=env, check=False, timeout=120)
    return done.returncode, place


@pytest.mark.parametrize("clone", [
    (), ("--depth=1",), ("--depth=1", "--no-single-branch"), ("--single-branch",)])  # fmt: skip
def test_the_recipe_in_every_kind_of_clone(repo: Repo, recipe: str, clone: tuple[str, ...]) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT, "other.yaml": LAMP})
    repo.git("switch", "--quiet", "--create", "work")
    repo.commit({"lamp.yaml": WORSE})
    repo.git("switch", "--quiet", "main")
    repo.commit({"other.yaml": FAULT})
    status, place = run_in_ci(repo, recipe, "work", *clone)
    assert status == 1
    results = json.loads((place / "gate.sarif").read_text())["runs"][0]["results"]
    assert "updated" in {item.get("baselineState") for item in results}
    assert ElementTree.parse(place / "gate.xml").getroot().get("failures") == "1"
    assert "worsened" in (place / "gate.md").read_text()


def test_the_recipe_lets_a_good_change_through(repo: Repo, recipe: str) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT})
    repo.git("switch", "--quiet", "--create", "work")
    repo.commit({"lamp.yaml": LAMP})
    assert run_in_ci(repo, recipe, "work")[0] == 0


def test_the_text_in_the_readme_is_what_is_printed(repo: Repo) -> None:
    """A lamp of the examples with a larger base resistor; only the id of the commit differs."""
    page = (ROOT / "README.md").read_text(encoding="utf-8").split("## At the gate", 1)[1]
    block = re.search(r"^```text\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    assert block is not None
    example = (ROOT / "clients" / "examples" / "workshop-lamp.yaml").read_text()
    commit = repo.commit({"lathe/lamp.yaml": example})
    repo.write({"lathe/lamp.yaml": example.replace("resistance: 10k,", "resistance: 15k,")})
    printed = gate("--base", "main", remedies=True).stdout
    assert printed.replace(commit[:10], "8ce9c54c2b") == block.group(1)
