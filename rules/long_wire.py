"""A wire that leaves the box brings in no hum, meets a base through a resistor, and loses little on its"
" way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from rules.analysis.formulas.cutoff import off_voltage
from rules.analysis.formulas.field import (
    filter_for,
    loop_of_wire,
    mains_pick_up,
    node_against_hum,
    shunt_against_hum,
)
from rules.analysis.hazards import highest_source
from rules.analysis.pickup import carried, loosest, series_to_base, transfer
from rules.analysis.preferred import round_up
from rules.analysis.resolve import TRANSISTORS, escape
from rules.contract import API_LEVEL, Dial, Lesson
from rules.outcomes import broken, not_applicable
from rules.wording import celsius, say
from schemas.finding import (
    Change,
    Finding,
    Grounds,
    Limit,
    Origin,
    Outcome,
    Proposal,
    Quantity,
    Severity,
    Test,
)
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Situation, Study

STRAY = Limit(
    "stray", 20e-12, "F", "100 pF for 5 m beside a mains cable: from memory", "stray capacitance to the"
    " mains per m"
)
MAINS = Limit("mains", 230.0, "V", "IEC 60038, from memory", "mains voltage that the wire runs beside")
HERTZ = Limit("frequency", 50.0, "Hz", "IEC 60038, from memory", "frequency of the mains")
SHARE = Limit(
    "share",
    1.0 / 3.0,
    "",
    "common practice, no source; the third also covers the peak of the sine",
    "share of the voltage that is surely off that hum may take",
)
SERIES = Limit(
    "series", 1e3, "ohm", "common practice, no source", "least resistance between a wire and a base"
)
DROP = Limit(
    "drop",
    0.05,
    "",
    "common practice, no source",
    "share of the highest source voltage that a wire may lose there and back",
)
AREA = Limit(
    "area",
    0.22e-6,
    "m2",
    "common bell wire: common practice, no source",
    "area of the copper where the document states none",
)
CORNER = 5.0  # Hz of a filter for a slow sensor: common practice, no source
AREAS = (0.22e-6, 0.5e-6, 0.75e-6, 1e-6, 1.5e-6, 2.5e-6, 4e-6)  # m2 of common wires: from memory

PASSING = """\
format: thumbrule/1
name: pond-level-lamp
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: line}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: line, b: base}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: base, b: gnd}}
  LA1: {kind: load, resistance: 820 ohm, pins: {plus: rail, minus: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
nets:
  line: {wire: 5 m, label: float switch at the pond}
"""
FAILING = PASSING.replace("wire: 5 m", "wire: 60 m")


@dataclass(frozen=True, eq=False)
class Hum:
    """What the mains leaves at a base in one situation: ``ohms`` from the wire to it, in V per A."""

    transistor: str
    situation: Situation
    ohms: float
    stray: float

    @property
    def volts(self) -> float:
        return self.ohms * self.stray


class LongWire:
    """Hum at every base, series resistance and voltage drop of every wire that leaves the box."""

    slug = "long-wire"
    title = "Wires that leave the box"
    protects = "inputs and loads at the end of a wire"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = MappingProxyType(
        {limit.name: limit for limit in (STRAY, MAINS, HERTZ, SHARE, SERIES, DROP, AREA)}
    )
    grounds = Grounds(
        rule_of_thumb="A resistor and a capacitor at the box wall for every wire that goes outside.",
        formula="V_hum = 2*pi*f*C_w*U*Z <= V_BE,off/3;  R_series >= 1 kohm;  2*rho*l/A*I <= 0.05*V_S",
        symbols={
            "V_hum": "voltage that the mains leaves at a base, V (r.m.s.)",
            "f": "frequency of the mains, Hz",
            "C_w": "stray capacitance between wire and mains, F",
            "U": "mains voltage, V",
            "Z": "volts at the base per ampere into the wire, ohm",
            "V_BE,off": "base-emitter voltage that is surely off, V",
            "R_series": "resistance between the wire and a base, ohm",
            "rho": "resistivity of copper, ohm m",
            "l": "length of the wire, m",
            "A": "area of its copper, m2",
            "I": "current in the wire, A",
            "V_S": "highest source voltage, V",
        },
        source="charging current of a capacitance, Ohm's law; 20 pF for each metre beside a mains cable,"
        " 230 V and 50 Hz: from memory; the third, 1 kohm and 5 %: common practice, no source",
        holds="for wires of which the document says how long they are, in every state in which a"
        " transistor is off, with resistors at their greatest and capacitors at their least value",
        fails="for lightning, for radio, for a wire in a screen or a pipe of its own, and for hum that a"
        " stage that is on makes larger",
    )
    lesson = Lesson(
        why="A long wire is an aerial and a capacitor. Beside a mains cable some twenty picofarads for"
        " every metre join the two; at 230 V and 50 Hz that is a microampere and a half for each metre,"
        " sent into whatever the wire hangs on. Across 10 kohm it is millivolts, across a megohm it is"
        " volts, and a base that should be off is turned on fifty times a second.",
        breaks="On the bench the wire is short and everything works. A closed contact holds the wire fast,"
        " so that the trouble comes only while it is open. A capacitor on the wire side of the resistor"
        " charges and discharges through the contact, which does it no good.",
        mend="Lower what holds the base, or put a capacitor from base to emitter behind the series"
        " resistor: 5 Hz is quick enough for a float or a thermostat. At least 1 kohm between the wire and"
        " any base, so that a touch or a distant stroke of lightning meets a resistor first. For a load"
        " take a thicker wire.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/nets/line/wire", "5 m", "60 m"),
        derivation="rules.derivations.long_wire:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per wire: hum, series resistance, voltage drop."""
        wires = {name: note for name, note in study.circuit.nets.items() if note.wire is not None}
        if not wires:
            yield not_applicable(self, (), "no net has a wire that leaves the box (its member wire)")
        for net, note in sorted(wires.items()):
            assert note.wire is not None
            yield from self._hum(study, net, note.wire)
            yield from self._series(study, net)
            yield self._drop(study, net, note.wire, note.wire_area)

    def _hum(self, study: Study, net: str, length: float) -> Iterator[Outcome]:
        stray = mains_pick_up(
            self.limits["stray"].value * length, self.limits["mains"].value, self.limits["frequency"].value
        )
        found = self._each_hum(study, net, stray)
        if not found:
            yield not_applicable(self, (net,), f"no transistor is off in a state in which {net} is defined")
            return
        hot = study.resolved.ambient.high
        off = off_voltage(study.resolved.assumptions["vbe_off"], hot)
        worst: dict[str, Hum] = {}
        for hum in found:
            if hum.transistor not in worst or hum.volts > worst[hum.transistor].volts:
                worst[hum.transistor] = hum
        for transistor, hum in sorted(worst.items()):
            careful = Test.at_most(hum.volts, self.limits["share"].value * off, "V")
            evidence = tuple(self._numbers(net, length, hum, off, hot))
            if careful.holds:
                yield Outcome(
                    self.slug,
                    "satisfied",
                    (net, transistor),
                    "",
                    hum.situation.label,
                    "resistors high, capacitors low",
                    careful,
                    evidence=evidence,
                )
                continue
            made = self._quieter(study, net, hum, careful.right) if study.proposing else ()
            yield self._finding(
                (net, transistor),
                "warning" if hum.volts <= off else "error",
                careful,
                self._told(net, length, hum, off, hot),
                evidence,
                role="hum",
                net=net,
                parts=(transistor,),
                member="wire",
                state=hum.situation.label,
                corner="resistors high, capacitors low",
                proposals=made,
                advice=(self._lower(hum, off),),
            )

    def _each_hum(self, study: Study, net: str, stray: float) -> list[Hum]:
        found: list[Hum] = []
        loose = loosest(study)
        for situation in study.situations():
            state = situation.state
            if state.nets.get(net) is None and net != study.circuit.ground:
                continue
            ohms = transfer(state, net, self.limits["frequency"].value, loose)
            found.extend(
                Hum(name, situation, z, stray)
                for name, z in sorted(ohms.items())
                if _defined(study, state, name)
            )
        return found

    def _numbers(self, net: str, length: float, hum: Hum, off: float, hot: float) -> Iterator[Quantity]:
        pointer = f"/nets/{escape(net)}/wire"
        yield Quantity("l", f"length of the wire on {net}", length, "m", "declared", pointer)
        stray = self.limits["stray"]
        farads = stray.value * length
        yield Quantity("C_w", "stray capacitance of the wire", farads, "F", "assumed", None, stray.source)
        yield Quantity("I_hum", "current that the mains sends into it", hum.stray, "A")
        yield Quantity("Z", f"volts at the base of {hum.transistor} per ampere into it", hum.ohms, "ohm")
        yield Quantity("V_hum", f"what is left of it at the base of {hum.transistor}", hum.volts, "V")
        yield Quantity("V_BE,off", f"surely off at {celsius(hot)}", off, "V")

    def _told(self, net: str, length: float, hum: Hum, off: float, hot: float) -> str:
        limit = self.limits["share"].value * off
        stray = self.limits["stray"]
        return (
            f"{say(length, 'm')} of wire on {net} beside a mains cable can pick up {say(hum.stray, 'A')}"
            f" ({say(stray.value, 'F')} for each metre, from memory). That is {say(hum.volts, 'V')} at the"
            f' base of {hum.transistor}, which is off in "{hum.situation.label}": more than'
            f" {say(limit, 'V')}, {say(self.limits['share'].value, 'ratio', 2)} of the {say(off, 'V')} that"
            f" are surely off at {celsius(hot)}."
        )

    def _lower(self, hum: Hum, off: float) -> str:
        ohms = node_against_hum(off, self.limits["share"].value, hum.stray)
        return f"or let no more than {say(ohms, 'ohm')} hold the base of {hum.transistor} while it is off"

    def _quieter(self, study: Study, net: str, hum: Hum, allowed: float) -> tuple[Proposal, ...]:
        """A capacitor from base to emitter, for a corner of 5 Hz and for what hum may take."""
        part = study.circuit.parts[hum.transistor]
        if part.pins["base"] == net or hum.ohms <= 0.0:
            return ()
        shunt = shunt_against_hum(hum.stray, self.limits["frequency"].value, allowed)
        farads = round_up(max(filter_for(CORNER, hum.ohms), shunt), study.preferences.film, 0.1)
        pins = {"a": part.pins["base"], "b": part.pins["emitter"]}
        new = new_part(study.circuit, "C", "capacitor", pins, capacitance=farads, dielectric="film")
        what = f"{new.name} of {say(farads, 'F')} from the base of {hum.transistor} to its emitter"
        return (Proposal(what, Fitting((new,)).changes(study.circuit)),)

    def _series(self, study: Study, net: str) -> Iterator[Outcome]:
        for transistor, ohms in sorted(series_to_base(study, net).items()):
            test = Test.at_least(ohms, self.limits["series"].value, "ohm")
            given = (Quantity("R_series", f"resistance from {net} to the base of {transistor}", ohms, "ohm"),)
            about = (net, transistor)
            if test.holds:
                yield Outcome(self.slug, "satisfied", about, test=test, evidence=given)
                continue
            what = "nothing stands" if ohms == 0.0 else f"only {say(ohms, 'ohm')} stand"
            yield self._finding(
                about,
                "warning",
                test,
                f"{what} between the wire on {net} and the base of {transistor}: a touch, a spark or a"
                f" distant stroke of lightning meets the base first. {say(test.right, 'ohm')} or more"
                " belong there, at the box wall (common practice).",
                given,
                role="series",
                net=net,
                parts=(transistor,),
                member="wire",
                proposals=_resistor(study, net, transistor, test.right) if study.proposing else (),
                advice=("and a diode from the base to each rail where the wire goes out of doors",),
            )

    def _drop(self, study: Study, net: str, length: float, area: float | None) -> Outcome:
        current, part, state = carried(study, net)
        supply = highest_source(study.circuit)
        if not current or not supply:
            return not_applicable(self, (net,), f"nothing at the end of the wire on {net} takes a current")
        copper = self.limits["area"].value if area is None else area
        ohms = loop_of_wire(length, copper)
        test = Test.at_most(ohms * current, self.limits["drop"].value * supply, "V")
        origin: Origin = "declared" if area is not None else "assumed"
        place = f"/nets/{escape(net)}"
        pointer = f"{place}/wire_area"
        source = None if area is not None else self.limits["area"].source
        evidence = (
            Quantity("l", f"length of the wire on {net}", length, "m", "declared", f"{place}/wire"),
            Quantity("A", "area of its copper", copper, "m2", origin, pointer, source),
            Quantity("R_loop", "its resistance there and back", ohms, "ohm"),
            Quantity("I", f"current of {part}", current, "A"),
            Quantity("V_drop", "what the wire loses", ohms * current, "V"),
        )
        if test.holds:
            return Outcome(self.slug, "satisfied", (net,), "", state, None, test, evidence=evidence)
        taken = "" if area is not None else " (taken as bell wire; state wire_area)"
        message = (
            f"{say(length, 'm')} of wire of {say(copper, 'm2')}{taken} on {net} lose"
            f" {say(ohms * current, 'V')} there and back at the {say(current, 'A')} of {part}: more than"
            f" {say(test.right, 'V')}, {say(self.limits['drop'].value, 'ratio')} of the supply."
        )
        wanted = copper * test.left / test.right
        thick = next((a for a in AREAS if a >= wanted), None)
        told = ("a thicker wire, or the switch at this end of it",) if thick is None else ()
        made: tuple[Proposal, ...] = ()
        if thick is not None and study.proposing:
            change = Change(pointer, area, document_text(thick, "area"))
            made = (Proposal(f"a wire of {say(thick, 'm2')} on {net}", (change,)),)
        return self._finding(
            (net,),
            "warning",
            test,
            message,
            evidence,
            role="drop",
            net=net,
            parts=(part,),
            member="wire_area" if area is not None else "wire",
            state=state,
            proposals=made,
            advice=told,
        )

    def _finding(
        self,
        about: tuple[str, ...],
        severity: Severity,
        test: Test,
        message: str,
        evidence: tuple[Quantity, ...],
        *,
        role: str,
        net: str,
        parts: tuple[str, ...],
        member: str,
        state: str | None = None,
        corner: str | None = None,
        proposals: tuple[Proposal, ...] = (),
        advice: tuple[str, ...] = (),
    ) -> Outcome:
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=parts,
            nets=(net,),
            pointers=(f"/nets/{escape(net)}/{member}",),
            state=state,
            corner=corner,
            message=message,
            evidence=evidence,
            test=test,
            grounds=self.grounds,
            role=role,
            advice=advice,
        )
        return broken(finding, about, proposals)


def _defined(study: Study, state: State, transistor: str) -> bool:
    """False where nothing but leakage sets base or emitter: that is the matter of floating-base."""
    pins = study.circuit.parts[transistor].pins
    return all(state.nets[pins[pin]] is not None for pin in ("base", "emitter"))


def _resistor(study: Study, net: str, transistor: str, ohms: float) -> tuple[Proposal, ...]:
    """A resistor in front of the base, where the wire is on the base itself."""
    part = study.circuit.parts[transistor]
    if part.pins["base"] != net or part.kind not in TRANSISTORS:
        return ()
    fresh = new_net(study.circuit, net)
    resistor = new_part(study.circuit, "R", "resistor", {"a": net, "b": fresh}, resistance=ohms)
    fitting = Fitting((resistor,), ((transistor, "base", fresh),))
    what = f"{resistor.name} of {say(ohms, 'ohm')} between {net} and the base of {transistor}"
    return (Proposal(what, fitting.changes(study.circuit)),)


RULE = LongWire()
