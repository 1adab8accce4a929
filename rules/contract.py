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
from types import MappingProxyType
from typing import TYPE_CHECKING, Protocol, runtime_checkable

from schemas.finding import Grounds, Limit, Outcome

if TYPE_CHECKING:
    from rules.analysis.study import Study

API_LEVEL = 1
ENTRY_POINT_GROUP = "thumbrule.rules"


def limits_of(*limits: Limit) -> Mapping[str, Limit]:
    """The limits of a rule by name, in this order; read-only."""
    return MappingProxyType({limit.name: limit for limit in limits})


@dataclass(frozen=True, slots=True)
class Dial:
    """One value of the passing circuit that crosses the limit of the rule when it is turned.

    ``pointer`` (RFC 6901) leads to it in the passing document; at ``good`` the rule is silent, at ``bad`` it
    fires, and between them the margin of its test only falls.  Both are document text (``2.7 kohm``).
    """

    pointer: str
    good: str
    bad: str


@dataclass(frozen=True, slots=True)
class Lesson:
    """What a rule teaches: why the rule of thumb holds, where it breaks, how to mend.

    ``passing`` and ``failing`` are the smallest circuit documents (YAML text)
    on which the rule is silent and fires; tests run both.  ``dial`` is the value
    that leads from one to the other, or ``undialled`` says why no single value
    does.  ``derivation`` names where the formula is derived step by step
    (``package.module:NAME``, a :class:`rules.derivations.model.Derivation`);
    it is loaded only when somebody asks for the working.
    """

    why: str
    breaks: str
    mend: str
    failing: str
    passing: str
    dial: Dial | None = None
    undialled: str = ""
    derivation: str = ""


def is_structural(rule: Rule) -> bool:
    """True where a finding of the rule means that the circuit is not wired as it was meant.

    A rule says so by a member ``structural = True``; it may leave it out.  Once such a finding is mended,
    what could not be judged before shows for the first time, and that does not speak against the remedy.
    """
    return bool(getattr(rule, "structural", False))


@runtime_checkable
class Rule(Protocol):
    """What the engine expects of a rule; it may also have the member of :func:`is_structural`."""

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
