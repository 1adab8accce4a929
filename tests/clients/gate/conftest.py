"""A repository to work in."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.clients.gate.repo import Repo


@pytest.fixture
def repo(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Repo:
    """An empty repository; the test runs in it, and sees no settings of the machine."""
    monkeypatch.setenv("GIT_CONFIG_GLOBAL", "/dev/null")
    monkeypatch.setenv("GIT_CONFIG_NOSYSTEM", "1")
    monkeypatch.chdir(tmp_path)
    return Repo(tmp_path)
