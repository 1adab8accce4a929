"""What can be read of a half-typed text."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Partial:
    """A first version without anything in it."""


def read_partial(text: str, spelling: str) -> Partial:
    return Partial()
