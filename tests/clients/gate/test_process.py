"""The real program as a process of its own: exit status, hooks of git, and the hook definition as written."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests.clients.gate.repo import FAULT, LAMP, ROOT, RULES, WORSE, Repo, waived

HOOKS = ROOT / ".pre-commit-hooks.yaml"
SCRIPTS = Path(sys.executable).parent


def environment(**more: str) -> dict[str, str]:
    keep = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
    return {**keep, "PATH": f"{SCRIPTS}{os.pathsep}{keep['PATH']}", "GIT_CONFIG_GLOBAL": os.devnull,
            "GIT_CONFIG_NOSYSTEM": "1", **more}  # fmt: skip


def run(repo: Repo, *command: str, where: Path | None = None,
        **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=where or repo.top, env=environment(**more), text=True,
                          capture_output=True, check=False, timeout=120)  # fmt: skip


@pytest.fixture
def lamps(repo: Repo) -> Repo:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT})
    return repo


@pytest.fixture
def hook() -> dict[str, Any]:
    (found,) = yaml.safe_load(HOOKS.read_text())
    return dict(found)


def test_the_status_of_the_process(lamps: Repo) -> None:
    command = ("thumbrule", "gate", "--base", "main", "--no-remedies")
    assert run(lamps, *command).returncode == 0
    lamps.write({"lamp.yaml": WORSE})
    found = run(lamps, *command)
    assert found.returncode == 1
    assert "verdict: 1 worsened (threshold warning); exit status 1" in found.stdout
    lamps.write({"lamp.yaml": "format: thumbrule/1\n"})
    assert run(lamps, sys.executable, "-m", "clients", *command[1:]).returncode == 2


def test_the_same_bytes_under_any_hash_seed(lamps: Repo) -> None:
    lamps.write({"lamp.yaml": waived(WORSE).replace("Q1", "T1"), "new.yaml": FAULT,
                 "thumbrule.toml": RULES + '[series]\nfilm = "E6"\nresistor = "E12"\n'})  # fmt: skip
    command = ("thumbrule", "gate", "--base", "main", "--today", "2026-11-29", "--report", "sarif=s",
               "--report", "json=j", "--report", "junit=u", "--report", "markdown=m")  # fmt: skip
    seen = set()
    for seed in ("0", "1", "12345"):
        text = run(lamps, *command, PYTHONHASHSEED=seed).stdout
        reports = [(lamps.top / name).read_bytes() for name in ("s", "j", "u", "m")]
        seen.add((text, *reports))
    assert len(seen) == 1


def test_the_hook_definition_is_whole(hook: dict[str, Any]) -> None:
    """The members that such a definition needs (from memory): id, name, entry, language."""
    assert {"id", "name", "entry", "language"} <= hook.keys()
    assert hook["language"] == "python"
    assert hook["pass_filenames"] is False
    import re

    pattern = re.compile(hook["files"])
    assert all(pattern.search(name) for name in ("a.yaml", "b/c.YML", "x.json", "thumbrule.toml"))
    assert not pattern.search("readme.md")


def test_the_hook_as_it_is_written(lamps: Repo, hook: dict[str, Any]) -> None:
    command = [*shlex.split(hook["entry"]), *hook["args"]]
    lamps.write({"lamp.yaml": WORSE})
    assert run(lamps, *command).returncode == 0  # nothing is staged
    lamps.git("add", "--all")
    lamps.write({"lamp.yaml": FAULT})
    stopped = run(lamps, *command)
    assert stopped.returncode == 1
    assert "the index against HEAD" in stopped.stdout
    lamps.git("add", "--all")
    assert run(lamps, *command).returncode == 0


def test_a_hook_of_git_stops_a_commit(lamps: Repo, hook: dict[str, Any]) -> None:
    script = lamps.top / ".git" / "hooks" / "pre-commit"
    script.parent.mkdir(exist_ok=True)
    script.write_text(f"#!/bin/sh\nexec {hook['entry']} {shlex.join(hook['args'])}\n")
    script.chmod(0o755)
    lamps.write({"lamp.yaml": WORSE})
    assert run(lamps, "git", "commit", "--quiet", "-a", "-m", "worse").returncode == 1
    assert run(lamps, "git", "commit", "--quiet", "-m", "worse", "lamp.yaml").returncode == 1
    lamps.write({"lamp.yaml": LAMP})
    assert run(lamps, "git", "commit", "--quiet", "-a", "-m", "mended").returncode == 0
    assert lamps.git("show", "HEAD:lamp.yaml") == LAMP


def test_a_linked_working_tree(lamps: Repo, tmp_path_factory: pytest.TempPathFactory) -> None:
    place = tmp_path_factory.mktemp("linked") / "tree"
    lamps.git("worktree", "add", "--quiet", "-b", "work", str(place))
    (place / "lamp.yaml").write_text(WORSE)
    found = run(lamps, "thumbrule", "gate", "--base", "main", "--no-remedies", where=place)
    assert found.returncode == 1, found.stderr
    assert "lamp.yaml (changed)" in found.stdout


def test_every_example_against_itself_with_a_change_in_one(repo: Repo) -> None:
    """The circuits that come with the program, under all rules, and remedies searched for."""
    examples = sorted((ROOT / "clients" / "examples").glob("*.*"))
    repo.commit({path.name: path.read_bytes() for path in examples if path.suffix in (".yaml", ".json")})
    text = (repo.top / "workshop-lamp.yaml").read_text()
    repo.write({"workshop-lamp.yaml": text.replace("resistance: 10k,", "resistance: 15k,")})
    found = run(repo, "thumbrule", "gate", "--base", "main", "--today", "2026-11-29")
    assert found.returncode == 1
    said = " ".join(found.stdout.split())
    assert "worsened error: min-beta-drive: Q1, R1, net base, line 15" in said
    assert "mend: R1 15 kohm to 1.3 kohm" in said
    assert "/parts/R1/resistance, line 15: 15k -> 1.3 kohm" in said
    everything = run(repo, "thumbrule", "gate", "--base", "HEAD", "--no-remedies", ".")
    assert everything.returncode == 1
    assert everything.stdout.count("worsened") == said.count("worsened")
