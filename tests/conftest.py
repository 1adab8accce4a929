"""Settings for every test."""

from __future__ import annotations

from fnmatch import fnmatch
from pathlib import Path, PurePath

import pytest
from hypothesis import HealthCheck, settings

# The same examples on every run and no deadline: coverage and a busy machine must not decide a test.
settings.register_profile(
    "thumbrule", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("thumbrule")

HERE = Path(__file__).parent
# These run the same lines over and over, on many circuits or for every rule: traced, they would take half as
# long again and cover nothing that the tests of each module do not.
UNTRACED = (
    "analysis",
    "corpus",
    "fuzz",
    "rules/derivations",
    "rules/test_*_at_random.py",
    "rules/test_conformance.py",
    "rules/test_lesson*.py",
    "rules/analysis/corners/test_*_at_random.py",
    "rules/analysis/derivation/test_*_at_random.py",
    "rules/analysis/junction",
    "service/test_start.py",
    "service/http/test_contract.py",
)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Coverage looks away while the tests of ``UNTRACED`` run."""
    for item in items:
        place = item.path.relative_to(HERE) if item.path.is_relative_to(HERE) else None
        if place is not None and any(_within(place, pattern) for pattern in UNTRACED):
            item.add_marker(pytest.mark.no_cover)


def _within(place: PurePath, pattern: str) -> bool:
    return any(fnmatch(folder.as_posix(), pattern) for folder in (place, *place.parents))
