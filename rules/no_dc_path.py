"""Every net has a DC path that settles its potential, in every stable state."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING

from rules.analysis.floating import Island, islands_of
from rules.analysis.lonely import cause_among
from rules.analysis.open_bases import OpenBase, finding_of, open_base
from rules.analysis.pinched import pinched
from rules.analysis.resolve import SUPPLIES, TRANSISTORS
from rules.contract import API_LEVEL, Lesson, limits_of
from rules.outcomes import broken
from rules.wording import celsius, listed, member_pointer, say
from schemas.finding import Finding, Grounds, Limit, Outcome, Quantity, Severity, Test

if TYPE_CHECKING:
    from rules.analysis.elements import Fault
    from rules.analysis.states import StateSet
    from rules.analysis.study import Study

_DIODES = ("diode", "led", "zener")
SHARE = Limit(
    "share",
    0.01,
    "",
    "common practice, no source",
    "open-base leakage over the current when on, from which a floating base is an error",
)

PASSING = """\
format: thumbrule/1
name: nesting-box-light
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  S1: {kind: contact, rest: open, pins: {a: rail, b: feed}}
  R1: {kind: resistor, resistance: 22 kohm, pins: {a: feed, b: base}}
  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}
  R3: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: out}}
  Q1: {kind: npn, beta: 200, pins: {collector: out, base: base, emitter: gnd}}
