"""A rail that a switched load tugs at has a capacitor beside the latch or timer that stands on it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_part
from rules.analysis.decoupling import Rail, disturbed, rail_nets, rails_of
from rules.analysis.formulas.supply import bulk_at_least
from rules.analysis.leakage import VOLTAGE_SHARE
from rules.analysis.preferred import RATED_VOLTAGES, round_up
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import not_applicable, satisfied, violated
from rules.wording import listed, member_pointer, part_quantity, say
from schemas.finding import Grounds, Limit, Outcome, Proposal, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.study import Study

SAG = Limit("sag", 0.1, "V", "common practice, no source", "dip of the rail that is accepted")
LOAD = Limit(
    "load", 50e-3, "A", "common practice, no source", "step of the current that wants a capacitor"
)
LASTS = Limit(
    "lasts", 10e-6, "s", "common practice, no source", "time until the leads of a supply bring the current"
)
USUAL = 10e-6  # F, the least bulk capacitor that is fitted
NEAR = 100e-9  # F, right at the transistors; common practice, no source

PASSING = """\
format: thumbrule/1
name: feeder-hatch
ground: gnd
parts:
  BT1: {kind: battery, voltage: 6 V, resistance: 0.5 ohm, keyed: true, pins: {plus: rail, minus: gnd}}
  C1: {kind: capacitor, capacitance: 47 uF, voltage: 16 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: set}}
  R5: {kind: resistor, resistance: 10 kohm, pins: {a: set, b: b1}}
  S2: {kind: contact, rest: open, pins: {a: b1, b: gnd}}
  Q2: {kind: pnp, beta: 150, pins: {collector: out, base: b2, emitter: rail}}
  R4: {kind: resistor, resistance: 4.7 kohm, pins: {a: rail, b: b2}}
  R3: {kind: resistor, resistance: 470 ohm, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: 200, pins: {collector: c1, base: b1, emitter: gnd}}
  R2: {kind: resistor, resistance: 10 kohm, pins: {a: out, b: b1}}
  R1: {kind: resistor, resistance: 10 kohm, pins: {a: b1, b: gnd}}
  L1: {kind: load, resistance: 91 ohm, pins: {plus: out, minus: gnd}}
