"""No source works into a short circuit, in any position of the contacts and drivers."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.elements import SOURCES, Branch, Fault, branches_of
from rules.analysis.preferred import round_up
from rules.contract import API_LEVEL, Dial, Lesson, limits_of
from rules.outcomes import broken
from rules.wording import listed, member_pointer, part_quantity, say
from schemas.finding import Finding, Grounds, Limit, Outcome, Quantity, Test

if TYPE_CHECKING:
    from rules.analysis.states import State, StateSet
    from rules.analysis.study import Study

HALF = Limit(
    "half",
    0.5,
    "",
    "common practice, no source",
    "largest share of the short-circuit current that a source delivers in a state",
)
KINDS = ("supply-short", "source-loop", "no-state")
WANTED = 0.1  # A, for the resistor in the advice; common practice, no source

PASSING = """\
format: thumbrule/1
name: pigeon-bell
ground: gnd
parts:
  V1: {kind: battery, voltage: 9 V, resistance: 2 ohm, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: node}}
  S1: {kind: contact, rest: open, pins: {a: node, b: gnd}}
"""
FAILING = PASSING.replace("{a: node, b: gnd}", "{a: rail, b: gnd}")


class SupplyShort:
    """Loops without resistance in each configuration, and sources near their short-circuit current."""

    slug = "supply-short"
    title = "Shorted supply"
    protects = "supply, wires and contacts from a current that nothing limits"
    api_level = API_LEVEL
    structural = True
    limits: Mapping[str, Limit] = limits_of(HALF)
    grounds = Grounds(
        rule_of_thumb="Every loop through a source has a resistance that was put there on purpose.",
        formula="I_S <= 0.5 * V / r;  in a loop without resistance the voltages add up to zero",
        symbols={
            "I_S": "current that a source delivers, A",
            "V": "its open-circuit voltage, V",
            "r": "its internal resistance, ohm",
        },
        source="Kirchhoff's voltage law; the half: common practice, no source",
        holds="for every position of contacts and drivers, also one that nobody means to use",
        fails="for a contact across a capacitor: that is a short discharge, no shorted supply",
    )
    lesson = Lesson(
        why="Ideal sources and junctions in a loop have no answer, and that is the diagnosis: in the real"
        " circuit the thinnest wire chooses the current.",
        breaks="A position of two contacts that nobody thought of counts as well: one day both are closed.",
        mend="Put a resistor into the loop, (V - drops) / I for the current that is wanted there, or move the"
        " contact to the other end of a resistor that is there already.",
        failing=FAILING,
        passing=PASSING,
        dial=Dial("/parts/R1/resistance", "1 kohm", "1 ohm"),
        derivation="rules.derivations.supply_short:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Faults of each configuration, then every source in every stable state and corner."""
        sources = [part.name for part in study.circuit.parts.values() if part.kind in SOURCES]
        if not sources:
            yield Outcome(self.slug, "not-applicable", (), "there is no source")
            return
        faulty = False
        for found, fault in study.faults:
            if fault.kind in KINDS:
                faulty = True
                yield self._fault(study, found, fault)
        for name in sources:
            yield from self._source(study, name, faulty)

    def _fault(self, study: Study, found: StateSet, fault: Fault) -> Outcome:
        volts = _left_over(study, found, fault)
        position = found.configuration.key or None
        if volts is None:
            test = Test.at_least(0.0, 1.0, "")
            number = Quantity("n", "consistent states of this configuration", 0.0, "")
        else:
            test = Test.at_most(volts, 0.0, "V")
            number = Quantity("V", "voltage left over in the loop, which nothing takes up", volts, "V")
        where = f"With {position}: " if position else ""
        subject = tuple(sorted(fault.parts))
        finding = Finding(
            rule=self.slug,
            severity="error",
            parts=subject,
            nets=tuple(sorted(set(fault.nets) & set(study.circuit.net_names))),
            pointers=tuple(member_pointer(part, "pins") for part in subject),
            state=position,
            corner=None,
            message=f"{where}{fault.message}. Limit: no voltage may be left over without a resistance.",
            evidence=(number, *_voltages(study, subject)),
            test=test,
            grounds=self.grounds,
            role=fault.kind,
            advice=tuple(_advice(study, fault, volts)),
        )
        return broken(finding, subject)

    def _source(self, study: Study, name: str, faulty: bool) -> Iterator[Outcome]:
        resistance = study.value(name, "resistance")
        if resistance == 0.0:
            if not faulty:
                reason = "no loop through it is without resistance in any configuration"
                yield Outcome(self.slug, "satisfied", (name,), reason)
            return
        for corner in study.corners:
            for found in study.state_sets(corner):
                for state in found.stable:
                    yield self._loaded(study, name, resistance, found, state)

    def _loaded(self, study: Study, name: str, resistance: float, found: StateSet, state: State) -> Outcome:
        part = study.circuit.parts[name]
        volts = study.value(name, _level(found, name) if part.kind == "driver" else "voltage")
        into = state.currents[name]["out" if part.kind == "driver" else "plus"]
        place = (state.name, found.corner)
        if into is None:
            return Outcome(
                self.slug, "undecided", (name,), f"the current of {name} is not determined", *place
            )
        # only what it delivers counts: a low output that sinks current works into another source
        delivered = max(0.0, -into * (1.0 if volts >= 0.0 else -1.0))
        largest = abs(volts) / resistance
        low = part.kind == "driver" and _level(found, name) == "low"
        test = Test.at_most(0.0 if low else delivered, self.limits["half"].value * largest, "A")
        told = (
            Quantity("I_S", "current that the source delivers", delivered, "A"),
            Quantity("V/r", "its short-circuit current", largest, "A"),
        )
        if test.holds:
            return Outcome(self.slug, "satisfied", (name,), "", *place, test, evidence=told)
        road = _road(study, state, name, delivered)
        finding = Finding(
            rule=self.slug,
            severity="error",
            parts=(name,),
            nets=(),
            pointers=(member_pointer(name, "resistance"),),
            state=place[0],
            corner=place[1],
            message=f'{name} delivers {say(delivered, "A")} in "{state.name}", of {say(largest, "A")} into a'
            f" short circuit; limit {say(test.right, 'A')}. Half or more of it flows through"
            f" {listed(road) or 'no part alone'}.",
            evidence=(
                *told,
                *(q for q in (part_quantity(study, name, "resistance", "r", "internal resistance"),) if q),
                *_voltages(study, (name,)),
            ),
            test=test,
            grounds=self.grounds,
            role="loaded source",
            advice=(
                f"put a resistor into the way through {listed(road) or name}, or raise the one that is there,"
                f" so that less than {say(test.right, 'A')} flows",
            ),
        )
        return broken(finding, (name,))


