"""Thousands of random circuits run the same lines over and over: they are not traced for coverage."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The hook gets every collected test, so only those of this folder are marked."""
    for item in items:
        if item.path.is_relative_to(HERE):
            item.add_marker(pytest.mark.no_cover)
