"""What the rules on ratings share: where a rating is from, how a load is graded, and how it is told."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.formulas.ratings import allowed, derated
from rules.analysis.heat import Heat
from rules.analysis.loads import Load
from rules.analysis.stress import Peak
from rules.moments import AT_ONCE, gravity, moment
from rules.outcomes import violated_by
from rules.wording import celsius, say, with_position
from schemas.finding import Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study
    from rules.contract import Rule

BRIEF = Limit(
    "brief",
    1.0,
    "s",
    "of the order of the time in which a small part warms up; from memory",
    "what a stimulus leaves no longer than this is a pulse, not a load",
)
SHORT = Limit(
    "short",
    1e-4,
    "s",
    "makers of small diodes state several amperes for a microsecond; from memory",
    "what is over sooner than this after its peak is no surge",
)
HIGHEST_JUNCTION = Limit(
    "highest_junction",
    423.15,
    "K",
    "150 degC: 2N3904 and 2N3906 (Multicomp), BC547B (NXP), 1N4148 (Panjit), 1N4001 (Diodes Inc)",
    "greatest junction temperature of a part whose document and type state none",
)
ROOM = 298.15  # K, at which powers of transistors and diodes are rated
HAIR = 1e-9  # of a limit; what rounding may add


def percent(share: float) -> str:
    return f"{100.0 * share:.3g} %"


@dataclass(frozen=True, slots=True)
class Rated:
    """A rating as evidence; ``stated`` is false where it is only that of the usual class of parts."""

    quantity: Quantity
    stated: bool

    @property
    def value(self) -> float:
        return self.quantity.value


def rating(study: Study, part: str, member: str, symbol: str, usual: Limit | None) -> Rated | None:
    """The rating that the document states, else that of the type, else the usual one, else ``None``."""
    known = study.known(part, member)
    if known is not None:
        source = None if known.origin == "declared" else known.source
        meaning = f"rating of {part}"
        made = Quantity(symbol, meaning, known.value, known.unit, known.origin, known.pointer, source)
        return Rated(made, True)
    if usual is None:
        return None
    made = Quantity(symbol, usual.meaning, usual.value, usual.unit, "assumed", None, usual.source)
    return Rated(made, False)


@dataclass(frozen=True, eq=False)
class Place:
    """Where and when something was seen: state and corner for the finding, ``words`` for a sentence."""

    state: str
    corner: str
    words: str

    @classmethod
    def of(cls, seen: Load | Peak) -> Place:
        if isinstance(seen, Peak):
            where = moment(seen)
            gains = seen.corner in _PLAIN
            return cls(seen.state, seen.corner, where if gains else f"{where} ({seen.corner})")
        return cls.at(seen.situation)

    @classmethod
    def at(cls, situation: Situation) -> Place:
        name = with_position(situation.label, situation.state.mode.network.configuration)
        corner = situation.corner
        words = f'in "{name}"' if corner in _PLAIN else f'in "{name}" ({corner})'
        return cls(situation.label, corner, words)


def of_run(heat: Heat, corner: str) -> Place:
    """Where and when the heat of a run is greatest."""
    if heat.periodic:
        words = f"on average over its period of {say(heat.span, 's')}"
    else:
        when = "at once" if heat.at < AT_ONCE else f"{say(heat.at, 's')}"
        words = f"for {say(heat.span, 's')} from {when} after {heat.episode.what}"
    return Place(heat.state, corner, words)


_PLAIN = ("typical", "min", "max")


@dataclass(frozen=True, slots=True)
class Mark:
    """One limit: what is above it, how grave that is, and what it is called in a sentence."""

    severity: Severity
    value: float
    words: str


def marks(rated: Rated, share: float, unit: str, name: str) -> tuple[Mark, ...]:
    """The rating itself and the share of it, the gravest first.

    Of a usual class only the whole counts, and no more than a warning: nobody promised it.
    """
    whole = say(rated.value, unit)
    if not rated.stated:
        words = f"its rating is not stated, and the usual class stands {whole}"
        return (Mark("warning", rated.value, words),)
    part = allowed(rated.value, share)
    return (
        Mark("error", rated.value, f"its {name} is {whole}"),
        Mark("warning", part, f"limit {say(part, unit)}, {percent(share)} of its {name} {whole}"),
    )


def power_at(power: Rated, most: Rated, ambient: float) -> float:
    """What is left (W) of a power at 25 degC at an ambient of K, where the junction stands ``most`` K."""
    return derated(power.value, ambient, ROOM, most.value) if most.value > ROOM else 0.0


def careful_power(whole: float, share: float, ambient: float) -> Mark:
    """The share in use at most of the ``whole`` power (W) that a part stands at an ambient of K."""
    part = allowed(whole, share) if whole > 0.0 else 0.0
    words = f"limit {say(part, 'W')}, {percent(share)} of what it stands at {celsius(ambient)}"
    return Mark("warning", part, words)


def graded(value: float, limits: Sequence[Mark], unit: str) -> tuple[Mark | None, Test]:
    """The first limit that is exceeded, with its test; else the test against the last one, which holds."""
    for mark in limits:
        if value > mark.value * (1.0 + HAIR):
            return mark, Test.at_most(value, mark.value, unit)
    last = limits[-1].value
    return None, Test.at_most(min(value, last), last, unit)


@dataclass(frozen=True, eq=False)
class Verdict:
    """One load of a part, graded."""

    value: float
    place: Place
    role: str
    mark: Mark | None
    test: Test
    evidence: tuple[Quantity, ...]

    @property
    def gravity(self) -> tuple[int, float]:
        return gravity(None if self.mark is None else self.mark.severity, self.test)


def told(
    rule: Rule,
    part: str,
    verdict: Verdict,
    message: str = "",
    *,
    member: str = "",
    proposals: Iterable[Proposal] = (),
    advice: Iterable[str] = (),
    cause: str | None = None,
) -> Outcome:
    """The outcome of one verdict; ``member`` is the value of the part that a finding points at."""
    place, mark = verdict.place, verdict.mark
    if mark is None:
        return Outcome(
            rule.slug,
            "satisfied",
            (part,),
            "",
            place.state,
            place.corner,
            verdict.test,
            evidence=verdict.evidence,
        )
    return violated_by(
        rule,
        part,
        (place.state, place.corner),
        verdict.test,
        mark.severity,
        message,
        verdict.evidence,
        role=verdict.role,
        member=member or "pins",
        proposals=proposals,
        cause=cause,
        advice=advice,
    )