def _level(found: StateSet, driver: str) -> str:
    return found.configuration.drivers.get(driver, "low")


def _road(study: Study, state: State, source: str, delivered: float) -> tuple[str, ...]:
    """Parts that carry at least half of the source's current."""
    carried = {
        name: max((abs(current) for current in pins.values() if current is not None), default=0.0)
        for name, pins in state.currents.items()
    }
    return tuple(name for name, amps in sorted(carried.items()) if amps >= 0.5 * delivered and name != source)


def _voltages(study: Study, parts: Iterable[str]) -> Iterator[Quantity]:
    for name in parts:
        known = part_quantity(study, name, "voltage", f"V_{name}", f"voltage of {name}")
        if known is not None and study.circuit.parts[name].kind in SOURCES:
            yield known


def _left_over(study: Study, found: StateSet, fault: Fault) -> float | None:
    """The voltage (V) that nothing in the loop takes up; ``None`` where no single loop is to blame."""
    ideal = [b for b in branches_of(study.resolved, found.configuration, {}) if b.resistance == 0.0]
    loop = [branch for branch in ideal if branch.part in fault.parts]
    if len(loop) == len(fault.parts) and loop:
        return abs(_across(loop[:-1], loop[-1].nets) - loop[-1].voltage)
    if fault.kind == "no-state" or len(fault.nets) != 2:
        return None
    first, second = fault.nets
    drops = sum(
        min((j.drop for j in found.network.junctions if j.device == part), default=0.0)
        for part in fault.parts
    )
    left = abs(_across(ideal, (first, second))) - drops
    return left if left > 0.0 else None


def _across(branches: list[Branch], ends: tuple[str, str]) -> float:
    """Voltage from the first to the second net along ideal branches; 0 where they do not join."""
    at = {ends[1]: 0.0}
    for _ in branches:
        for branch in branches:
            a, b = branch.nets
            if b in at and a not in at:
                at[a] = at[b] + branch.voltage
            elif a in at and b not in at:
                at[b] = at[a] - branch.voltage
    return at.get(ends[0], 0.0)


def _advice(study: Study, fault: Fault, volts: float | None) -> Iterator[str]:
    parts = study.circuit.parts
    sources = [name for name in fault.parts if parts[name].kind in SOURCES]
    contacts = [name for name in fault.parts if parts[name].kind == "contact"]
    if fault.kind == "source-loop":
        members = listed([member_pointer(name, "resistance") for name in sources], "or")
        yield f"give {listed(sources, 'or')} its internal resistance ({members}), or take one of them away"
    elif fault.kind == "no-state":
        yield "give the sources their internal resistance, and each junction a resistor in series"
    elif volts is not None:
        what = listed(contacts or [name for name in fault.parts if name not in sources] or sources)
        ohms = round_up(volts / WANTED, study.preferences.resistor)
        yield f"a resistor in series with {what}: {say(ohms, 'ohm')} or more keep it below {say(WANTED, 'A')}"
    else:
        yield f"a resistor in series with {listed(fault.parts)}, for the current that is wanted there"


RULE = SupplyShort()
