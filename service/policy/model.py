"""What a policy says, before it meets the rules: plain settings, each with the place where it stands."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from schemas.problems import Complaint, Problem

NAME = "thumbrule.toml"
SERIES_KINDS = ("resistor", "electrolytic", "film", "ceramic")


def plain_name(written: str) -> str:
    """The name of a limit for comparing: ``-`` and ``_`` may stand where it has a blank."""
    return re.sub(r"[-_ ]+", " ", written)


@dataclass(frozen=True, slots=True)
class Setting:
    """One value and where it was set: file as it is shown, line and column from 1, pointer."""

    value: Any
    file: str
    line: int
    column: int
    pointer: str

    @property
    def place(self) -> str:
        return f"{self.file}:{self.line}"

    def problem(self, complaint: Complaint) -> Problem:
        """The complaint about this setting, with its place."""
        return Problem.of(self.pointer, complaint, self.line, self.column)


class PolicyRefused(Exception):
    """A policy cannot be used; ``problems`` are all in ``file``, sorted by place."""

    def __init__(self, file: str, problems: Sequence[Problem]) -> None:
        self.file = file
        self.problems = tuple(sorted(problems, key=lambda p: (p.line or 0, p.column or 0, p.pointer)))
        super().__init__("\n".join(f"{file}: {problem}" for problem in self.problems))


def _empty() -> Mapping[Any, Any]:
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Policy:
    """The settings of one file, or of several over each other.

    ``limits`` is by rule and limit (see :func:`plain_name`), ``tables`` has the
    rules that limits are given for; ``run``, ``skip`` and
    ``allowed`` are tuples of settings, ``None`` where nothing is said.
    """

    files: tuple[str, ...] = ()
    limits: Mapping[tuple[str, str], Setting] = field(default_factory=_empty)
    tables: Mapping[str, Setting] = field(default_factory=_empty)
    severity: Mapping[str, Setting] = field(default_factory=_empty)
    series: Mapping[str, Setting] = field(default_factory=_empty)
    run: tuple[Setting, ...] | None = None
    skip: tuple[Setting, ...] | None = None
    allowed: tuple[Setting, ...] | None = None
    profile: Setting | None = None

    def over(self, below: Policy) -> Policy:
        """This policy on top of another: what it sets counts, the rest stays."""
        return Policy(
            tuple(dict.fromkeys((*below.files, *self.files))),
            {**below.limits, **self.limits},
            {**below.tables, **self.tables},
            {**below.severity, **self.severity},
            {**below.series, **self.series},
            below.run if self.run is None else self.run,
            below.skip if self.skip is None else self.skip,
            below.allowed if self.allowed is None else self.allowed,
            below.profile if self.profile is None else self.profile,
        )


NO_POLICY = Policy()
