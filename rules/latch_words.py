"""What the rules of latches say alike: where, with what, and the resistors that mend the on state."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.corners.parameters import TEMPERATURE, Key
from rules.analysis.latches.cures import single
from rules.analysis.latches.find import Latch, Rest, latches, why_none
from rules.analysis.latches.margins import (
    Corner,
    Lost,
    as_written,
    at_worst,
    gains,
    holding,
    kept,
    reserve,
    survives,
    survives_at,
)
from rules.analysis.operating import operating_point
from rules.analysis.resolve import SUPPLIES
from rules.analysis.study import Situation
from rules.outcomes import not_applicable
from rules.wording import from_to, gain, listed, member_pointer, new_resistance, with_position
from schemas.finding import Outcome, Proposal, Quantity, identity

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from rules.contract import Rule

STATES_RULE, STATES_ROLE = "latch-two-states", "resting places"
RESERVE_RULE, RESERVE_ROLE = "holding-margin", "reserve of gain"
RESERVE, SHARE = 2.0, 0.7  # what a resistor is changed for: reserve of gain, share of the lowest supply


def each_latch(
    rule: Rule, study: Study, judge: Callable[[Study, Latch], Iterable[Outcome]]
) -> Iterator[Outcome]:
    """What ``judge`` says of each latch; of a circuit without any, why there is none."""
    found = latches(study)
    if not found:
        yield not_applicable(rule, (), why_none(study))
    for latch in found:
        yield from judge(study, latch)


def situation(latch: Latch, rest: Rest, corner: Corner) -> Situation:
    """A resting place at a corner, as the engine wants to hear of it."""
    state = latch.start(rest) or latch.sets["typical"].states[0]
    return Situation(rest.name, corner.label, state)


def the_latch(latch: Latch) -> str:
    """How a sentence about it begins."""
    return f"The latch {listed(latch.members)}"


def quoted(name: str) -> str:
    return f'"{name}"'


def place(latch: Latch, rest: Rest) -> str:
    """``"lit (S1 open, S2 open)"``."""
    return quoted(with_position(rest.name, latch.configuration))


def at(corner: Corner) -> str:
    """A corner for a sentence."""
    names = {"min": "least gain", "typical": "typical gain", "max": "greatest gain"}
    return names.get(corner.label, corner.label)


def states_identity(latch: Latch) -> str:
    """The finding of the rule that says that a resting place is missing."""
    return identity(STATES_RULE, latch.members, (), STATES_ROLE)


def floating(latch: Latch, rest: Rest | None = None) -> tuple[str, ...]:
    """Members whose base is not defined in a resting place, else in the off state."""
    where = rest or latch.off
    state = None if where is None else latch.start(where)
    if state is None:
        return ()
    parts = latch.network.resolved.circuit.parts
    return tuple(name for name in latch.members if state.nets[parts[name].pins["base"]] is None)


def pointers(study: Study, latch: Latch) -> tuple[str, ...]:
    """The resistors through which the members drive each other, else the members."""
    parts, found = study.circuit.parts, []
    for part in parts.values():
        ends = set(part.pins.values())
        for a in latch.members:
            for b in latch.members:
                joined = {parts[a].pins["collector"], parts[b].pins["base"]}
                if part.kind == "resistor" and a != b and ends == joined and len(joined) == 2:
                    found.append(member_pointer(part.name, "resistance"))
    return tuple(dict.fromkeys(found)) or tuple(member_pointer(name, "pins") for name in latch.members)


def gains_of(study: Study, latch: Latch, rest: Rest, corner: str) -> Iterator[Quantity]:
    """The gain of each member as evidence."""
    found = gains(latch, rest, corner)
    for name in latch.members:
        yield gain(study, name, corner, found[name])


def corner_values(study: Study, corner: Corner) -> Iterator[Quantity]:
    """Supplies, temperature and resistances of a worst corner as evidence."""
    for key, value in sorted(corner.point.items(), key=lambda item: item[0]):
        if key == TEMPERATURE:
            end = "low" if value <= study.resolved.ambient.nominal else "high"
            yield ambient(study, end, "T", "ambient temperature at this corner", value)
        elif key[1] == "voltage":
            known = study.known(key[0], _end(study, key, value))
            if known is not None:
                where = (known.origin, known.pointer, _source(known.origin, known.source))
                yield Quantity(f"V_{key[0]}", "supply at this corner", value, "V", *where)


def ambient(study: Study, end: str, symbol: str, meaning: str, kelvin: float) -> Quantity:
    """An end of the ambient temperature as evidence."""
    pointer = f"/ambient/{end}"
    source = next((item.source for item in study.resolved.assumed if item.pointer == pointer), None)
    return Quantity(
        symbol, meaning, kelvin, "K", "declared" if source is None else "assumed", pointer, source
    )


def _end(study: Study, key: Key, value: float) -> str:
    """The member of a source from which a value at its limit was read."""
    found = [m for m in ("low", "high", "voltage") if study.value(key[0], m) == value]
    return found[0] if found else "voltage"


def _source(origin: str, source: str) -> str | None:
    return source if origin == "assumed" else None


def more_hold(
    study: Study, latch: Latch, rest: Rest, sure: float = RESERVE, share: float = SHARE
) -> tuple[Proposal, ...]:
    """Resistors, each alone, with which the state has ``sure`` times the gain it needs.

    At ``share`` of the lowest supply too.
    """
    made = kept(latch, ("more hold", rest, sure, share), lambda: _more_hold(study, latch, rest, sure, share))
    gain = "half the" if sure == 2.0 else f"1/{sure:g} of the"
    return tuple(
        Proposal(
            f"{from_to(study, name, ohms)}: {quoted(rest.name)} holds with {gain} least gain and at"
            f" {share * 100:g} % of the lowest supply",
            (new_resistance(study, name, ohms),),
        )
        for name, ohms in made.items()
    )


def _more_hold(study: Study, latch: Latch, rest: Rest, sure: float, share: float) -> dict[str, float]:
    limit = share * lowest_share(latch)

    def enough(corner: Corner) -> bool:
        strong = survives(latch, rest, corner, 1.0 / sure)
        return strong and survives_at(latch, rest, corner, limit)

    made: dict[str, float] = {}
    for measure in (reserve, holding):
        lost = at_worst(latch, rest, measure)
        slopes = lost.slopes or as_written(latch, rest, measure).slopes
        made.update(single(study, latch, rest, lost, slopes, enough, tuple(made)))
    return made


def supplies(latch: Latch) -> Mapping[str, tuple[float, float]]:
    """(nominal, lowest) voltage as magnitudes, by battery and supply; one of 0 V is left out."""
    resolved = latch.network.resolved
    found = {}
    for branch in latch.network.branches:
        if resolved.circuit.parts[branch.part].kind in SUPPLIES:
            nominal = resolved.value(branch.part, "voltage")
            shares = [resolved.value(branch.part, end) / nominal for end in ("low", "high") if nominal]
            if shares:
                found[branch.part] = abs(nominal), min(shares) * abs(nominal)
    return found


def weakest_supply(latch: Latch) -> str | None:
    """The source that falls furthest below its nominal voltage."""
    found = supplies(latch)
    return min(found, key=lambda name: (found[name][1] / found[name][0], name), default=None)


def lowest_share(latch: Latch) -> float:
    """Lowest over nominal voltage of the source that falls furthest, 1 where there is none."""
    name = weakest_supply(latch)
    return 1.0 if name is None else supplies(latch)[name][1] / supplies(latch)[name][0]


def missing(lost: Lost) -> bool:
    """True when the state does not exist at the corner of a reserve."""
    return lost.value < 1.0


@dataclass(frozen=True, slots=True)
class Holder:
    """One resistor that holds one base: from the output (V above the emitter), ``bleed`` ohm beside it.

    ``member`` is the transistor held, ``collector`` (A) what it passes.
    """

    member: str
    feedback: str
    output: float
    bleed: float | None
    collector: float


def holders(study: Study, latch: Latch, rest: Rest) -> Holder | None:
    """How the output holds the loop, where one resistor to a base with its emitter on a rail does it all."""
    output, state = latch.outputs.get(rest.name), latch.start(rest)
    if output is None or state is None or len(latch.members) != 2:
        return None
    (member,) = (name for name in latch.members if name != output)
    stage, parts = study.roles.stages[member], study.circuit.parts
    arms = [arm for arm in stage.feeds if arm.other == parts[output].pins["collector"]]
    point = operating_point(state, member)
    others = [arm for arm in stage.feeds if arm not in arms and any(state.currents[arm.part].values())]
    if len(arms) != 1 or others or point is None or not stage.emitter_on_rail or not point.conducts:
        return None
    far, near = state.nets[arms[0].other], state.nets[stage.emitter]
    if far is None or near is None:
        return None
    conductance = sum(1.0 / study.value(name, "resistance") for name in stage.bleeds)
    bleed = 1.0 / conductance if conductance else None
    return Holder(member, arms[0].part, abs(far - near), bleed, point.collector)
