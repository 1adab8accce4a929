"""Work counted in calls of functions: the same on a slow machine, and an end to endless work."""

from __future__ import annotations

import sys
from collections.abc import Callable
from types import FrameType
from typing import Any

CALLS = 500_000
"""Calls that a rule may make for one circuit; the built-in ones stay below a fifth of it."""


class OverBudget(BaseException):
    """No ordinary exception, so that a rule that catches everything does not catch it."""


def counted(work: Callable[[], Any], most: int) -> int:
    """How many functions were called, those written in Python.  Raises :class:`OverBudget` past ``most``."""
    count = 0

    def watch(frame: FrameType, event: str, argument: Any) -> None:
        nonlocal count
        if event == "call":
            count += 1
            if count > most:
                raise OverBudget

    before = sys.getprofile()
    sys.setprofile(watch)
    try:
        work()
    finally:
        sys.setprofile(before)
    return count
