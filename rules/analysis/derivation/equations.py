"""The laws of one state as linear equations, each with its kind: what a person would write down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rules.analysis.derivation.expression import ONE, Expr, Ref, Sum, Symbol, add, evaluate, over, times
from rules.analysis.derivation.facts import Device, Element, Facts
from rules.analysis.derivation.model import KINDS


@dataclass(frozen=True, slots=True)
class Term:
    """``sign * factor * unknown``; a factor of ``None`` is 1."""

    sign: int
    factor: Expr | None
    unknown: Symbol


@dataclass(frozen=True, slots=True)
class Equation:
    """The sum of all terms and signed constants is zero.

    ``subject`` is the part or net it speaks of; ``spare`` marks one that follows
    from others (the balance of the reference net, beta + 1), taken last.
    """

    kind: str
    subject: str
    terms: tuple[Term, ...]
    constants: tuple[tuple[int, Expr], ...] = ()
    spare: bool = False

    @property
    def rank(self) -> tuple[bool, int, str]:
        return self.spare, KINDS.index(self.kind), self.subject

    def unknowns(self) -> tuple[str, ...]:
        return tuple(term.unknown.id for term in self.terms)

    def late(self, unknown: str) -> bool:
        """True where a resistance inside a part would tell its current: a balance tells it better."""
        own = next(term for term in self.terms if term.unknown.id == unknown)
        return own.factor is not None and self.kind not in ("ohm", "beta")

    def solved_for(self, unknown: str) -> Expr:
        """The formula of one of its unknowns."""
        own = next(term for term in self.terms if term.unknown.id == unknown)
        rest = [(-own.sign * term.sign, _product(term)) for term in self.terms if term is not own]
        rest += [(-own.sign * sign, expr) for sign, expr in self.constants]
        total = add(*rest)
        return total if own.factor is None else over(total, own.factor)

    def sides(self) -> tuple[Expr, Expr]:
        """Left and right with only plus signs, as far as there is something on both."""
        signed = [(term.sign, _product(term)) for term in self.terms] + list(self.constants)
        left = add(*[(1, expr) for sign, expr in signed if sign > 0])
        right = add(*[(1, expr) for sign, expr in signed if sign < 0])
        return left, right


def _product(term: Term) -> Expr:
    return Ref(term.unknown) if term.factor is None else times(term.factor, Ref(term.unknown))


def _gathered(signed: list[tuple[int, Expr | None]]) -> list[Term]:
    """Voltage terms; the same net with opposite signs falls out, and so does the reference."""
    kept: list[tuple[int, Expr]] = []
    for sign, expr in signed:
        if expr is None:
            continue
        if (-sign, expr) in kept:
            kept.remove((-sign, expr))
        else:
            kept.append((sign, expr))
    return [Term(sign, None, expr.symbol) for sign, expr in kept if isinstance(expr, Ref)]


def equations_of(facts: Facts) -> tuple[Equation, ...]:
    found = [equation for element in facts.elements for equation in _of_element(facts, element)]
    for device in facts.devices:
        found.extend(_of_device(facts, device))
    found.extend(_balances(facts))
    return tuple(sorted((e for e in found if e.terms), key=lambda e: (e.rank, e.unknowns())))


def _of_element(facts: Facts, element: Element) -> list[Equation]:
    if not facts.defined(element.a, element.b):
        return []
    terms = _gathered([(1, facts.net(element.a)), (-1, facts.net(element.b))])
    if element.resistance is not None:
        if element.current is None:
            return []
        terms.append(Term(-1, element.resistance, element.current))
    constants = () if element.drop is None else tuple((-s, e) for s, e in _signed(element.drop))
    return [Equation(element.kind, element.part, tuple(terms), constants)]


def _signed(expr: Expr) -> tuple[tuple[int, Expr], ...]:
    return expr.terms if isinstance(expr, Sum) else ((1, expr),)


def _of_device(facts: Facts, device: Device) -> list[Equation]:
    nets, s = device.nets, device.sign
    base, emitter, collector = nets["base"], nets["emitter"], nets["collector"]
    found: list[Equation] = []

    def apart(kind: str, high: str, low: str, volts: Expr) -> None:
        if facts.defined(high, low):
            terms = _gathered([(s, facts.net(high)), (-s, facts.net(low))])
            found.append(Equation(kind, device.part, tuple(terms), tuple((-g, e) for g, e in _signed(volts))))

    if device.region == "reverse":
        apart("junction", base, collector, device.v_bc)
    else:
        apart("junction", base, emitter, device.v_be)
    if device.region == "saturated":
        apart("saturation", collector, emitter, device.v_ce)
    i_b, i_c, i_e = (device.currents[pin] for pin in ("base", "collector", "emitter"))
    if i_b is None or i_c is None or i_e is None:
        return found
    small, large = (i_c, i_e) if device.region != "reverse" else (i_e, i_c)
    found.append(
        Equation("sum", device.part, (Term(1, None, large), Term(-1, None, i_b), Term(-1, None, small)))
    )
    if device.region != "saturated":
        found.append(Equation("beta", device.part, (Term(1, None, small), Term(-1, device.gain, i_b))))
        more = add((1, device.gain), (1, ONE))
        found.append(Equation("beta", device.part, (Term(1, None, large), Term(-1, more, i_b)), spare=True))
    return found


def _balances(facts: Facts) -> list[Equation]:
    """What flows into a net flows out of it; nets tied by a current that is not determined count as one."""
    circuit = facts.state.mode.network.resolved.circuit
    owner = {net: net for net in circuit.net_names}

    def find(net: str) -> str:
        while owner[net] != net:
            net = owner[net]
        return net

    for a, b in facts.tied:
        one, other = find(a), find(b)
        if one != other:
            first, second = sorted((one, other), key=lambda net: (net != circuit.ground, net))
            owner[second] = first
    members: dict[str, list[str]] = {}
    for net in owner:
        members.setdefault(find(net), []).append(net)
    sums: dict[str, dict[str, tuple[int, Symbol, bool]]] = {root: {} for root in members}
    for flow in facts.flows:
        for at, sign in ((flow.leaves, 1), (flow.enters, -1)):
            if at is not None:
                into = sums[find(at)]
                before = into.get(flow.symbol.id, (0, flow.symbol, flow.known))[0]
                into[flow.symbol.id] = (before + sign, flow.symbol, flow.known)
    found = []
    for root, into in sums.items():
        live = [(sign, symbol, known) for sign, symbol, known in into.values() if sign]
        terms = tuple(Term(sign, None, symbol) for sign, symbol, known in live if not known)
        constants: tuple[tuple[int, Expr], ...] = tuple(
            (sign, Ref(symbol)) for sign, symbol, known in live if known
        )
        # the reference closes the books last
        spare = root == circuit.ground
        found.append(Equation("kcl", ", ".join(sorted(members[root])), terms, constants, spare))
    return found


def coefficients(equation: Equation, values: Mapping[str, float]) -> tuple[dict[str, float], float]:
    """The equation in numbers: the factor of every unknown, and the constant with all known terms in it."""
    found: dict[str, float] = {}
    constant = sum(sign * evaluate(expr, values) for sign, expr in equation.constants)
    for term in equation.terms:
        factor = term.sign * (1.0 if term.factor is None else evaluate(term.factor, values))
        if term.unknown.id in values:
            constant += factor * values[term.unknown.id]
        else:
            found[term.unknown.id] = found.get(term.unknown.id, 0.0) + factor
    return found, constant

