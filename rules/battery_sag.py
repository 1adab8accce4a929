"""A battery that is old and cold keeps every state, and most of its voltage, under its own load."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from rules.analysis.formulas.supply import pick_up_at, rail_under_load
from rules.analysis.relays import coil_situations, pick_up_of
from rules.analysis.sag import QUIET, Condition, conditions, current_of, stays
from rules.analysis.standing import sources
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.sag_words import better_cells, evidence, feeding
from rules.wording import celsius, member_pointer, say, times, with_position
from schemas.finding import Grounds, Limit, Outcome, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study

OLD = Limit(
    "old", 5.0, "", "common practice, no source", "internal resistance at the end of life over that when new"
)
COLD = Limit(
    "cold", 3.0, "", "common practice, no source", "internal resistance at -10 degC over that at 20 degC"
)
LEFT = Limit("left", 0.8, "", "common practice, no source", "share of its voltage that the load leaves")
STATES = Limit("states", 1.0, "", "definition: the state has to exist", "states that stand for the one asked")
PICK_UP = Limit(
    "pick-up",
    0.75,
    "",
    "75 to 80 % in the sheets of relay makers",
    "share of the nominal voltage at which a relay of unknown pick-up pulls in at 20 degC",
)

PASSING = """\
format: thumbrule/1
name: compost-probe
ground: gnd
ambient: {low: -10 degC, nominal: 15 degC, high: 35 degC}
parts:
  BT1: {kind: battery, voltage: 9 V, low: 7 V, resistance: 1.7 ohm, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: lamp}}
  LP1: {kind: load, resistance: 220 ohm, pins: {plus: lamp, minus: gnd}}
