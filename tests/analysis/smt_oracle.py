"""All DC states of a circuit from an SMT solver, in exact rationals: an independent oracle.

Nothing of the project's analyses is used, only the circuit document.  Kirchhoff's current law at each
net, the law of each part, and for each device "one of its regions" go to the solver; each answer is
blocked by its regions until there is no further one.

Regions of the piecewise-linear Ebers-Moll transistor (NPN; PNP with all signs reversed), i_B and i_C
into the pins, V = vbe_on, W = vbe_on - vce_sat:

    off        v_BE <= V, v_BC <= W, i_B = i_C = 0
    active     v_BE  = V, v_BC <= W, i_C = beta i_B, i_B > 0
    saturated  v_BE  = V, v_BC  = W, i_C < beta i_B, i_B + i_C > -beta_R i_B
    reverse    v_BE <= V, v_BC  = W, i_B + i_C = -beta_R i_B, i_B > 0

Currents are strict, so that a point on the border of two regions is counted once.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

import z3

from schemas.circuit import Beta, Circuit, Part
from schemas.kinds import ASSUMPTIONS

Number = Any  # a z3 arithmetic term
Law = tuple[str, Any]  # a region and what holds in it


def exact(value: float) -> Fraction:
    """The decimal that a float was written as: 0.7 is 7/10."""
    return Fraction(repr(float(value)))


def term(value: Fraction) -> Number:
    return z3.Q(value.numerator, value.denominator)


class _Equations:
    """The circuit as constraints: one voltage per net, one current per branch that needs one."""

    def __init__(self, circuit: Circuit, positions: Mapping[str, str], held: Mapping[str, float]) -> None:
        self.circuit, self.positions, self.held = circuit, positions, held
        self.volts: dict[str, Number] = {net: z3.Real(f"v {net}") for net in circuit.net_names}
        self.volts[circuit.ground] = term(Fraction(0))
        self.into: dict[str, list[Number]] = {net: [] for net in circuit.net_names}
        self.constraints: list[Any] = []
        self.regions: dict[str, dict[str, Any]] = {}
        self.currents: dict[tuple[str, str], Number] = {}
        for part in circuit.parts.values():
            _LAWS[part.kind](self, part)
        for net, currents in self.into.items():
            if net != circuit.ground and currents:  # at the reference it follows from the others
                self.constraints.append(z3.Sum(currents) == 0)

    def assumption(self, name: str) -> Fraction:
        return exact(self.circuit.assumptions.get(name, ASSUMPTIONS[name][1]))

    def across(self, part: Part, high: str, low: str) -> Number:
        return self.volts[part.pins[high]] - self.volts[part.pins[low]]

    def flow(self, part: Part, first: str, second: str, current: Number) -> None:
        """``current`` enters the part at ``first`` and leaves it at ``second``."""
        self.into[part.pins[first]].append(current)
        self.into[part.pins[second]].append(-current)

    def branch(self, part: Part, first: str, second: str, voltage: Fraction, resistance: Fraction) -> None:
        current = z3.Real(f"i {part.name}")
        self.flow(part, first, second, current)
        self.constraints.append(
            self.across(part, first, second) == term(voltage) + term(resistance) * current)

    def device(self, part: Part, laws: Iterator[Law]) -> None:
        self.regions[part.name] = {}
        for region, law in laws:
            chosen = z3.Bool(f"{part.name} {region}")
            self.regions[part.name][region] = chosen
            self.constraints.append(z3.Implies(chosen, law))
        self.constraints.append(z3.Or(*self.regions[part.name].values()))


def _given(part: Part, member: str, default: Fraction | None = None) -> Fraction:
    number = part.number(member)
    if number is not None:
        return exact(number)
    if default is None:
        raise ValueError(f"{part.name} has no {member}")
    return default


def _ends(part: Part) -> tuple[str, str]:
    return ("plus", "minus") if "plus" in part.pins else ("a", "b")


def _resistive(to: _Equations, part: Part) -> None:
    ends = _ends(part)
    to.flow(part, *ends, to.across(part, *ends) * term(1 / _given(part, "resistance")))


def _source(to: _Equations, part: Part) -> None:
    to.branch(part, "plus", "minus", _given(part, "voltage"), _given(part, "resistance", Fraction(0)))


def _driver(to: _Equations, part: Part) -> None:
    level = to.positions.get(part.name, part.text("rest") or "low")
    to.branch(part, "out", "reference", _given(part, level), _given(part, "resistance", Fraction(0)))


def _contact(to: _Equations, part: Part) -> None:
    if to.positions.get(part.name, part.text("rest") or "open") == "closed":
        to.branch(part, "a", "b", Fraction(0), Fraction(0))


def _inductor(to: _Equations, part: Part) -> None:
    to.branch(part, "a", "b", Fraction(0), _given(part, "resistance", Fraction(0)))


def _capacitor(to: _Equations, part: Part) -> None:
    if part.name in to.held:
        to.branch(part, *_ends(part), exact(to.held[part.name]), Fraction(0))


def _current_source(to: _Equations, part: Part) -> None:
    to.flow(part, "from", "to", term(_given(part, "current")))


def _diode(to: _Equations, part: Part) -> None:
    current, volts = z3.Real(f"i {part.name}"), to.across(part, "anode", "cathode")
    to.flow(part, "anode", "cathode", current)
    to.currents[part.name, "anode"] = current
    forward = _given(part, "forward", to.assumption("led_forward" if part.kind == "led" else "diode_forward"))

    def laws() -> Iterator[Law]:
        blocking = z3.And(volts <= term(forward), current == 0)
        if part.kind == "zener":
            zener, slope = _given(part, "zener"), _given(part, "resistance", Fraction(0))
            blocking = z3.And(blocking, volts >= -term(zener))
            yield "breakdown", z3.And(volts == -term(zener) + term(slope) * current, current < 0)
        yield "off", blocking
        yield "on", z3.And(volts == term(forward), current > 0)

    to.device(part, laws())


def _transistor(to: _Equations, part: Part) -> None:
    given = part.values.get("beta")
    if not isinstance(given, Beta) or given.typical is None:
        raise ValueError(f"{part.name} has no typical beta")
    beta, back = term(exact(given.typical)), term(to.assumption("reverse_beta"))
    base, collector = z3.Real(f"ib {part.name}"), z3.Real(f"ic {part.name}")
    for pin, current in (("base", base), ("collector", collector), ("emitter", -base - collector)):
        to.into[part.pins[pin]].append(current)
    to.currents[part.name, "base"], to.currents[part.name, "collector"] = base, collector
    sign = 1 if part.kind == "npn" else -1
    ib, ic = sign * base, sign * collector
    vbe, vbc = sign * to.across(part, "base", "emitter"), sign * to.across(part, "base", "collector")
    on, wide = term(to.assumption("vbe_on")), term(to.assumption("vbe_on") - to.assumption("vce_sat"))

    def laws() -> Iterator[Law]:
        yield "off", z3.And(vbe <= on, vbc <= wide, ib == 0, ic == 0)
        yield "active", z3.And(vbe == on, vbc <= wide, ic == beta * ib, ib > 0)
        yield "saturated", z3.And(vbe == on, vbc == wide, ic < beta * ib, ib + ic > -back * ib)
        yield "reverse", z3.And(vbe <= on, vbc == wide, ib + ic == -back * ib, ib > 0)

    to.device(part, laws())


_LAWS = {
    "resistor": _resistive, "coil": _resistive, "load": _resistive, "inductor": _inductor,
    "capacitor": _capacitor, "battery": _source, "supply": _source, "driver": _driver, "contact": _contact,
    "current-source": _current_source, "diode": _diode, "led": _diode, "zener": _diode,
    "npn": _transistor, "pnp": _transistor,
}


def all_states(circuit: Circuit, configuration: Any = None,
               held: Mapping[str, float] | None = None) -> list[dict]:
    """Every DC state as ``{"devices": {name: region}, "nets": {net: V}, "currents": {(device, pin): A}}``.

    ``configuration`` has ``contacts`` and ``drivers`` mappings (rest positions when ``None``), ``held`` the
    voltages of capacitors that are not open.  Numbers are fractions; what the regions of a state leave open
    is ``None``.  Where a continuum of solutions runs through several regions, each of them is listed.
    Raises ``ValueError`` when a transistor has no typical gain.
    """
    positions = {} if configuration is None else {**configuration.contacts, **configuration.drivers}
    equations = _Equations(circuit, positions, held or {})
    solver = z3.SolverFor("QF_LRA")
    solver.add(*equations.constraints)
    found = []
    while (answer := solver.check()) == z3.sat:
        model = solver.model()
        regions = {name: next(region for region, flag in flags.items() if z3.is_true(model[flag]))
                   for name, flags in equations.regions.items()}
        chosen = [equations.regions[name][region] for name, region in regions.items()]
        nets, currents = _point(solver, model, chosen, equations)
        found.append({"devices": regions, "nets": nets, "currents": currents})
        solver.add(z3.Not(z3.And(*chosen)))
    if answer == z3.unknown:
        raise RuntimeError(solver.reason_unknown())
    return sorted(found, key=lambda state: sorted(state["devices"].items()))


def _point(solver: Any, model: Any, chosen: list[Any], equations: _Equations) -> tuple[
        dict[str, Fraction | None], dict[tuple[str, str], Fraction | None]]:
    """The numbers of a model, ``None`` where other numbers do in the same regions."""
    terms = [*equations.volts.values(), *equations.currents.values()]
    values: list[Fraction | None] = [_fraction(model.eval(item, model_completion=True)) for item in terms]
    solver.push()
    solver.add(*chosen)
    while True:
        fixed = [(k, value) for k, value in enumerate(values) if value is not None]
        solver.push()
        solver.add(z3.Or(*(terms[k] != term(value) for k, value in fixed)))
        other = solver.model() if solver.check() == z3.sat else None
        solver.pop()
        if other is None:
            break
        for k, value in fixed:
            if _fraction(other.eval(terms[k], model_completion=True)) != value:
                values[k] = None
    solver.pop()
    size = len(equations.volts)
    return (dict(zip(equations.volts, values[:size], strict=True)),
            dict(zip(equations.currents, values[size:], strict=True)))


def _fraction(value: Any) -> Fraction:
    return Fraction(value.numerator_as_long(), value.denominator_as_long())
