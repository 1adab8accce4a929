"""The lock files: hashed, complete, in step with pyproject.toml, and free of host names and local paths."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

ROOT = Path(__file__).resolve().parents[2]
LOCKS = ("requirements.lock", "requirements-dev.lock")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PIN = re.compile(r"([A-Za-z0-9._-]+)==(\S+?)(?: ; (.+?))?((?: \\\n    --hash=sha256:[0-9a-f]{64})+)\n")


def pins(name: str) -> dict[str, Version]:
    """Locked versions by normalised name; fails on any line that is not a hashed pin."""
    text = (ROOT / name).read_text(encoding="utf-8")
    found = list(PIN.finditer(text))
    assert "".join(match[0] for match in found) == text, f"{name} holds something besides hashed pins"
    return {canonicalize_name(match[1]): Version(match[2]) for match in found}


def group(name: str) -> list[Requirement]:
    """A dependency group with the groups it includes."""
    wanted: list[Requirement] = []
    for entry in PROJECT["dependency-groups"][name]:
        wanted += [Requirement(entry)] if isinstance(entry, str) else group(entry["include-group"])
    return wanted


RUNTIME = [Requirement(text) for text in PROJECT["project"]["dependencies"]]
BUILD = [Requirement(text) for text in PROJECT["build-system"]["requires"]]


@pytest.mark.parametrize("name", LOCKS)
def test_no_host_names_or_local_paths(name: str) -> None:
    # every character that an address or a path needs is absent outside the markers
    text = (ROOT / name).read_text(encoding="utf-8")
    assert "/" not in text
    assert "@" not in text
    assert not re.search(r"(?i)index|find-links|trusted-host|\b[a-z0-9-]+\.(org|com|net|io)\b", text)


@pytest.mark.parametrize(
    ("name", "wanted"),
    [(LOCKS[0], [*RUNTIME, *BUILD, *group("build")]), (LOCKS[1], [*RUNTIME, *BUILD, *group("dev")])],
    ids=LOCKS,
)
def test_every_declared_requirement_is_locked_within_its_bounds(name: str, wanted: list[Requirement]) -> None:
    locked = pins(name)
    wrong = [str(r) for r in wanted if locked.get(canonicalize_name(r.name), Version("0")) not in r.specifier]
    missing = [r.name for r in wanted if canonicalize_name(r.name) not in locked]
    assert (wrong, missing) == ([], [])


def test_the_run_time_lock_is_part_of_the_developers_lock() -> None:
    runtime, dev = (pins(name) for name in LOCKS)
    assert runtime.items() <= dev.items()
    assert len(runtime) < len(dev)


def test_uvs_own_lock_is_not_kept() -> None:
    assert "uv.lock" in (ROOT / ".gitignore").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize("name", ["pyproject.toml", ".gitignore", ".ci/run", ".ci/dev"])
def test_configuration_names_no_registry(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    assert not re.search(
        r"https?://|index-url *=|find-links *=|registry", text.replace("names registry hosts", "")
    )
