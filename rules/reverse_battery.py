"""A battery that can be put in backwards harms nothing when it is."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.resolve import SUPPLIES
from rules.analysis.source_diodes import series_diode
from rules.analysis.turned_battery import Strain, Turned, turned
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, violated_by
from rules.wording import listed, say
from schemas.finding import Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

LED = Limit(
    "led",
    5.0,
    "V",
    "from memory: sheets of indicator LEDs allow 5 V backwards",
    "reverse voltage of an LED that states none",
)
CAPACITOR = Limit(
    "capacitor",
    1.5,
    "V",
    "from memory: makers' guides for aluminium capacitors allow up to 1.5 V for short times",
    "reverse voltage of a polarised capacitor",
)
EMITTER = Limit(
    "emitter",
    5.0,
    "V",
    "the lowest V_EBO of common small-signal types: 5 V for 2N3906, 2N2907A and BC557B",
    "reverse voltage of an emitter junction whose document and type state none",
)
TOLD = 4  # parts that a message names; the evidence has them all

PASSING = """\
format: thumbrule/1
name: snail-hunt-lantern
ground: gnd
parts:
  BT1: {kind: battery, voltage: 4.5 V, resistance: 1 ohm, pins: {plus: cell, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: cell, b: lamp}}
  R1: {kind: resistor, resistance: 150 ohm, pins: {a: lamp, b: glow}}
  D1: {kind: led, forward: 2 V, pins: {anode: glow, cathode: gnd}}
"""
FAILING = PASSING.replace("4.5 V", "9 V")


class ReverseBattery:
    """Every stable state with each battery turned round that nothing keys."""

    slug = "reverse-battery"
    title = "Battery put in backwards"
    protects = "LEDs, capacitors and junctions on the day the battery goes in the wrong way round"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(LED, CAPACITOR, EMITTER)
    grounds = Grounds(
        rule_of_thumb="What a hand can put in backwards will be put in backwards: block it, or key it.",
        formula="V_R <= V_R,max for every LED, polarised capacitor and emitter junction, with -V_B for V_B",
        symbols={
            "V_B": "highest voltage of the battery, V",
            "V_R": "reverse voltage of a part with the battery turned round, V",
            "V_R,max": "what it stands, V",
        },
        source="Kirchhoff's voltage law; the limits where a part states none: from memory",
        holds="for every position of contacts and drivers, each battery turned round alone, at its highest"
        " voltage, everything else at nominal values",
        fails="for what is behind a logic output; for a snap connector that is touched backwards for a moment"
        " although it is keyed; for batteries that are mixed up among each other",
    )
    lesson = Lesson(
        why="An electrolytic capacitor the wrong way round across a battery is a heater, and an LED breaks"
        " down at little more than 5 V backwards. Transistors mostly live through it. Batteries put in the"
        " wrong way round are the commonest mistake there is.",
        breaks="A flyback diode and its transistor make a road of little resistance for a battery that is"
        " turned round: then the wire or the transistor gives way. A diode across the supply protects only"
        " behind a fuse.",
        mend="A diode in series costs 0.7 V, a Schottky diode 0.3 V: look at the headroom and at the last"
        " hour of the battery again. Or a holder that takes the battery one way only; then say that it is"
        " keyed.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/BT1/voltage", "4.5 V", "9 V"),
        derivation="rules.derivations.reverse_battery:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """One outcome per battery or supply."""
        sources = [part for part in study.circuit.parts.values() if part.kind in SUPPLIES]
        if not sources:
            yield not_applicable(self, (), "there is no battery")
        for part in sources:
            if part.kind == "supply":
                yield not_applicable(self, (part.name,), "a fixed supply is not put in by hand")
            elif part.values.get("keyed") is True:
                yield not_applicable(self, (part.name,), "it is keyed")
            else:
                yield from self._battery(study, part.name)

    def _battery(self, study: Study, name: str) -> Iterator[Outcome]:
        limits = {key: (limit.value, limit.source) for key, limit in self.limits.items()}
        case = turned(study, name, limits)
        broken = [strain for strain in case.strains if strain.breaks]
        if case.shorts or broken:
            yield self._violated(study, name, case, broken)
        elif case.unknown:
            reason = f"with {name} turned round not every state was found: {case.unknown}"
            yield Outcome(self.slug, "undecided", (name,), reason)
        elif case.strains:
            worst = case.strains[0]
            test = Test.at_most(worst.value, worst.limit, worst.unit)
            found = tuple(_evidence(name, case))
            yield Outcome(self.slug, "satisfied", (name,), "", worst.state, None, test, evidence=found)
        else:
            reason = "turned round it stresses no junction and no polarised capacitor"
            yield Outcome(self.slug, "satisfied", (name,), reason)

    def _violated(self, study: Study, name: str, case: Turned, broken: list[Strain]) -> Outcome:
        start = f"With {name} put in backwards ({say(case.volts, 'V')})"
        if case.shorts:
            test = Test.at_most(1.0, 0.0, "")
            road = listed(case.shorts)
            message = f"{start} nothing limits the current through {road}; limit: no such loop."
            state = None
        else:
            worst = broken[0]
            test = Test.at_most(worst.value, worst.limit, worst.unit)
            told = [
                f"{strain.part} {strain.words} {say(strain.value, strain.unit)}"
                f" (limit {say(strain.limit, strain.unit)})"
                for strain in broken[:TOLD]
            ]
            more = f", and {len(broken) - TOLD} more" if len(broken) > TOLD else ""
            message = f"{start} {listed(told)}{more}."
            state = worst.state
        proposals = (series_diode(study, name, "turned round it blocks"),) if study.proposing else ()
        return violated_by(
            self,
            name,
            (state, None),
            test,
            "warning",
            message,
            _evidence(name, case),
            role="turned round",
            proposals=proposals,
            advice=(
                f"or a holder or a plug that goes in one way only: then say `keyed: true` of {name}",
                "a diode across the supply protects as well, behind a fuse that it blows",
            ),
        )


def _evidence(name: str, case: Turned) -> Iterator[Quantity]:
    yield Quantity("V_B", f"highest voltage of {name}", case.volts, "V")
    for strain in case.strains:
        what = "V_R" if strain.unit == "V" else "I"
        meaning = f"{strain.part} {strain.words} this, {name} turned round"
        yield Quantity(f"{what} {strain.part}", meaning, strain.value, strain.unit)
        if strain.breaks:
            source = strain.source or None
            limit = Quantity(
                f"{what},max {strain.part}",
                f"what {strain.part} stands",
                strain.limit,
                strain.unit,
                "assumed" if source else "declared",
                None,
                source,
            )
            yield limit


RULE = ReverseBattery()
