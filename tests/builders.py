"""Circuits for tests, built by calls: one function per part kind, values already in SI units.

    latch = circuit(
        supply("V1", "vp", "gnd", 12.0),
        npn("Q1", collector="c1", base="b1", emitter="gnd", beta=200.0),
        resistor("R1", "vp", "c1", 4.7e3),
    )
    for state in solve(latch).states: ...

Extra keywords of a part (``tolerance=``, ``ratings=``, ``rest=`` ...) go into its values unchanged.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rules.analysis.configurations import configurations
from rules.analysis.resolve import Resolved, resolve
from rules.analysis.states import STEP_BUDGET, Configuration, State, StateSet, find_states
from schemas.circuit import Action, Ambient, Beta, Circuit, Part, frozen_map

GROUND = "gnd"


def part(name: str, kind: str, pins: Mapping[str, str], **values: Any) -> Part:
    """A part of any kind; members that are ``None`` count as not given."""
    given = {key: value for key, value in values.items() if value is not None}
    return Part(name, kind, frozen_map(pins), frozen_map(given))


def _two(name: str, kind: str, pins: tuple[str, str], nets: tuple[str, str], **values: Any) -> Part:
    return part(name, kind, dict(zip(pins, nets, strict=True)), **values)


def resistor(name: str, a: str, b: str, resistance: float, **values: Any) -> Part:
    return _two(name, "resistor", ("a", "b"), (a, b), resistance=resistance, **values)


def capacitor(name: str, plus: str, minus: str, capacitance: float, **values: Any) -> Part:
    """A polarised capacitor."""
    return _two(name, "capacitor", ("plus", "minus"), (plus, minus), capacitance=capacitance, **values)


def film(name: str, a: str, b: str, capacitance: float, **values: Any) -> Part:
    """A capacitor that is not polarised."""
    return _two(name, "capacitor", ("a", "b"), (a, b), capacitance=capacitance, **values)


def inductor(name: str, a: str, b: str, inductance: float, **values: Any) -> Part:
    return _two(name, "inductor", ("a", "b"), (a, b), inductance=inductance, **values)


def coil(name: str, plus: str, minus: str, resistance: float, **values: Any) -> Part:
    return _two(name, "coil", ("plus", "minus"), (plus, minus), resistance=resistance, **values)


def load(name: str, plus: str, minus: str, resistance: float, **values: Any) -> Part:
    return _two(name, "load", ("plus", "minus"), (plus, minus), resistance=resistance, **values)


def diode(name: str, anode: str, cathode: str, forward: float | None = None, **values: Any) -> Part:
    return _two(name, "diode", ("anode", "cathode"), (anode, cathode), forward=forward, **values)


def led(name: str, anode: str, cathode: str, forward: float | None = None, **values: Any) -> Part:
    return _two(name, "led", ("anode", "cathode"), (anode, cathode), forward=forward, **values)


def zener(name: str, anode: str, cathode: str, voltage: float, **values: Any) -> Part:
    """``voltage`` is the breakdown voltage."""
    return _two(name, "zener", ("anode", "cathode"), (anode, cathode), zener=voltage, **values)


def _transistor(
    kind: str, name: str, nets: tuple[str, str, str], beta: float | Beta | None, **values: Any
) -> Part:
    gain = Beta(beta, beta, beta) if isinstance(beta, (int, float)) else beta
    return part(
        name, kind, dict(zip(("collector", "base", "emitter"), nets, strict=True)), beta=gain, **values
    )


def npn(
    name: str, collector: str, base: str, emitter: str, beta: float | Beta | None = None, **values: Any
) -> Part:
    """``beta`` as a number holds at every corner; leave it out to give a published ``type=``."""
    return _transistor("npn", name, (collector, base, emitter), beta, **values)


def pnp(
    name: str, collector: str, base: str, emitter: str, beta: float | Beta | None = None, **values: Any
) -> Part:
    return _transistor("pnp", name, (collector, base, emitter), beta, **values)


def supply(
    name: str, plus: str, minus: str, voltage: float, resistance: float | None = None, **values: Any
) -> Part:
    """Ideal unless a resistance is given."""
    return _two(
        name, "supply", ("plus", "minus"), (plus, minus), voltage=voltage, resistance=resistance, **values
    )


def battery(
    name: str, plus: str, minus: str, voltage: float, resistance: float | None = None, **values: Any
) -> Part:
    return _two(
        name, "battery", ("plus", "minus"), (plus, minus), voltage=voltage, resistance=resistance, **values
    )


def driver(name: str, out: str, reference: str, low: float, high: float, **values: Any) -> Part:
    return _two(name, "driver", ("out", "reference"), (out, reference), low=low, high=high, **values)


def current_source(name: str, source: str, target: str, current: float) -> Part:
    """The current leaves the net ``source`` and enters the net ``target``."""
    return part(name, "current-source", {"from": source, "to": target}, current=current)


def contact(name: str, a: str, b: str, rest: str = "open", **values: Any) -> Part:
    return _two(name, "contact", ("a", "b"), (a, b), rest=rest, **values)


def fuse(name: str, a: str, b: str, current: float, resistance: float | None = None) -> Part:
    return _two(name, "fuse", ("a", "b"), (a, b), current=current, resistance=resistance)


EXACT = {
    "resistor_tolerance": 0.0,
    "film_tolerance": 0.0,
    "electrolytic_tolerance": 0.0,
    "junction_spread": 0.0,
    "led_spread": 0.0,
}
"""Parts without tolerances, unless a part states one: what is computed by hand is the worst case too."""
BENCH = Ambient(298.15, 298.15, 298.15)


def circuit(*parts: Part, name: str = "bench", ground: str = GROUND, **members: Any) -> Circuit:
    """A circuit; ``members`` are those of :class:`schemas.circuit.Circuit` (``assumptions=`` ...)."""
    named = {item.name: item for item in parts}
    if len(named) != len(parts):
        raise ValueError("two parts of a test circuit have the same name")
    return Circuit(name=name, ground=ground, parts=frozen_map(named), **members)


def exact(*parts: Part, **members: Any) -> Circuit:
    """A circuit of parts without tolerances, unless they state one, at 25 degC."""
    members["assumptions"] = {**EXACT, **members.get("assumptions", {})}
    members.setdefault("ambient", BENCH)
    return circuit(*parts, **members)


def press(contact_name: str, seconds: float, start: float = 0.0) -> tuple[Action, ...]:
    """A stimulus: close a contact and let it go again."""
    return (Action(start, contact_name, "closed"), Action(start + seconds, contact_name, "open"))


def solve(
    subject: Circuit | Resolved,
    *,
    held: Mapping[str, float] | None = None,
    corner: str = "typical",
    step_budget: int = STEP_BUDGET,
    **positions: str,
) -> StateSet:
    """All states with contacts and drivers at rest but for ``positions`` (``S1="closed"``)."""
    resolved = resolve(subject) if isinstance(subject, Circuit) else subject
    rest = configurations(resolved.circuit)[0][0]
    chosen = Configuration(
        {name: positions.get(name, to) for name, to in rest.contacts.items()},
        {name: positions.get(name, to) for name, to in rest.drivers.items()},
    )
    return find_states(resolved, chosen, corner, held, step_budget)


def only_state(subject: Circuit | Resolved, **options: Any) -> State:
    """The one state of a circuit that must have exactly one, completely enumerated."""
    found = solve(subject, **options)
    assert found.complete, found.reason
    assert len(found.states) == 1, [state.name for state in found.states]
    return found.states[0]


def volts(state: State, net: str) -> float:
    """The voltage of a net that must be determined."""
    value = state.nets[net]
    assert value is not None, f"net {net} is undefined"
    return value


def amperes(state: State, part_name: str, pin: str) -> float:
    """The current into a pin, which must be determined."""
    value = state.currents[part_name][pin]
    assert value is not None, f"current into {part_name}.{pin} is undefined"
    return value
