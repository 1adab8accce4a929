"""The circuit stays within extra-low voltage, and nothing about it can burn or endanger people."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING

from rules.analysis.hazards import (
    NOT_FOR,
    SCOPE,
    ability,
    above_scope,
    declared_volts,
    fused,
    greatest_draw,
    not_for,
    shares_nets,
    span_of,
)
from rules.analysis.resolve import SUPPLIES
from rules.burning_words import FIERY, abilities, burns, declared_voltage, larger_fuse, new_fuse
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import broken, not_applicable
from rules.wording import listed, member_pointer, part_quantity, say
from schemas.finding import Finding, Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

CURRENT = Limit(
    "current",
    8.0,
    "A",
    "limited power source: 8 A (IEC 62368-1, from memory)",
    "what a source may give into a short without a fuse",
)
POWER = Limit(
    "power",
    100.0,
    "W",
    "limited power source: 100 W (IEC 62368-1, from memory)",
    "what a source may give into any load without a fuse",
)
LASTING = (*FIERY, "nickel")  # a short of dry cells is soon over, of these it is not: common practice

PASSING = """\
format: thumbrule/1
name: potting-shed-light
ground: gnd
parts:
  BT1: {kind: battery, voltage: 12 V, resistance: 20 mohm, chemistry: lead, pins: {plus: cell, minus: gnd}}
  F1: {kind: fuse, current: 1 A, pins: {a: cell, b: rail}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: lit}}
  LA1: {kind: load, resistance: 24 ohm, pins: {plus: lit, minus: gnd}}
"""
FAILING = """\
format: thumbrule/1
name: potting-shed-light
ground: gnd
parts:
  BT1: {kind: battery, voltage: 12 V, resistance: 20 mohm, chemistry: lead, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: lit}}
  LA1: {kind: load, resistance: 24 ohm, pins: {plus: lit, minus: gnd}}
