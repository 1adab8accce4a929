"""The installed project: our packages, our entry points, the data that travels with them, a quick start."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
import zipfile
from importlib import import_module, metadata
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PACKAGES = ("schemas", "rules", "service", "clients")
GROUP = "thumbrule.rules"
# Seconds of import time between them; each is imported by the function that needs it.
SLOW = ("flask", "flask_smorest", "gunicorn", "highspy", "networkx", "requests", "scipy", "sympy")


@pytest.mark.parametrize("name", PACKAGES)
def test_the_packages_that_are_imported_are_ours(name: str) -> None:
    # all four names are also taken by unrelated distributions
    assert Path(str(import_module(name).__file__)) == ROOT / name / "__init__.py"
    assert (ROOT / name / "py.typed").is_file()


def test_the_entry_points_of_the_installation_are_those_of_the_project() -> None:
    # an editable install does not notice a new entry point by itself
    ours = metadata.distribution("thumbrule").entry_points
    installed = {entry.name: entry.value for entry in ours if entry.group == GROUP}
    assert installed == PROJECT["project"]["entry-points"][GROUP]
    assert {e.name: e.value for e in ours if e.group == "console_scripts"} == PROJECT["project"]["scripts"]


@pytest.mark.parametrize("slug", sorted(PROJECT["project"]["entry-points"][GROUP]))
def test_each_entry_point_loads_the_rule_of_that_slug(slug: str) -> None:
    (entry,) = (e for e in metadata.distribution("thumbrule").entry_points if e.name == slug)
    assert entry.load().slug == slug
    assert entry.value == f"rules.{slug.replace('-', '_')}:RULE"


def test_the_wheel_carries_every_file_of_the_packages_and_nothing_else(tmp_path: Path) -> None:
    build = "from hatchling.build import build_wheel; import sys; print(build_wheel(sys.argv[1]))"
    run = subprocess.run(
        [sys.executable, "-c", build, str(tmp_path)], cwd=ROOT, capture_output=True, text=True, check=True
    )
    with zipfile.ZipFile(tmp_path / run.stdout.split()[-1]) as wheel:
        carried = {name for name in wheel.namelist() if ".dist-info/" not in name}
    own = {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file()
        and not any(part.startswith((".", "__pycache__")) for part in path.relative_to(ROOT).parts)
        # the editor extension is no Python package
        and not path.is_relative_to(ROOT / "clients" / "editor")
    }
    assert carried == own
    assert any(name.startswith("clients/examples/") for name in carried)


def loaded_after(statement: str) -> set[str]:
    """Top-level modules loaded by a fresh interpreter that ran ``statement``."""
    code = (
        f"import sys, json\n{statement}\nprint(json.dumps(sorted({{m.split('.')[0] for m in sys.modules}})))"
    )
    run = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(json.loads(run.stdout.splitlines()[-1]))


@pytest.mark.parametrize("module", ["clients.cli", "service.facade", "rules.contract", "schemas.document"])
def test_importing_does_not_pull_in_what_is_slow(module: str) -> None:
    loaded = loaded_after(f"import {module}")
    assert module.split(".")[0] in loaded
    assert loaded & set(SLOW) == set()