"""
FAILING = PASSING.replace("1.7 ohm", "8 ohm")


class BatterySag:
    """Every situation solved again with the internal resistance of an old, cold battery."""

    slug = "battery-sag"
    title = "Sag of the battery under its load"
    protects = "a circuit from the voltage that its own load takes away from it"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(OLD, COLD, LEFT, STATES, PICK_UP)
    grounds = Grounds(
        rule_of_thumb="An old battery has five times its internal resistance, a frozen one three times; the"
        " rail keeps four fifths of its voltage all the same.",
        formula="V_rail = E - r*I >= 0.8*E;  r = r_new*5*(1 + 2*(20 - T)/30)",
        symbols={
            "V_rail": "voltage that the battery has left under load, V",
            "E": "its voltage without a load, V",
            "r": "internal resistance, old and at the coldest, ohm",
            "r_new": "internal resistance when new, at 20 degC, ohm",
            "I": "current from the battery in the state, A",
            "T": "coldest ambient temperature, degC",
        },
        source="Kirchhoff's voltage law; 5 times, 3 times and four fifths: common practice, no source",
        holds="for the states themselves, each solved with the resistance in it: where the sag helps, it"
        " helps; a state must stay at the lowest voltage with the least gains",
        fails="for the first moment of a motor or a lamp, which takes several times the current",
    )
    lesson = Lesson(
        why="The load and the brain share one battery. When the horn sounds, the rail of the brain falls by"
        " the internal resistance times the current. If that ends the state that sounds the horn, it chirps:"
        " on, sag, off, recovery, on again.",
        breaks="The number on the sheet is that of a new battery on a warm bench. A sag may help, too: a"
        " threshold that is a share of the rail falls with it. So solve the state with the resistance in it,"
        " do not guess.",
        mend="Larger cells; less load; a capacitor for loads that last milliseconds; for the brain a rail of"
        " its own behind a diode, with a capacitor.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/BT1/resistance", "1.7 ohm", "8 ohm"),
        derivation="rules.derivations.battery_sag:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per battery and situation: the state, the relays in it, and the voltage left."""
        batteries = sources(study.circuit, "battery")
        if not batteries:
            yield not_applicable(self, (), "there is no battery")
        for battery in batteries:
            yield from self._battery(study, battery)

    def _battery(self, study: Study, battery: str) -> Iterator[Outcome]:
        most = max((abs(current_of(s.state, battery) or 0.0) for s in study.situations()), default=0.0)
        if most <= QUIET:
            reason = f"{battery} never gives more than {say(most, 'A')}: nothing sags"
            # both that it is judged for elsewhere, so that ending a current is no judgement lost
            for about, name in (((battery,), "left"), ((battery, "state"), "states")):
                test = Test.at_least(1.0, self.limits[name].value, "")
                yield Outcome(self.slug, "satisfied", about, reason, None, None, test)
            return
        known = study.known(battery, "resistance")
        if known is None or known.origin != "declared":
            pointer = member_pointer(battery, "resistance")
            reason = f"{pointer} is missing: nobody knows how far {battery} sags"
            yield Outcome(self.slug, "undecided", (battery,), reason)
            return
        if known.value == 0.0:
            yield not_applicable(self, (battery,), f"{battery} is stated to have no internal resistance")
            return
        for situation in study.situations():
            yield from self._situation(study, battery, situation)

    def _situation(self, study: Study, battery: str, situation: Situation) -> Iterator[Outcome]:
        old, cold = self.limits["old"].value, self.limits["cold"].value
        hot, frozen = conditions(study, battery, old, cold)
        new = study.value(battery, "resistance")
        current = current_of(situation.state, battery)
        if current is not None and abs(current) <= QUIET:
            # nothing sags in a state that draws nothing
            yield from self._rail(study, replace(situation, corner=frozen.label), frozen)
            return
        lost = False
        # the heat only matters to relays: everything else has most to lose in the cold
        relays = any(part.kind == "coil" for part in study.circuit.parts.values())
        for found in (hot, frozen) if relays else (frozen,):
            state = stays(study, situation, found)
            if state is None and stays(study, situation, replace(found, ohms=new)) is None:
                lost = True
                reason = f"{_quoted(situation)} is lost with a new {battery} as well, not for its resistance"
                yield not_applicable(self, (battery, "state"), reason)
                continue
            where = replace(situation, corner=found.label)
            test = Test.at_least(0.0 if state is None else 1.0, self.limits["states"].value, "")
            if not test.holds:
                lost = True
                yield self._lost(study, where, found, test)
            elif state is not None:
                if state.mode.network.junctions:  # without any there is no other state
                    yield satisfied(self, (battery, "state"), where, test)
                yield from self._relays(study, replace(where, state=state), situation, found, state)
        if lost:
            return
        state = stays(study, situation, frozen, lowest=False)
        if state is not None:
            yield from self._rail(study, replace(situation, corner=frozen.label, state=state), frozen)

    def _lost(self, study: Study, where: Situation, found: Condition, test: Test) -> Outcome:
        battery, low = found.battery, study.value(found.battery, "low")
        current = current_of(where.state, battery) or 0.0
        message = (
            f"{_quoted(where)} is lost when {battery} is old: at {say(low, 'V')} with"
            f" {say(found.ohms, 'ohm')} inside ({celsius(found.kelvin)}) no state stands for it, with a new"
            f" one it is there. It asks for {say(current, 'A')}."
        )
        return self._violated(study, where, found, test, "error", message, "state")

    def _relays(
        self, study: Study, where: Situation, situation: Situation, found: Condition, state: State
    ) -> Iterator[Outcome]:
        """Relays that pull in with a new battery do so with an old one."""
        new = stays(study, situation, replace(found, ohms=study.value(found.battery, "resistance")))
        for part in study.circuit.parts.values():
            volts = pick_up_of(study, part, self.limits["pick-up"].value) if part.kind == "coil" else None
            if volts is None or new is None or part.name not in feeding(study, found.battery):
                continue
            if not any(c.on and c.situation is situation for c in coil_situations(study, part)):
                continue
            wanted = pick_up_at(volts, found.kelvin)
            before, left = _across(study, part.name, new), _across(study, part.name, state)
            test = Test.at_least(left, wanted, "V")
            if test.holds:
                yield satisfied(self, (found.battery, part.name), where, test)
            elif before >= wanted:
                message = (
                    f"{part.name} gets {say(left, 'V')} in {_quoted(where)} when {found.battery} is old"
                    f" ({say(found.ohms, 'ohm')} inside, {celsius(found.kelvin)}), and pulls in at"
                    f" {say(wanted, 'V')}; with a new battery it gets {say(before, 'V')}."
                )
                yield self._violated(study, where, found, test, "error", message, "pull-in", part.name)

    def _rail(self, study: Study, where: Situation, found: Condition) -> Iterator[Outcome]:
        battery, current = found.battery, current_of(where.state, found.battery)
        volts = study.value(battery, "voltage")
        if current is None or not volts:
            return
        left = rail_under_load(abs(volts), found.ohms, max(current if volts > 0.0 else -current, 0.0))
        test = Test.at_least(left / abs(volts), self.limits["left"].value, "")
        if test.holds:
            yield satisfied(self, (battery,), where, test, evidence(study, where, found, self.limits))
            return
        message = (
            f"{battery} falls to {say(left, 'V')} in {_quoted(where)} when it is old and cold:"
            f" {say(abs(current), 'A')} through {say(found.ohms, 'ohm')} inside leave"
            f" {say(test.left, 'ratio')} of its {say(abs(volts), 'V')}; limit {say(test.right, 'ratio')}."
        )
        yield self._violated(study, where, found, test, "warning", message, "rail")

    def _violated(
        self,
        study: Study,
        where: Situation,
        found: Condition,
        test: Test,
        severity: Severity,
        message: str,
        role: str,
        *more: str,
    ) -> Outcome:
        battery = found.battery
        about = (battery, *more) if role != "state" else (battery, "state")
        factor = found.ohms / study.value(battery, "resistance")
        made = better_cells(study, where, found, self.limits["left"].value) if study.proposing else ()
        return violated(
            self,
            study,
            about,
            where,
            test,
            severity,
            message,
            evidence(study, where, found, self.limits),
            role=role,
            parts=(battery, *more),
            nets=(),
            pointers=(member_pointer(battery, "resistance"),),
            proposals=made,
            advice=(
                f"cells of less internal resistance: it counts {times(factor)} times here",
                "or less load; a capacitor across the rail only carries loads that last milliseconds",
            ),
        )


def _across(study: Study, coil: str, state: State) -> float:
    pins = study.circuit.parts[coil].pins
    return abs((state.nets[pins["plus"]] or 0.0) - (state.nets[pins["minus"]] or 0.0))


def _quoted(where: Situation) -> str:
    return f'"{with_position(where.label, where.state.mode.network.configuration)}"'


RULE = BatterySag()
