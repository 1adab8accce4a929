"""The parts of a circuit in one state as a person sees them: what conducts, which way, by which law."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.analysis.derivation.expression import Expr, Ref, Symbol, add
from rules.analysis.derivation.symbols import Givens, named, voltage
from rules.analysis.elements import COILS, RESISTIVE, SOURCES, Branch, coil_pins
from rules.analysis.loops import components
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import State
from schemas.circuit import Part

NORMAL = {"base": 1, "collector": 1, "emitter": -1}  # into the pin of an NPN that is counted positive
BACKWARDS = {"base": 1, "collector": -1, "emitter": 1}


@dataclass(frozen=True, slots=True)
class Flow:
    """One current: it leaves the net ``leaves`` and enters the net ``enters`` (``None`` inside a device)."""

    symbol: Symbol
    leaves: str | None
    enters: str | None
    known: bool = False  # a given, not an unknown


@dataclass(frozen=True, slots=True)
class Element:
    """Two pins; the current goes from net ``a`` to net ``b``: v(a) - v(b) = drop + resistance * current.

    ``current`` is ``None`` where the circuit does not determine it.
    """

    part: str
    kind: str  # the kind of step that its law makes
    a: str
    b: str
    drop: Expr | None
    resistance: Expr | None
    current: Symbol | None


@dataclass(frozen=True, slots=True)
class Device:
    """A transistor that conducts; ``sign`` is 1 for an NPN and -1 for a PNP, ``gain`` that of its region."""

    part: str
    region: str
    sign: int
    nets: Mapping[str, str]
    currents: Mapping[str, Symbol | None]
    gain: Expr
    v_be: Expr
    v_ce: Expr
    v_bc: Expr


@dataclass
class Facts:
    """Everything from which the equations are written."""

    state: State
    givens: Givens
    elements: list[Element] = field(default_factory=list)
    devices: list[Device] = field(default_factory=list)
    flows: list[Flow] = field(default_factory=list)
    tied: list[tuple[str, str]] = field(default_factory=list)  # nets between which an undefined current goes
    datum: dict[str, str] = field(default_factory=dict)  # net of an island of its own -> its datum net
    currents: dict[tuple[str, str], tuple[int, str]] = field(default_factory=dict)

    def measured(self) -> dict[str, float]:
        """What the solver found, by the id of the symbol: never a number of the sheet, only a test of it."""
        state = self.state
        found = {
            key: sign * ampere
            for (part, pin), (sign, key) in self.currents.items()
            if (ampere := state.currents[part][pin]) is not None
        }
        for net, volts in state.nets.items():
            if volts is not None and self.net(net) is not None:
                found[self.voltage(net).id] = volts
        return found

    def net(self, net: str) -> Expr | None:
        """The voltage of a net as a symbol; ``None`` for the reference and for a datum."""
        if net == self.state.mode.network.resolved.circuit.ground or self.datum.get(net) == net:
            return None
        return Ref(self.voltage(net))

    def voltage(self, net: str) -> Symbol:
        return voltage(net, self.datum.get(net, ""))

    def net_of(self, symbol: Symbol) -> str:
        """The net of which a symbol is the voltage; raises ``StopIteration`` for another."""
        nets = self.state.mode.network.resolved.circuit.net_names
        return next(net for net in nets if self.voltage(net) == symbol)

    def defined(self, *nets: str) -> bool:
        """True when the voltages of these nets can be counted from one and the same net."""
        return len({self.datum.get(net) for net in nets}) == 1


def facts_of(state: State) -> Facts:
    network = state.mode.network
    resolved = network.resolved
    facts = Facts(state, Givens(resolved))
    facts.datum = _islands(state)
    branches = {branch.part: branch for branch in (*network.branches, *network.loose)}
    for part in resolved.circuit.parts.values():
        if part.name in branches:
            _branch(facts, part, branches[part.name])
        elif part.kind == "current-source" or (part.kind in COILS and part.name in network.held):
            _fixed_current(facts, part)
        elif part.kind in RESISTIVE:
            first, second = ("plus", "minus") if "plus" in part.pins else ("a", "b")
            ohms = facts.givens.part(part.name, "resistance", "R", "ohm", f"resistance of {part.name}")
            _two_pins(facts, part, (first, second), "ohm", None, ohms)
        elif part.kind in TRANSISTORS:
            _transistor(facts, part)
        elif part.name in state.devices:
            _diode(facts, part)
    return facts


def _islands(state: State) -> dict[str, str]:
    """Nets without a potential of their own, each with the net from which it is counted."""
    network = state.mode.network
    parts = network.resolved.circuit.parts
    loose = {net for net, value in state.nets.items() if value is None}
    if not loose:
        return {}
    edges: list[tuple[str, str]] = [branch.nets for branch in (*network.branches, *network.loose)]
    for part in parts.values():
        pins = list(part.pins.values())
        region = state.devices.get(part.name)
        if (part.kind in RESISTIVE and part.name not in network.held) or region not in (None, "off"):
            pairs = itertools.pairwise(pins)
            if region in ("active", "reverse"):  # its third pin may be at any voltage
                other = part.pins["emitter" if region == "active" else "collector"]
                pairs = iter([(part.pins["base"], other)])  # type: ignore[assignment]
            edges.extend(pairs)
    inside = [(a, b) for a, b in edges if a in loose and b in loose]
    groups = components(tuple(sorted(loose)), inside)
    return {net: group[0] for group in groups for net in group}


def _two_pins(
    facts: Facts,
    part: Part,
    pins: tuple[str, str],
    kind: str,
    drop: Expr | None,
    resistance: Expr | None,
    *,
    turn: bool = True,
) -> None:
    """An element whose current is counted the way it goes; ``drop`` is from the first pin to the second."""
    first, second = pins
    ampere = facts.state.currents[part.name][first]
    if ampere is not None and ampere < 0.0 and turn:
        first, second, drop = second, first, None if drop is None else add((-1, drop))
    a, b = part.pins[first], part.pins[second]
    symbol = None if ampere is None else named("I", part.name, "A")
    facts.elements.append(Element(part.name, kind, a, b, drop, resistance, symbol))
    if symbol is None:
        facts.tied.append((a, b))
        return
    facts.flows.append(Flow(symbol, a, b))
    facts.currents[part.name, first] = (1, symbol.id)
    facts.currents[part.name, second] = (-1, symbol.id)


def _branch(facts: Facts, part: Part, branch: Branch) -> None:
    """A source, a closed contact, an inductor, a capacitor that is held: anything like a voltage."""
    givens, held = facts.givens, facts.state.mode.network.held
    (plus, minus), name = branch.pins, part.name
    inner = (
        givens.part(name, "resistance", "r", "ohm", f"resistance inside {name}")
        if branch.resistance
        else None
    )
    if part.kind in SOURCES:
        if part.kind == "driver":
            configuration = facts.state.mode.network.configuration
            level = configuration.drivers.get(name, part.text("rest") or "low")
            volts = givens.part(name, level, f"V_{level}", "V", f"output of {name} when {level}")
        else:
            volts = givens.part(name, "voltage", "E", "V", f"voltage of {name}")
        # a source delivers: its current is counted out of plus unless it is charged
        _two_pins(facts, part, (minus, plus), "source", add((-1, volts)), inner)
    elif part.kind == "capacitor":
        volts = givens.take(named("U", name, "V"), held[name], f"voltage that {name} still holds", "", "held")
        _two_pins(facts, part, (plus, minus), "capacitor", volts, None)
    else:
        kind = "coil" if part.kind in COILS else "contact"
        _two_pins(facts, part, (plus, minus), kind, None, inner)


def _fixed_current(facts: Facts, part: Part) -> None:
    givens, held = facts.givens, facts.state.mode.network.held
    if part.name in held:
        first, second = coil_pins(part)
        symbol = named("I", part.name, "A")
        givens.take(symbol, held[part.name], f"current that {part.name} still carries", "", "held")
    else:
        (first, second), symbol = ("from", "to"), named("I", part.name, "A")
        known = givens.resolved.values[(part.name, "current")]
        givens.take(symbol, known.value, f"current of {part.name}", known.pointer, known.origin)
    facts.flows.append(Flow(symbol, part.pins[first], part.pins[second], known=True))
    facts.currents[part.name, first] = (1, symbol.id)
    facts.currents[part.name, second] = (-1, symbol.id)


def _diode(facts: Facts, part: Part) -> None:
    region, givens, name = facts.state.devices[part.name], facts.givens, part.name
    if region == "breakdown":
        volts = givens.part(name, "zener", "V_Z", "V", f"breakdown voltage of {name}")
        slope = None
        if givens.resolved.value(name, "resistance"):
            slope = givens.part(name, "resistance", "r_Z", "ohm", f"slope resistance of {name}")
        _two_pins(facts, part, ("cathode", "anode"), "junction", volts, slope, turn=False)
    elif region == "on":
        volts = givens.part(name, "forward", "V_F", "V", f"forward drop of {name}")
        _two_pins(facts, part, ("anode", "cathode"), "junction", volts, None, turn=False)


def drops(givens: Givens) -> tuple[Expr, Expr, Expr]:
    """Base-emitter drop, saturation voltage, and the base-collector drop that the two leave."""
    v_be = givens.assumption("vbe_on", "V_BE", "V", "base-emitter drop of a transistor that conducts")
    v_ce = givens.assumption("vce_sat", "V_CE,sat", "V", "collector-emitter voltage in saturation")
    return v_be, v_ce, add((1, v_be), (-1, v_ce))


def _transistor(facts: Facts, part: Part) -> None:
    region, givens, name = facts.state.devices[part.name], facts.givens, part.name
    if region == "off":
        return
    v_be, v_ce, v_bc = drops(givens)
    if region == "reverse":
        gain = givens.reverse_gain()
    else:
        value = facts.state.mode.betas[name]
        known = givens.resolved.values[(name, "beta_typical")]
        gain = givens.take(
            named("beta", name, ""), value, f"current gain of {name}", known.pointer, known.origin
        )
    counted = BACKWARDS if region == "reverse" else NORMAL
    sign = -1 if part.kind == "pnp" else 1
    measured = facts.state.currents[name]
    found: dict[str, Symbol | None] = {}
    for pin in ("base", "collector", "emitter"):
        if measured[pin] is None:
            found[pin] = None
            continue
        symbol = named({"base": "I_B", "collector": "I_C", "emitter": "I_E"}[pin], name, "A")
        found[pin] = symbol
        into = sign * counted[pin]
        net = part.pins[pin]
        facts.flows.append(Flow(symbol, net if into > 0 else None, net if into < 0 else None))
        facts.currents[name, pin] = (into, symbol.id)
    if None in found.values():
        nets = list(part.pins.values())
        facts.tied.extend([(nets[0], nets[1]), (nets[1], nets[2])])
    facts.devices.append(Device(name, region, sign, dict(part.pins), found, gain, v_be, v_ce, v_bc))
