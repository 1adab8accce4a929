"""The contract between a rule and the engine.  Public, versioned.

A rule is a small object with facts about itself and one pure function
``check``.  It gets a frozen *study* of one circuit (see
:class:`rules.analysis.study.Study`), does no input or output, reads no clock,
mutates nothing, and knows nothing of waivers or policy.  A package of rules
registers each rule under the entry-point group ``thumbrule.rules``; the
built-in rules use the same door.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from schemas.finding import Grounds, Limit, Outcome

if TYPE_CHECKING:
    from rules.analysis.study import Study

API_LEVEL = 1
ENTRY_POINT_GROUP = "thumbrule.rules"


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a rule teaches: why the rule of thumb holds, where it breaks, how to mend.

    ``passing`` and ``failing`` are the smallest circuit documents (YAML text)
    on which the rule is silent and fires; tests run both.
    """

    why: str
    breaks: str
    mend: str
    failing: str
    passing: str


@runtime_checkable
class Rule(Protocol):
    """What the engine expects of a rule."""

    slug: str
    title: str
    protects: str
    api_level: int
    grounds: Grounds
    limits: Mapping[str, Limit]
    lesson: Lesson

    def check(self, study: Study) -> Iterable[Outcome]:
        """Every outcome for the circuit under study, at every state and corner."""
        ...