"""


class ExtraLowVoltage:
    """Voltages, short-circuit currents, mains contacts and the use of the circuit."""

    slug = "extra-low-voltage"
    title = "Extra-low voltage and what can hurt"
    protects = "people and property, as far as a rule of thumb can"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SCOPE, CURRENT, POWER)
    grounds = Grounds(
        rule_of_thumb="Up to 60 V DC, and a fuse at every source that can burn a wire.",
        formula="V <= 60 V;  I_sc = E/r <= 8 A and P = E^2/(4*r) <= 100 W, or a fuse;  I_F <= I_rated",
        symbols={
            "V": "largest voltage of a source or between two nets, V",
            "I_sc": "current of the source into a short, A",
            "P": "the most power that the source can give to anything, W",
            "E": "open-circuit voltage, V",
            "r": "internal resistance, ohm",
            "I_F": "greatest current of a fuse in any state, A",
            "I_rated": "its rated current, A",
        },
        source=f"60 V: {SCOPE.source}; 8 A and 100 W: limits of a limited power source, from memory; a fuse"
        " at lead and lithium cells and separation from the mains: common practice, no source",
        holds="for DC, with everything as drawn; 8 A for supplies and for cells that are stated to be lead,"
        " lithium or nickel, a short of dry cells being soon over; the local code and licensed practice"
        " have the last word",
        fails="for AC, for the heat of a part (its own rules), for what is not drawn: that a mains adaptor"
        " separates safely is the promise of its maker, not of this review",
    )
    lesson = Lesson(
        why="Sixty volts DC hardly get through dry skin. Fire needs no voltage, only current: a car battery"
        " of 12 V sends hundreds of amperes through a slipped spanner, and a wire that was meant for one"
        " ampere glows. The fuse is the part that is allowed to burn, and it stands at the source, before"
        " the first wire that could be pinched.",
        breaks="Small cells limit themselves: a button cell behind 15 ohm never burns a wire, and dry"
        " cells are soon empty. In the wet even 30 V are too much. A mains adaptor is extra-low voltage by"
        " the word of its maker only, and a relay whose contact switches the mains brings the mains into"
        " the box, however low the coil voltage is.",
        mend="A fuse of no more than twice the load current, right at the battery; a relay or transformer"
        " made for safe separation where the mains is switched, in a box nobody can open without a tool."
        " Leave all that touches the mains, and all that lives depend on, to those who are licensed for"
        " it.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/BT1/voltage", "12 V", "96 V"),
        derivation="rules.derivations.extra_low_voltage:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """The voltages of the whole circuit, each source, each contact of the mains, and its use."""
        yield self._voltage(study)
        for part in study.circuit.parts.values():
            if part.kind in SUPPLIES:
                yield self._source(study, part)
            elif part.kind == "contact" and part.values.get("mains") is True:
                yield self._mains(study, part)
            elif part.kind == "fuse":
                yield self._blows(study, part)
        yield self._use(study)

    def _voltage(self, study: Study) -> Outcome:
        limit, parts = self.limits["scope"].value, study.circuit.parts.values()
        declared, name = max(((declared_volts(p), p.name) for p in parts), default=(0.0, ""))
        # the states of rest, as the caution has them
        every = [state for corner in study.corners for s in study.state_sets(corner) for state in s.stable]
        spans = [(*span_of(state), state.name) for state in every]
        span, high, low, state = max(spans, default=(0.0, "", "", ""))
        above = tuple(sorted(p.name for p in parts if declared_volts(p) > limit))
        nets: tuple[str, ...] = ()
        if span <= declared * (1.0 + 1e-9):
            volts, where, evidence = declared, None, [declared_voltage(study, name)] if name else []
        else:
            volts, where = span, state
            evidence = [Quantity("V", f"voltage of {high} above {low} in this state", span, "V")]
            nets = () if above else (high, low)
        test = Test.at_most(volts, limit, "V")
        if not volts:
            return not_applicable(self, (), "nothing feeds the circuit")
        if test.holds:
            return Outcome(self.slug, "satisfied", (), "", where, None, test, evidence=tuple(evidence))
        return self._finding(
            test,
            "error",
            above_scope(volts, limit),
            evidence,
            role="voltage",
            parts=above,
            nets=nets,
            pointers=[member_pointer(name, "voltage") for name in above] or ["/parts"],
            state=where,
        )

    def _source(self, study: Study, part: Part) -> Outcome:
        about, chemistry = (part.name,), part.text("chemistry")
        able = ability(part)
        if fused(study.circuit, part.name):
            return not_applicable(self, about, f"every way from {part.name} leads through a fuse")
        if able is None and chemistry not in FIERY:
            members = ("resistance", "chemistry") if part.kind == "battery" else ("current",)
            places = listed((member_pointer(part.name, member) for member in members), "or")
            reason = f"how much {part.name} can give is not stated ({places})"
            return not_applicable(self, about, reason)
        amperes, watts = self.limits["current"], self.limits["power"]
        tests: list[Test] = []
        if able is not None:
            tests = [Test.at_most(able[1], watts.value, "W")]
            if part.kind == "supply" or chemistry in LASTING:
                tests.insert(0, Test.at_most(able[0], amperes.value, "A"))
            if all(test.holds for test in tests):
                evidence = tuple(abilities(study, part, able))
                return Outcome(self.slug, "satisfied", about, test=tests[0], evidence=evidence)
        # a lead or lithium cell that says nothing of itself: what it gives is not bounded by anything drawn
        test = next((t for t in tests if not t.holds), Test.at_least(0.0, 1.0, ""))
        severity: Severity = "error" if chemistry in FIERY else "warning"
        made, told = new_fuse(study, part) if study.proposing else ((), ())
        return self._finding(
            test,
            severity,
            burns(part, able, test),
            [*abilities(study, part, able), Quantity("n", f"fuses at {part.name}", 0.0, "")],
            role="fuse",
            parts=about,
            pointers=[member_pointer(part.name, "pins")],
            proposals=made,
            advice=told,
        )

    def _blows(self, study: Study, part: Part) -> Outcome:
        """A fuse that the circuit itself blows protects nothing."""
        load, rated = greatest_draw(study, part.name, "a"), study.value(part.name, "current")
        test = Test.at_most(load, rated, "A")
        given = part_quantity(study, part.name, "current", "I_rated", f"rated current of {part.name}")
        carried = Quantity("I", f"greatest current of {part.name} in any state", load, "A")
        evidence = tuple(q for q in (carried, given) if q is not None)
        if test.holds:
            return Outcome(self.slug, "satisfied", (part.name,), test=test, evidence=evidence)
        return self._finding(
            test,
            "error",
            f"{part.name} carries {say(load, 'A')}, more than its rated {say(rated, 'A')}: it blows although"
            " nothing is wrong.",
            evidence,
            role="blows",
            parts=(part.name,),
            pointers=[member_pointer(part.name, "current")],
            proposals=larger_fuse(part, load) if study.proposing else (),
            advice=("see that every wire behind it bears what it lets pass",),
        )

    def _mains(self, study: Study, part: Part) -> Outcome:
        strange = shares_nets(study.circuit, part.name)
        separated = part.values.get("separated") is True
        joined = Quantity("n", f"parts joined to the mains side of {part.name}", float(len(strange)), "")
        test = Test.at_most(float(len(strange)) if separated else 1.0 + len(strange), 0.0, "")
        if test.holds:
            return Outcome(self.slug, "satisfied", (part.name,), test=test, evidence=(joined,))
        if strange:
            text = (
                f"{part.name} switches the mains, and its nets are joined to {listed(strange)}: the mains"
                " would be in the whole circuit."
            )
        else:
            text = (
                f"{part.name} switches the mains, and nothing states that it is safely separated from the"
                f" extra-low-voltage side ({member_pointer(part.name, 'separated')})."
            )
        return self._finding(
            test,
            "error",
            f"{text} Follow the local electrical code and leave what touches the mains to a licensed"
            " practitioner.",
            [joined],
            role="mains",
            parts=(part.name,),
            pointers=[member_pointer(part.name, "mains")],
            advice=(
                "switch it with a relay or an isolating transformer whose maker states safe separation,"
                " wired by a competent person in an enclosure of its own",
            ),
        )

    def _use(self, study: Study) -> Outcome:
        use = study.circuit.use
        if use is None:
            return not_applicable(self, ("use",), "the document states no use")
        test = Test.at_most(float(use in NOT_FOR), 0.0, "")
        text = not_for(use)
        if not text:
            return Outcome(self.slug, "satisfied", ("use",), test=test)
        told = Quantity("n", f'uses outside the scope: "{use}"', 1.0, "", "declared", "/use")
        return self._finding(
            test, "note", text, [told], role="use", pointers=["/use"], parts=(), subject=("use",)
        )

    def _finding(
        self,
        test: Test,
        severity: Severity,
        message: str,
        evidence: Iterable[Quantity],
        *,
        role: str,
        parts: tuple[str, ...],
        pointers: Iterable[str],
        nets: tuple[str, ...] = (),
        state: str | None = None,
        proposals: tuple[Proposal, ...] = (),
        advice: tuple[str, ...] = (),
        subject: tuple[str, ...] | None = None,
    ) -> Outcome:
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=parts,
            nets=tuple(sorted(nets)),
            pointers=tuple(pointers),
            state=state,
            corner=None,
            message=message,
            evidence=tuple(evidence),
            test=test,
            grounds=self.grounds,
            role=role,
            advice=advice,
        )
        about = parts if subject is None else subject
        return broken(finding, about, proposals)


RULE = ExtraLowVoltage()
