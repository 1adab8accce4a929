"""What saturation leaves to the next stage: a transistor to be off, one to be on, a relay to pull in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rules.analysis.headroom import Next, coils_of, less_lift, next_stages
from rules.analysis.operating import everywhere, operating_point, place_of
from rules.analysis.worst_case import at_worst
from rules.outcomes import satisfied, violated
from rules.wording import assumption, from_to, member_pointer, new_resistance, part_quantity, say, where
from schemas.finding import Outcome, Proposal, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.roles import Stage
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study
    from rules.contract import Rule
    from schemas.circuit import Part


def left_to_others(rule: Rule, study: Study, stage: Stage) -> Iterator[Outcome]:
    """Outcomes for everything that hangs on the collector of a transistor that saturates."""
    found = [n for situation in everywhere(study) for n in next_stages(study, stage, situation)]
    for name in sorted({n.driven.transistor for n in found}):
        mine = [n for n in found if n.driven.transistor == name]
        yield from (_must_be_off if mine[0].off else _must_conduct)(rule, study, mine)
    for part, pick_up in coils_of(study, stage):
        yield from _must_pull_in(rule, study, stage, part, pick_up)


def _must_be_off(rule: Rule, study: Study, found: Sequence[Next]) -> Iterator[Outcome]:
    """Saturation plus what lifts the emitter stays below what surely leaves the next stage off."""
    found = [*found, *_warmest(study, found)]
    worst = max(found, key=lambda n: n.vbe - _surely_off(n.situation.state))
    for n in found:
        first, second = n.stage.transistor, n.driven.transistor
        most = _surely_off(n.situation.state)
        test = Test.at_most(n.vbe, most, "V")
        if test.holds:
            yield satisfied(rule, (first, second), n.situation, test)
            continue
        lift = "" if n.stage.emitter_on_rail else " and the lift of its emitter"
        message = (
            f"{first} saturates to turn {second} off ({where(n.situation)}), but the {say(n.vce, 'V')}"
            f" across it{lift} leave {say(n.vbe, 'V')} between base and emitter of {second}, which is"
            f" surely off only below {say(most, 'V')}."
        )
        less = less_lift(study, n, most) if study.proposing and n is worst else None
        proposals = (
            ()
            if less is None
            else (Proposal(f"{from_to(study, *less)}: less emitter lift", (new_resistance(study, *less),)),)
        )
        advice = (
            ()
            if proposals or n is not worst or not study.proposing
            else (
                f"feed the base of {second} through a divider, so that it sees only a share of net"
                f" {n.stage.collector}, or put a diode in series with its emitter",
            )
        )
        yield violated(
            rule,
            study,
            (first, second),
            n.situation,
            test,
            "error",
            message,
            _evidence(study, n),
            role="next stage kept on",
            parts=(first, second),
            nets=(n.stage.collector,),
            proposals=proposals,
            advice=advice,
        )


def _surely_off(state: State) -> float:
    """The base-emitter voltage (V) below which a transistor is surely off, where this state is."""
    return state.mode.network.resolved.assumptions["vbe_off"]


def _warmest(study: Study, found: Sequence[Next]) -> Iterator[Next]:
    """Each place once more, at the corner of all tolerances where the next stage is least surely off."""
    worst: dict[tuple[str, str], Next] = {}
    for n in found:
        if n.vbe >= worst.setdefault(place_of(n.situation), n).vbe:
            worst[place_of(n.situation)] = n
    for n in worst.values():
        name = n.driven.transistor

        def excess(state: State, name: str = name) -> float | None:
            point = operating_point(state, name)
            return None if point is None else point.vbe - _surely_off(state)

        made = at_worst(n.situation, excess, "max")
        if made is not None:
            there = next_stages(study, n.stage, made.situation)
            yield from (other for other in there if other.driven is n.driven)


def _must_conduct(rule: Rule, study: Study, found: Sequence[Next]) -> Iterator[Outcome]:
    """The next stage conducts somewhere; what saturation leaves of the rail has to be enough for that."""
    second, wanted = found[0].driven.transistor, study.resolved.assumptions["vbe_on"]
    for corner in study.corners:
        here = [n for n in found if n.situation.corner == corner]
        if not here:
            continue
        best = max(here, key=lambda n: (n.region != "off", n.vbe))
        first = best.stage.transistor
        if any(s.state.devices[second] != "off" for s in study.situations(corner)):
            yield satisfied(rule, (first, second), best.situation, Test(wanted, ">=", wanted, "V", 0.0))
            continue
        message = (
            f"{first} saturates to turn {second} on ({where(best.situation)}), but the"
            f" {say(best.vce, 'V')} across it and the resistors leave {say(best.vbe, 'V')} between"
            f" base and emitter of {second}, which takes {say(wanted, 'V')}: {second} conducts in no"
            " state."
        )
        yield violated(
            rule,
            study,
            (first, second),
            best.situation,
            Test.at_least(min(best.vbe, wanted), wanted, "V"),
            "error",
            message,
            _evidence(study, best),
            role="next stage never on",
            parts=(first, second),
            nets=(best.stage.collector,),
        )


def _must_pull_in(rule: Rule, study: Study, stage: Stage, part: Part, pick_up: float) -> Iterator[Outcome]:
    """A relay on a saturated collector gets the voltage at which it surely pulls in."""
    first = stage.transistor
    for situation in _least_pull(study, stage, part):
        state = situation.state
        plus, minus = state.nets[part.pins["plus"]], state.nets[part.pins["minus"]]
        point = operating_point(state, first)
        if state.devices[first] != "saturated" or plus is None or minus is None or point is None:
            continue
        test = Test.at_least(abs(plus - minus), pick_up, "V")
        if test.holds:
            yield satisfied(rule, (first, part.name), situation, test)
            continue
        message = (
            f"With {first} saturated ({where(situation)}) {part.name} gets {say(test.left, 'V')}, less"
            f" than the {say(pick_up, 'V')} at which it surely pulls in; {say(point.vce, 'V')} of the"
            f" supply are lost across {first}."
        )
        evidence = [
            Quantity("V_coil", f"across {part.name}", test.left, "V"),
            part_quantity(study, part.name, "pick_up", "V_pick_up", "voltage at which it surely pulls in"),
            Quantity("V_loss", f"lost across {first}", point.vce, "V"),
            assumption(study, "vce_sat", "V_CE,sat", "left across a saturated transistor"),
        ]
        yield violated(
            rule,
            study,
            (first, part.name),
            situation,
            test,
            "error",
            message,
            [item for item in evidence if item is not None],
            role="pick-up",
            parts=(first, part.name),
            nets=(stage.collector,),
            pointers=(member_pointer(part.name, "pick_up"),),
        )


def _least_pull(study: Study, stage: Stage, part: Part) -> Iterator[Situation]:
    """Every situation, and each place once more at the corner where the coil gets the least voltage."""

    def across(state: State) -> float | None:
        plus, minus = state.nets[part.pins["plus"]], state.nets[part.pins["minus"]]
        return None if plus is None or minus is None else abs(plus - minus)

    least: dict[tuple[str, str], tuple[float, Situation]] = {}
    for situation in everywhere(study):
        yield situation
        volts = across(situation.state)
        if volts is None or situation.state.devices[stage.transistor] != "saturated":
            continue
        if volts <= least.setdefault(place_of(situation), (volts, situation))[0]:
            least[place_of(situation)] = volts, situation
    for _, situation in least.values():
        made = at_worst(situation, across, "min")
        if made is not None:
            yield made.situation


def _evidence(study: Study, n: Next) -> Iterator[Quantity]:
    first, second = n.stage.transistor, n.driven.transistor
    yield Quantity("V_C", f"net {n.stage.collector}: what saturation leaves", n.level, "V")
    yield Quantity("V_E", f"emitter of {first}", n.lift, "V")
    yield Quantity("V_loss", f"lost across {first}", n.vce, "V")
    yield Quantity("V_BE2", f"base to emitter of {second}", n.vbe, "V")
    if n.off:
        yield assumption(study, "vbe_off", "V_BE,off", "surely off below this", n.situation.state)
    else:
        yield assumption(study, "vbe_on", "V_BE,on", "conducts from this on", n.situation.state)
    yield assumption(study, "vce_sat", "V_CE,sat", "left across a saturated transistor")
