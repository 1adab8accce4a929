"""What is said of the base, in the names of the head."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace

from schemas.finding import Finding, identity
from service.comparison.matching import Matching, Pairs
from service.waivers import Entry

_NAME = r"[A-Za-z0-9_.+\-]"


class Translation:
    """Names of the base to names of the head.

    A name without a counterpart stays, unless the head uses it for something
    else: then it becomes one that no document can have.
    """

    def __init__(self, found: Matching) -> None:
        self._parts, self._nets = found.parts, found.nets
        self._taken = {"part": frozenset(found.parts.values()), "net": frozenset(found.nets.values())}
        parts, nets = found.renamed
        self._renamed = {**nets, **parts}
        words = "|".join(re.escape(name) for name in sorted(self._renamed, key=lambda n: (-len(n), n)))
        self._word = re.compile(rf"(?<!{_NAME})(?:{words})(?!{_NAME})") if words else None

    def parts(self, names: Sequence[str]) -> tuple[str, ...]:
        return tuple(self._one(name, self._parts, "part") for name in names)

    def nets(self, names: Sequence[str]) -> tuple[str, ...]:
        return tuple(self._one(name, self._nets, "net") for name in names)

    def _one(self, name: str, pairs: Pairs, kind: str) -> str:
        if name in pairs:
            return pairs[name]
        return f"{name} (gone)" if name in self._taken[kind] else name

    def subject(self, names: Sequence[str]) -> tuple[str, ...]:
        """Names of parts, nets, or of neither; sorted, since a rule may list them by name."""
        return tuple(sorted(self._parts.get(name, self._nets.get(name, name)) for name in names))

    def entry(self, entry: Entry) -> Entry:
        """A waiver of the base as the head would write it."""
        return replace(entry, parts=self.parts(entry.parts), nets=self.nets(entry.nets))

    def identity(self, finding: Finding, known: Collection[str]) -> str:
        """The identity that the finding of the base has in the head; ``known`` are those the head has.

        A role may name parts too: if the role as it stands leads nowhere, it is tried in the new names.
        """
        parts, nets = self.parts(finding.parts), self.nets(finding.nets)
        plain = identity(finding.rule, parts, nets, finding.role)
        if plain in known or self._word is None:
            return plain
        role = self._word.sub(lambda match: self._renamed[match[0]], finding.role)
        told = identity(finding.rule, parts, nets, role)
        return told if told in known else plain
