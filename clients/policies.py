"""Which policy goes with which circuit: the one that is named, the nearest one, or none."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from clients.sources import CannotCheck, problem

if TYPE_CHECKING:
    from service.policy import Files, Policy
    from service.ruleset import Ruleset

T = TypeVar("T")


class Policies:
    """The choice that the options ``--policy`` and ``--no-policy`` make; each file is read once.

    ``files`` is where they are read: on the disk, or in a revision of a repository.
    Every method raises :class:`CannotCheck` for a policy that cannot be used.
    """

    def __init__(self, named: str | None = None, none: bool = False, files: Files | None = None) -> None:
        self.named, self.none = named, none
        self._files = files
        self._read: dict[str | None, Policy] = {}
        self._rules: dict[tuple[str | None, bool], Ruleset] = {}

    @property
    def chosen(self) -> bool:
        """True when an option was given."""
        return self.none or self.named is not None

    def path(self, circuit: str) -> str | None:
        """The policy file for a circuit file or folder; ``-`` counts as the working folder."""
        from service.policy import DISK, nearest

        if self.none:
            return None
        if self.named is not None:
            return self.named
        found = nearest("." if circuit == "-" else circuit, self._files or DISK)
        return None if found is None else str(found)

    def policy(self, circuit: str) -> Policy:
        from service.policy import DISK, load

        path = self.path(circuit)
        if path not in self._read:
            self._read[path] = understood(lambda: load(path, self._files or DISK))
        return self._read[path]

    def rules(self, circuit: str, every: bool = False) -> Ruleset:
        """The rules under the policy of a circuit; ``every`` has also those that it keeps from running."""
        from service.policy import installed_under

        key = self.path(circuit), every
        if key not in self._rules:
            policy = self.policy(circuit)
            asked = replace(policy, run=None, skip=None) if every else policy
            self._rules[key] = understood(lambda: installed_under(asked))
        return self._rules[key]

    def show(self, circuit: str) -> dict[str, Any]:
        """The policy in effect, with the origin of every line."""
        from service import facade

        policy = self.policy(circuit)
        return understood(lambda: facade.policy(policy))


def understood(read: Callable[[], T]) -> T:
    """What ``read`` gives; a policy that is refused becomes problem details with its file and lines."""
    from service.policy import PolicyRefused

    try:
        return read()
    except PolicyRefused as refused:
        errors = [item.as_dict() for item in refused.problems]
        details = problem(400, f"The policy {refused.file} cannot be used.", errors)
        raise CannotCheck(refused.file, details) from refused