"""
FAILING = PASSING.replace("  R2: {kind: resistor, resistance: 47 kohm, pins: {a: base, b: gnd}}\n", "")


class NoDcPath:
    """Nets whose potential nothing settles, told as undefined and never as a number."""

    slug = "no-dc-path"
    title = "No DC path"
    protects = "nets from a potential that leakage, hum and fingers decide"
    api_level = API_LEVEL
    structural = True
    limits: Mapping[str, Limit] = limits_of(SHARE)
    grounds = Grounds(
        rule_of_thumb="Every net has a path for direct current to a known potential in every state.",
        formula="I_CEO = (beta + 1) * I_CBO;  I_CBO doubles every 10 K;  R_BE <= V_BE,off / (3 * I_CBO)",
        symbols={
            "I_CEO": "leakage of a transistor with an open base, A",
            "beta": "current gain, 1",
            "I_CBO": "collector-base leakage, A",
            "R_BE": "resistor that settles the base, ohm",
            "V_BE,off": "base-emitter voltage that is surely off, V",
        },
        source="Bell, Electronic Devices and Circuits, ex. 5.18 (doubling); the rest from memory",
        holds="for nets with a base, a capacitor or an output on them",
        fails="for a net between devices that are all off: no current flows there whatever its potential",
    )
    lesson = Lesson(
        why="A net that only junctions and capacitors reach has no potential of its own. With an open base"
        " the transistor amplifies its own leakage: 15 nA at 25 degC are 0.17 uA at 60 degC, and times"
        " beta + 1 = 401 that is 68 uA, enough to make an LED glow.",
        breaks="A simulation with a tiny leak added everywhere prints 0.000 V for such a net; the bench does"
        " not. It may work for years and fail on a damp day.",
        mend="One resistor from the base to its own emitter lets the leakage out before it is amplified; a"
        " resistor across each of two capacitors in series makes them share; an output gets its load drawn.",
        failing=FAILING,
        passing=PASSING,
        undialled="a path is there or it is not, however large its resistance",
        derivation="rules.derivations.no_dc_path:DERIVATION",
    )

    def check(self, study: Study) -> Iterable[Outcome]:
        """Faults first, then every island of undefined nets in every stable state and corner."""
        quiet = True
        for found, fault in study.faults:
            if fault.kind == "no-dc-path":
                quiet = False
                yield self._fault(study, found, fault)
        known = {
            net
            for corner in study.corners
            for sets in study.state_sets(corner)
            for state in sets.stable
            for net, volts in state.nets.items()
            if volts is not None
        }
        for corner in study.corners:
            for sets in study.state_sets(corner):
                for state in sets.stable:
                    held = {net for one in pinched(state) for net in one.nets}
                    for island in islands_of(state):
                        if held & set(island.nets):
                            continue  # junctions leave it one potential
                        outcome = self._island(study, island, sets, state.name, known)
                        quiet = quiet and outcome.kind != "violated"
                        yield outcome
        if quiet:
            yield Outcome(
                self.slug, "satisfied", (), "every net that matters has a DC path in every stable state"
            )

    def _fault(self, study: Study, found: StateSet, fault: Fault) -> Outcome:
        parts = tuple(sorted(fault.parts))
        amps = sum(abs(study.value(name, "current")) for name in parts)
        test = Test.at_most(amps, 0.0, "A")
        finding = Finding(
            rule=self.slug,
            severity="error",
            parts=parts,
            nets=tuple(sorted(fault.nets)),
            pointers=tuple(member_pointer(name, "pins") for name in parts),
            state=found.configuration.key or None,
            corner=None,
            message=f"{fault.message}. Limit: 0 A where there is no path.",
            evidence=(Quantity("I", "current with nowhere to go", amps, "A"),),
            test=test,
            grounds=self.grounds,
            role="current without a path",
            advice=(f"draw the path that takes the current of {listed(parts)} back",),
        )
        return broken(finding, parts)

    def _island(self, study: Study, island: Island, sets: StateSet, state: str, known: set[str]) -> Outcome:
        """What an island of undefined nets amounts to."""
        bases = tuple(open_base(study, name) for name in island.bases)
        elsewhere = set(island.nets) <= known
        severity, role = self._severity(study, island, bases, elsewhere)
        place = (state, sets.corner)
        if severity is None:
            reason = f"{role}: no current flows there whatever its potential"
            return Outcome(self.slug, "not-applicable", island.nets, reason, *place)
        test = Test.at_least(0.0, 1.0, "")
        where = f" with {sets.configuration.key}" if sets.configuration.key else ""
        finding = Finding(
            rule=self.slug,
            severity=severity,
            parts=island.parts,
            nets=island.nets,
            pointers=tuple(member_pointer(name, "pins") for name in island.parts),
            state=state,
            corner=sets.corner,
            message=_message(study, island, bases, f'in "{state}"{where}', elsewhere),
            evidence=tuple(_evidence(study, island, bases)),
            test=test,
            grounds=self.grounds,
            role=role,
            advice=tuple(_advice(study, island, bases)),
            caused_by=_cause(study, island),
        )
        return broken(finding, island.nets)

    def _severity(
        self, study: Study, island: Island, bases: tuple[OpenBase, ...], elsewhere: bool
    ) -> tuple[Severity | None, str]:
        if bases:
            share = self.limits["share"].value
            grave = any(b.regenerative or b.leaks > share * b.carries for b in bases)
            return "error" if grave or not elsewhere else "warning", "floating base"
        if len(island.capacitors) > 1 and not island.others:
            return "error", "junction of capacitors"
        terminal = any(study.circuit.nets[net].terminal for net in island.nets if net in study.circuit.nets)
        if island.capacitors and not island.others:
            return "note", "coupled output without a load"
        if elsewhere:
            if island.capacitors and _filled(study, island):
                return None, "filled through a diode"
            return (
                ("note", "held by capacitors only")
                if island.capacitors
                else (None, "between devices that are off")
            )
        if terminal:
            return None, "leaves the board"
        if len(island.parts) > 1 and all(_rests(study, name, island) for name in island.parts):
            # such as a diode and a zener across a coil, or a lamp that is to light when the battery is low
            return None, "between devices that rest"
        return "warning", "never settled"


def _rests(study: Study, name: str, island: Island) -> bool:
    """Whether a part on the island is a diode, or a transistor whose base is elsewhere."""
    part = study.circuit.parts[name]
    return part.kind in _DIODES or (part.kind in TRANSISTORS and part.pins["base"] not in island.nets)


def _filled(study: Study, island: Island) -> bool:
    """Whether a diode from a source fills the capacitors on the island: a reservoir that keeps its charge."""
    nets, parts = set(island.nets), study.circuit.parts
    feeds = {("cathode", "anode", "plus", "minus"), ("anode", "cathode", "minus", "plus")}
    return any(
        parts[name].kind == "diode"
        and parts[name].pins[near] in nets
        and any(
            source.kind in SUPPLIES
            and source.pins[hot] == parts[name].pins[far]
            and source.pins[cold] == study.circuit.ground
            for source in parts.values()
        )
        for name in island.parts
        for near, far, hot, cold in feeds
    )


def _cause(study: Study, island: Island) -> str | None:
    """A wire to nowhere on the island, else the base that floats on it."""
    bases = (finding_of(study.circuit.parts[name]) for name in island.bases)
    return cause_among(study.circuit, island.nets) or next(bases, None)


def _message(study: Study, island: Island, bases: tuple[OpenBase, ...], where: str, elsewhere: bool) -> str:
    nets = ("net " if len(island.nets) == 1 else "nets ") + listed(island.nets)
    ever = "" if elsewhere else ", in any state"
    paths = f"0 DC paths settle {nets} {where}{ever}; limit: at least 1. On it: {listed(island.pins)}."
    if not bases:
        return f"The potential is undefined: {paths}"
    told = [
        f"The base of {b.transistor} floats and may leak {say(b.leaks, 'A')} at"
        f" {celsius(study.resolved.ambient.high)}"
        + (f", of {say(b.carries, 'A')} when it is on" if b.carries else "")
        for b in bases
    ]
    return f"{'; '.join(told)}: {paths}"


def _evidence(study: Study, island: Island, bases: tuple[OpenBase, ...]) -> Iterator[Quantity]:
    yield Quantity("n", "DC paths to a known potential", 0.0, "")
    yield Quantity("n_pins", f"pins on it: {listed(island.pins)}", float(len(island.pins)), "")
    for b in bases:
        known = study.known(b.transistor, "icbo")
        assert known is not None
        yield Quantity(
            f"I_CBO,25 {b.transistor}",
            "collector-base leakage at 25 degC",
            known.value,
            "A",
            known.origin,
            known.pointer,
            known.source if known.origin == "assumed" else None,
        )
        yield Quantity(f"I_CBO {b.transistor}", "the same at the highest ambient temperature", b.icbo, "A")
        yield Quantity(f"I_CEO {b.transistor}", "(beta_max + 1)*I_CBO, with the base open", b.leaks, "A")
        yield Quantity(f"I_C {b.transistor}", "largest collector current in any state", b.carries, "A")
        yield Quantity(f"R_BE {b.transistor}", "largest bleed from base to emitter", b.bleed, "ohm")


def _advice(study: Study, island: Island, bases: tuple[OpenBase, ...]) -> Iterator[str]:
    for b in bases:
        pins = study.circuit.parts[b.transistor].pins
        yield (
            f"fit a resistor from {pins['base']} to {pins['emitter']}, base to emitter of {b.transistor}: at"
            f" most {say(b.bleed, 'ohm')}; it takes 0.7 V over its value from the drive"
        )
    if not bases and len(island.capacitors) > 1 and not island.others:
        yield (
            f"fit a resistor across each of {listed(island.capacitors)}, a tenth of rated voltage over"
            " leakage limit: it settles how they share"
        )
    elif not bases and island.capacitors and not island.others:
        yield f"draw the load that {listed(island.nets)} feeds, or a resistor to a known potential"
    elif not bases:
        yield f"tie {listed(island.nets)} to a known potential through a resistor, or correct a mistyped net"


RULE = NoDcPath()