"""
FAILING = PASSING.replace(
    "  C1: {kind: capacitor, capacitance: 47 uF, voltage: 16 V, pins: {plus: rail, minus: gnd}}\n", ""
)


class SupplyDecoupling:
    """Capacitance from rail to rail against the step of the load, where a latch or timer shares the rail."""

    slug = "supply-decoupling"
    title = "A capacitor across the rail"
    protects = "a latch or timer from the dips that the switched load makes in its own rail"
    api_level = API_LEVEL
    limits: Mapping[str, Limit] = limits_of(SAG, LOAD, LASTS)
    grounds = Grounds(
        rule_of_thumb="A latch that shares a battery or a long lead with a relay or 50 mA has 10 to 100 uF"
        " across its rail, and 100 nF at its transistors.",
        formula="C >= dI*t/dV",
        symbols={
            "C": "capacitance from rail to rail, F",
            "dI": "step of the current from the source, A",
            "t": "time until the leads bring the current, s",
            "dV": "dip that is accepted, V",
        },
        source="Q = C*V and Q = I*t; 10 us, 0.1 V and 50 mA: common practice, no source",
        holds="for a battery, and for a supply whose lead leaves the box",
        fails="for the sag that stays (battery-sag), and for a regulated supply right beside the circuit",
    )
    lesson = Lesson(
        why="Fast edges must be fed from next door, not from the other end of the wire. A lead has"
        " inductance, a battery takes its time: in the first microseconds the load takes its current from"
        " whatever is near, and without a capacitor that is the rail of the latch.",
        breaks="A capacitor does not carry a load that lasts: the sag of the internal resistance comes all"
        " the same. It also keeps the circuit alive for a while after the supply has gone, and it asks"
        " for a peak of current when the supply comes on.",
        mend="10 to 100 uF from rail to ground beside the load, 100 nF right at the latch.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/C1/capacitance", "47 uF", "4.7 uF"),
        derivation="rules.derivations.supply_decoupling:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Outcomes per source."""
        delicate = disturbed(study)
        if not delicate:
            yield not_applicable(self, (), "no latch or timer is there to be disturbed")
            return
        found = rails_of(study)
        if not found:
            yield not_applicable(self, (), "no source gives more in one state than in another")
        for rail in found:
            yield from self._rail(study, rail, delicate)

    def _rail(self, study: Study, rail: Rail, delicate: tuple[str, ...]) -> Iterator[Outcome]:
        about, circuit = (rail.source,), study.circuit
        if circuit.parts[rail.source].kind != "battery" and not rail.far:
            yield not_applicable(self, about, f"{rail.source} is a supply beside the circuit")
            return
        why = tuple(self._why(rail))
        severity: Severity = "warning" if why else "note"
        if not why and not (rail.far and not rail.capacitors):
            reason = f"what {rail.source} has to give changes by {say(rail.step, 'A')} only"
            yield not_applicable(self, about, reason)
            return
        need = bulk_at_least(rail.step, self._of("lasts"), self._of("sag"))
        test = Test.at_least(rail.bulk, need, "F")
        most = max(study.situations(), key=lambda s: -(s.state.currents[rail.source]["plus"] or 0.0))
        told = tuple(self._evidence(study, rail, need))
        if test.holds:
            yield satisfied(self, about, most, test, told)
            return
        there = f"{say(rail.bulk, 'F')} at the least are" if rail.capacitors else "no capacitor is"
        lead = f"{rail.source} comes through {listed(rail.leads)}" if rail.far else listed(why)
        dip, lasts = say(self._of("sag"), "V"), say(self._of("lasts"), "s")
        message = (
            f"{there[0].upper()}{there[1:]} across the rail of {rail.source}, on which {listed(delicate)}"
            f" stand beside a load that switches {say(rail.step, 'A')}: {listed(why) or lead}; limit"
            f" {say(need, 'F')}, for a dip of {dip} within {lasts}."
        )
        yield violated(
            self,
            study,
            about,
            most,
            test,
            severity,
            message,
            told,
            role="bulk",
            parts=about,
            nets=(),
            pointers=(member_pointer(rail.source, "pins"),),
            proposals=self._capacitors(study, rail, need) if study.proposing else (),
        )

    def _why(self, rail: Rail) -> Iterator[str]:
        """What makes a capacitor necessary, in words."""
        dip = rail.step * (rail.internal or 0.0)
        if dip > self._of("sag"):
            yield f"its {say(rail.internal or 0.0, 'ohm')} inside drop {say(dip, 'V')}"
        if rail.coils:
            yield f"{listed(rail.coils)} {'is' if len(rail.coils) == 1 else 'are'} inductive"
        if rail.step > self._of("load"):
            yield f"more than {say(self._of('load'), 'A')} are switched"

    def _of(self, name: str) -> float:
        return self.limits[name].value

    def _capacitors(self, study: Study, rail: Rail, need: float) -> Iterator[Proposal]:
        """A bulk capacitor, and 100 nF for what it is too slow for."""
        circuit, assumed = study.circuit, study.resolved.assumptions
        first, second = rail_nets(study, rail.source)
        volts = max(abs(study.value(rail.source, end)) for end in ("voltage", "high"))
        rated = next((v for v in RATED_VOLTAGES if v >= volts / VOLTAGE_SHARE), None)
        if rated is None or first == second:
            return
        value = round_up(
            max(need, USUAL * (1.0 - assumed["electrolytic_tolerance"])),
            study.preferences.electrolytic,
            assumed["electrolytic_tolerance"],
        )
        bulk = new_part(
            circuit,
            "C",
            "capacitor",
            {"plus": first, "minus": second},
            capacitance=value,
            voltage=rated,
            dielectric="aluminium",
        )
        near = new_part(
            circuit,
            "C",
            "capacitor",
            {"a": first, "b": second},
            (bulk.name,),
            capacitance=NEAR,
            dielectric="film",
        )
        summary = (
            f"{bulk.name} {say(value, 'F')}, {say(rated, 'V')}, from {first} to {second} and {near.name}"
            f" {say(NEAR, 'F')} beside it, right at the transistors"
        )
        yield Proposal(summary, Fitting((bulk, near)).changes(circuit))

    def _evidence(self, study: Study, rail: Rail, need: float) -> Iterator[Quantity]:
        yield Quantity("dI", f"step of the current from {rail.source}", rail.step, "A")
        known = part_quantity(study, rail.source, "resistance", "r", f"internal resistance of {rail.source}")
        if known is not None and rail.internal is not None:
            yield known
            yield Quantity("r*dI", "what the load takes off the rail", rail.step * rail.internal, "V")
        for name in rail.capacitors:
            held = part_quantity(study, name, "capacitance", name, "from rail to rail")
            if held is not None:
                yield held
        for symbol, name in (("t", "lasts"), ("dV", "sag")):
            limit = self.limits[name]
            yield Quantity(symbol, limit.meaning, limit.value, limit.unit, "assumed", None, limit.source)
        yield Quantity("C_min", "dI*t/dV", need, "F")


RULE = SupplyDecoupling()
