"""The editor extension: a complete lock free of addresses, and builds that stay out of what is shipped."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tarfile
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
EXTENSION = ROOT / "clients" / "editor"
MANIFEST: dict[str, Any] = json.loads((EXTENSION / "package.json").read_text(encoding="utf-8"))


def test_the_lock_holds_every_package_with_its_hash_and_no_address() -> None:
    text = (EXTENSION / "package-lock.json").read_text(encoding="utf-8")
    assert "://" not in text
    assert not re.search(r"(?i)resolved|\bregistry\b|\b[a-z0-9-]+\.(org|com|net|io)\b", text)
    packages = json.loads(text)["packages"]
    assert packages.pop("")["devDependencies"] == MANIFEST["devDependencies"]
    assert all(locked["integrity"].startswith("sha512-") for locked in packages.values())
    wanted = {f"node_modules/{name}": version for name, version in MANIFEST["devDependencies"].items()}
    assert {name: packages[name]["version"] for name in wanted} == wanted


def test_every_version_is_pinned_and_the_types_are_those_of_the_oldest_editor() -> None:
    assert "dependencies" not in MANIFEST  # what runs is bundled
    for version in MANIFEST["devDependencies"].values():
        assert re.fullmatch(r"\d+\.\d+\.\d+", version)
    assert MANIFEST["engines"]["vscode"] == "^" + MANIFEST["devDependencies"]["@types/vscode"]


def test_every_file_that_takes_part_is_the_same_licence() -> None:
    assert MANIFEST["license"] == "MIT"
    assert (EXTENSION / "LICENSE").read_bytes() == (ROOT / "LICENSE").read_bytes()


def test_the_source_distribution_has_the_sources_and_nothing_that_npm_wrote(tmp_path: Path) -> None:
    build = "from hatchling.build import build_sdist; import sys; print(build_sdist(sys.argv[1]))"
    run = subprocess.run(
        [sys.executable, "-c", build, str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    with tarfile.open(tmp_path / run.stdout.split()[-1]) as archive:
        names = [name.partition("/")[2] for name in archive.getnames()]
    carried = {name.removeprefix("clients/editor/") for name in names if name.startswith("clients/editor/")}
    assert {"package.json", "package-lock.json", "src/extension.ts", "build.mjs"} <= carried
    assert {name for name in carried if name.startswith(("node_modules/", "dist/"))} == set()


@pytest.mark.parametrize("present", [(), ("node",), ("npm",)], ids=["none", "node", "npm"])
def test_without_node_the_command_says_so_and_ends_with_two(tmp_path: Path, present: tuple[str, ...]) -> None:
    for name in present:
        (tmp_path / name).write_text("#!/bin/sh\necho v20.0.0\n", encoding="utf-8")
        (tmp_path / name).chmod(0o755)
    run = dev_editor(tmp_path)
    missing = " and ".join(name for name in ("node", "npm") if name not in present)
    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr == f"the editor extension was not checked: no {missing} in PATH\n"


def test_an_old_node_is_told_with_its_version(tmp_path: Path) -> None:
    for name in ("node", "npm"):
        (tmp_path / name).write_text("#!/bin/sh\necho v18.19.1\n", encoding="utf-8")
        (tmp_path / name).chmod(0o755)
    run = dev_editor(tmp_path)
    assert run.returncode == 2
    assert "Node.js 20 or later is needed; this is v18.19.1" in run.stderr


def dev_editor(path: Path) -> subprocess.CompletedProcess[str]:
    """``.ci/dev editor`` with nothing else in PATH; it must end before it sets anything up."""
    environment = {**os.environ, "PATH": str(path), "THUMBRULE_VENV": str(path / "no-venv")}
    run = subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "dev"), "editor"],
        env=environment, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert not (path / "no-venv").exists()
    return run


def test_the_merge_check_runs_the_extension_before_the_tests() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert script.index('"$python" .ci/dev editor') < script.index('"$python" .ci/dev test')
