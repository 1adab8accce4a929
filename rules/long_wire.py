"""A wire that leaves the box brings in no hum, meets a base by a resistor, and loses little on its way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.formulas.cutoff import off_voltage
from rules.analysis.formulas.field import loop_of_wire, mains_pick_up
from rules.analysis.hazards import highest_source
from rules.analysis.pickup import carried, series_to_base, worst_hums
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.wire_words import (
    hum_evidence,
    hum_message,
    lower,
    quieter,
    resistor_before,
    series_message,
    thicker,
    wire_pointer,
)
from rules.wording import say
from schemas.finding import Finding, Grounds, Limit, Origin, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

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


class LongWire:
    """Hum at every base, series resistance and voltage drop of every wire that leaves the box."""

    slug = "long-wire"
    title = "Wires that leave the box"
    protects = "inputs and loads at the end of a wire"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(STRAY, MAINS, HERTZ, SHARE, SERIES, DROP, AREA)
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
        found = worst_hums(study, net, stray, self.limits["frequency"].value)
        if not found:
            yield not_applicable(self, (net,), f"no transistor is off in a state in which {net} is defined")
            return
        hot = study.resolved.ambient.high
        off = off_voltage(study.resolved.assumptions["vbe_off"], hot)
        for transistor, hum in found.items():
            careful = Test.at_most(hum.volts, self.limits["share"].value * off, "V")
            evidence = tuple(hum_evidence(net, length, hum, off, hot, self.limits["stray"]))
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
            made: tuple[Proposal, ...] = ()
            if study.proposing:
                made = quieter(study, net, hum, careful.right, self.limits["frequency"].value)
            yield self._finding(
                (net, transistor),
                "warning" if hum.volts <= off else "error",
                careful,
                hum_message(net, length, hum, off, hot, self.limits),
                evidence,
                role="hum",
                net=net,
                parts=(transistor,),
                member="wire",
                state=hum.situation.label,
                corner="resistors high, capacitors low",
                proposals=made,
                advice=(lower(hum, off, self.limits["share"].value),),
            )

    def _series(self, study: Study, net: str) -> Iterator[Outcome]:
        for transistor, ohms in sorted(series_to_base(study, net).items()):
            test = Test.at_least(ohms, self.limits["series"].value, "ohm")
            given = (Quantity("R_series", f"resistance from {net} to the base of {transistor}", ohms, "ohm"),)
            about = (net, transistor)
            if test.holds:
                yield Outcome(self.slug, "satisfied", about, test=test, evidence=given)
                continue
            yield self._finding(
                about,
                "warning",
                test,
                series_message(net, transistor, test),
                given,
                role="series",
                net=net,
                parts=(transistor,),
                member="wire",
                proposals=resistor_before(study, net, transistor, test.right) if study.proposing else (),
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
        pointer = wire_pointer(net, "wire_area")
        source = None if area is not None else self.limits["area"].source
        evidence = (
            Quantity("l", f"length of the wire on {net}", length, "m", "declared", wire_pointer(net)),
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
        thick = thicker(net, area, copper * test.left / test.right)
        told = ("a thicker wire, or the switch at this end of it",) if thick is None else ()
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
            proposals=(thick,) if thick is not None and study.proposing else (),
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
            pointers=(wire_pointer(net, member),),
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


RULE = LongWire()
