"""The sentence of each step.  No numbers stand in it: those belong to the formula."""

from __future__ import annotations

from collections.abc import Sequence

from rules.analysis.derivation.equations import Equation
from rules.analysis.derivation.expression import ZERO, Expr, Symbol, leaves
from rules.analysis.derivation.facts import Facts


def joined(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def says(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    """Why this equation gives this unknown."""
    return _BY_KIND[equation.kind](facts, equation, unknown, formula)


def _part(facts: Facts, name: str) -> str:
    return facts.state.mode.network.resolved.circuit.parts[name].kind


def _ends(facts: Facts, name: str) -> tuple[str, str]:
    element = next(item for item in facts.elements if item.part == name)
    return element.a, element.b


def _here_and_there(facts: Facts, name: str, unknown: Symbol) -> tuple[str, str]:
    """The net whose voltage is asked for, and the one at the other end of a part."""
    a, b = _ends(facts, name)
    here = facts.net_of(unknown)
    return here, b if here == a else a


def _source(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    if unknown.base == "I":
        return f"what {name} drops inside tells the current through it"
    here, other = _here_and_there(facts, name, unknown)
    inner = any(term.factor is not None for term in equation.terms)
    return f"{name} sets {here} against {other}" + (", less what it drops inside" if inner else "")


def _capacitor(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    here, other = _here_and_there(facts, equation.subject, unknown)
    return f"{equation.subject} still holds its voltage between {here} and {other}"


def _contact(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    if unknown.base == "I":
        return f"what {name} drops tells the current through it"
    here, other = _here_and_there(facts, name, unknown)
    if _part(facts, name) == "contact":
        return f"{name} is closed: {here} is at the voltage of {other}"
    return f"{name} ties {here} to {other}"


def _coil(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    if unknown.base == "I":
        return f"at rest {name} is its winding resistance"
    here, other = _here_and_there(facts, name, unknown)
    resistive = any(term.factor is not None for term in equation.terms)
    why = "drops only what its winding resistance takes" if resistive else "drops nothing"
    return f"at rest {name} {why} between {here} and {other}"


def _junction(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    region = facts.state.devices[name]
    if unknown.base == "I":
        return f"what {name} stands above its breakdown voltage drives its slope resistance"
    here = facts.net_of(unknown)
    if region == "breakdown":
        return f"{name} is in breakdown: its cathode stands above its anode by V_Z"
    if region == "on":
        return f"{name} conducts: its anode is one forward drop above its cathode"
    device = next(item for item in facts.devices if item.part == name)
    pin = next((pin for pin, net in device.nets.items() if net == here), "base")
    if region == "reverse":
        return f"{name} works backwards: its base-collector junction conducts and sets its {pin}"
    other = "emitter" if pin == "base" else "base"
    above = (pin == "base") == (device.sign > 0)
    return f"{name} conducts: its {pin} is one junction drop {'above' if above else 'below'} its {other}"


def _saturation(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    device = next(item for item in facts.devices if item.part == name)
    here = facts.net_of(unknown)
    pin = "collector" if device.nets["collector"] == here else "emitter"
    other = "emitter" if pin == "collector" else "collector"
    above = (pin == "collector") == (device.sign > 0)
    return f"{name} is saturated: its {pin} is only V_CE,sat {'above' if above else 'below'} its {other}"


def _ohm(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    a, b = _ends(facts, name)
    if unknown.base == "I":
        if a == b:
            return f"both ends of {name} are on {a}: no voltage, no current"
        return f"{name} lies between {a} and {b}, both known"
    here, other = _here_and_there(facts, name, unknown)
    if len(list(leaves(formula))) == 1:
        return f"{name} carries nothing, so {here} is at the voltage of {other}"
    way = "below" if here == b else "above"
    return f"{here} is {way} {other} by what {name} drops"


def _beta(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    device = next(item for item in facts.devices if item.part == name)
    small, large = ("collector", "emitter") if device.region == "active" else ("emitter", "collector")
    mode = "is active" if device.region == "active" else "works backwards"
    if equation.spare:
        return f"{name} {mode}: its {large} carries beta + 1 times the base current"
    return f"{name} {mode}: its {small} carries beta times the base current"


def _sum(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    name = equation.subject
    device = next(item for item in facts.devices if item.part == name)
    if device.region == "reverse":
        return f"{name}: collector current is base current and emitter current together"
    return f"{name}: emitter current is collector current and base current together"


def _kcl(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    place, of = equation.subject, unknown.of
    who = _whose(unknown)
    if formula == ZERO:
        return f"at {place} nothing else carries current, so {who} carries none"
    others = list(leaves(formula))
    if len(others) == 1:
        return f"{_whose(others[0])} and {who} are all that meets at {place}: one current"
    if _part(facts, of) in ("battery", "supply", "driver"):
        return f"{who} delivers all that leaves {place}"
    return f"what flows into {place} flows out: {who} has the rest"


def _sharing(facts: Facts, equation: Equation, unknown: Symbol, formula: Expr) -> str:
    return f"{equation.subject}: ideal junctions in one loop; as equal ones they share alike"


def _whose(symbol: Symbol) -> str:
    pin = {"I_B": "'s base", "I_C": "'s collector", "I_E": "'s emitter"}.get(symbol.base, "")
    return symbol.of + pin


_BY_KIND = {
    "source": _source, "capacitor": _capacitor, "contact": _contact, "coil": _coil, "junction": _junction,
    "saturation": _saturation, "ohm": _ohm, "beta": _beta, "sum": _sum, "kcl": _kcl,
    "sharing": _sharing,
}  # fmt: skip
