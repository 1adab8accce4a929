"""What one net sees: all that hangs on it as one source behind one resistance, worked out step by step.

A tree of resistances, drops and junctions between known voltages is folded
towards the net: resistances in series and in parallel, a divider, a Thevenin
source, one behind another.  An active transistor is part of the tree: from its
base whatever its emitter sees looks beta + 1 times as large.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.analysis.derivation.board import Board, Draft
from rules.analysis.derivation.expression import (
    ONE,
    ZERO,
    Expr,
    Parallel,
    Ref,
    Symbol,
    add,
    evaluate,
    over,
    times,
)
from rules.analysis.derivation.facts import Device, Element
from rules.analysis.derivation.words import joined


class NoPort(Exception):
    """The net does not see a single source behind a single resistance."""


@dataclass(frozen=True, slots=True)
class Port:
    """``volts`` behind ``ohms``; ``ohms`` of ``None`` is a stiff voltage.

    ``parts`` are those it is made of; ``plain`` marks a single resistance to one known net.
    """

    volts: Expr
    ohms: Expr | None
    parts: tuple[str, ...]
    plain: bool = True
    divider: tuple[Expr, ...] = ()  # the unloaded current through the divider, when it is one


@dataclass
class Plan:
    """Steps towards one goal; nothing is on the board until the plan is carried out."""

    board: Board
    drafts: list[Draft] = field(default_factory=list)

    def helper(self, base: str, of: str, unit: str, kind: str, says: str, formula: Expr) -> Expr:
        """A helping quantity with its own step; a formula that is but a symbol needs none."""
        if isinstance(formula, Ref):
            return formula
        taken = [draft.symbol.id for draft in self.drafts]
        symbol = self.board.fresh(base, of, unit, taken)
        self.drafts.append(Draft(symbol, kind, says, formula))
        return Ref(symbol)


class Viewer:
    """Looks into a net; ``seen`` keeps it from going in circles."""

    def __init__(self, board: Board) -> None:
        self.board = board
        self.facts = board.facts
        self.plan = Plan(board)
        self.seen: set[str] = set()

    def volts(self, net: str) -> Expr:
        return self.facts.net(net) or ZERO

    def port(self, net: str, skip: Iterable[str] = ()) -> Port | None:
        """What ``net`` sees but for the parts in ``skip``; ``None`` when that is nothing.  Raises NoPort."""
        if self.board.knows(net):
            return Port(self.volts(net), None, ())
        if net in self.seen:
            raise NoPort
        self.seen.add(net)
        branches, drawn = self.branches(net, set(skip))
        return self.folded(net, branches, drawn)

    def branches(self, net: str, skip: set[str]) -> tuple[list[Port], list[tuple[int, Symbol]]]:
        """The ways out of a net, and the known currents that leave it."""
        drawn = [
            (1 if flow.leaves == net else -1, flow.symbol)
            for flow in self.facts.flows
            if net in (flow.leaves, flow.enters) and flow.leaves != flow.enters
            and self.board.known(flow.symbol) and flow.symbol.of not in skip
        ]  # fmt: skip
        found: list[Port] = []
        for other, elements in sorted(self._neighbours(net, skip).items()):
            found.extend(self._through(net, other, elements))
        for device in self.facts.devices:
            if device.part not in skip:
                found.extend(self._into(net, device))
        found.sort(key=lambda branch: branch.parts)
        return found, [item for item in drawn if self.board.values[item[1].id] != 0.0]

    def _neighbours(self, net: str, skip: set[str]) -> dict[str, list[Element]]:
        found: dict[str, list[Element]] = {}
        for element in self.facts.elements:
            if net not in (element.a, element.b) or element.a == element.b or element.part in skip:
                continue
            if element.current is None:
                raise NoPort
            if not self.board.known(element.current):
                found.setdefault(element.b if element.a == net else element.a, []).append(element)
        return found

    def _through(self, net: str, other: str, elements: list[Element]) -> list[Port]:
        """Towards one neighbour: plain resistances side by side count as one."""
        if not self.facts.defined(net, other):
            raise NoPort
        plain = [e for e in elements if e.drop is None and e.resistance is not None]
        if len(elements) > 1 and (len(plain) < len(elements)) and not self.board.knows(other):
            raise NoPort
        if self.board.knows(other):
            return [self._along(net, element, Port(self.volts(other), None, ())) for element in elements]
        names = tuple(element.part for element in elements)
        beyond = self.port(other, names)
        if beyond is None:
            return []
        if len(elements) == 1:
            return [self._along(net, elements[0], beyond)]
        both = Parallel(tuple(e.resistance for e in elements if e.resistance is not None))
        ohms = self.plan.helper(
            "R_p",
            names[0],
            "ohm",
            "parallel",
            f"{joined(names)} lie side by side between {net} and {other}",
            both,
        )
        return [
            Port(
                beyond.volts,
                ohms if beyond.ohms is None else add((1, ohms), (1, beyond.ohms)),
                (*names, *beyond.parts),
                False,
            )
        ]

    def _along(self, net: str, element: Element, beyond: Port) -> Port:
        """The port at the far end, seen through one element."""
        sign = 1 if element.a == net else -1
        volts = beyond.volts if element.drop is None else add((1, beyond.volts), (sign, element.drop))
        ohms = beyond.ohms
        if element.resistance is not None:
            ohms = element.resistance if ohms is None else add((1, element.resistance), (1, ohms))
        return Port(volts, ohms, (element.part, *beyond.parts), beyond.plain)

    def _into(self, net: str, device: Device) -> list[Port]:
        pins = [pin for pin, at in device.nets.items() if at == net]
        open_ = [
            pin for pin in pins if not self.board.known(device.currents[pin]) or device.currents[pin] is None
        ]
        if not open_:
            return []
        if (
            len(pins) != 1
            or len(set(device.nets.values())) < 3
            or device.region == "reverse"
            or any(c is None for c in device.currents.values())
        ):
            raise NoPort
        if device.region == "saturated":
            return self._saturated(pins[0], device)
        pin, more = pins[0], add((1, device.gain), (1, ONE))
        if pin == "collector":
            raise NoPort
        across = device.v_be if device.sign > 0 else add((-1, device.v_be))
        far = device.nets["emitter" if pin == "base" else "base"]
        beyond = self.port(far, (device.part,))
        if beyond is None or beyond.ohms is None:
            raise NoPort
        if pin == "base":
            return [
                Port(
                    add((1, beyond.volts), (1, across)),
                    times(more, beyond.ohms),
                    (device.part, *beyond.parts),
                    False,
                )
            ]
        return [
            Port(
                add((1, beyond.volts), (-1, across)),
                over(beyond.ohms, more),
                (device.part, *beyond.parts),
                False,
            )
        ]

    def _saturated(self, pin: str, device: Device) -> list[Port]:
        """The two other pins, each at a fixed distance: all three nets count as one."""
        s = device.sign
        level = {"emitter": ZERO, "base": device.v_be, "collector": device.v_ce}
        found = []
        for other in ("base", "collector", "emitter"):
            if other == pin:
                continue
            beyond = self.port(device.nets[other], (device.part,))
            if beyond is not None:
                if beyond.ohms is None:
                    raise NoPort
                volts = add((1, beyond.volts), (s, level[pin]), (-s, level[other]))
                found.append(Port(volts, beyond.ohms, (device.part, *beyond.parts), False))
        return found

    def folded(self, net: str, branches: list[Port], drawn: list[tuple[int, Symbol]]) -> Port | None:
        """All branches of a net as one; helping steps go into the plan."""
        stiff = [branch for branch in branches if branch.ohms is None]
        if stiff:
            if len(stiff) > 1:
                raise NoPort
            return stiff[0]
        if not branches:
            if drawn:
                raise NoPort
            return None
        parts = tuple(name for branch in branches for name in branch.parts)
        current = add(*[(sign, Ref(symbol)) for sign, symbol in drawn])
        if len(branches) == 1:
            only = branches[0]
            assert only.ohms is not None
            if current == ZERO:
                return only
            volts = self.plan.helper(
                "V_th",
                net,
                "V",
                "thevenin",
                f"seen from {net}: {joined(parts)} with the known current on it",
                add((1, only.volts), (-1, times(only.ohms, current))),
            )
            return Port(volts, only.ohms, parts, False)
        ohms = self.plan.helper(
            "R_th",
            net,
            "ohm",
            "thevenin",
            f"seen from {net}, {self._named(branches)} are parallel",
            Parallel(tuple(b.ohms for b in branches if b.ohms is not None)),
        )
        volts = self._open_volts(net, branches, ohms)
        divider: tuple[Expr, ...] = ()
        if len(branches) == 2:
            one, other = branches
            if self._higher(other.volts, one.volts):
                one, other = other, one
            inside = [(1, branch.ohms) for branch in branches if branch.ohms is not None]
            divider = (add((1, one.volts), (-1, other.volts)), add(*inside))
        if current != ZERO:
            volts = self.plan.helper(
                "V_th",
                net,
                "V",
                "thevenin",
                f"the known current at {net} shifts it by R_th times itself",
                add((1, volts), (-1, times(ohms, current))),
            )
        return Port(volts, ohms, parts, False, divider)

    def _open_volts(self, net: str, branches: list[Port], ohms: Expr) -> Expr:
        formula = divided(branches)
        if formula is not None:
            return self.plan.helper(
                "V_th", net, "V", "divider", f"{self._named(branches)} as an unloaded divider", formula
            )
        shares = [(1, over(b.volts, b.ohms)) for b in branches if b.ohms is not None]
        return self.plan.helper(
            "V_th",
            net,
            "V",
            "thevenin",
            f"the voltage at {net} with nothing more on it",
            times(ohms, add(*shares)),
        )

    def _higher(self, one: Expr, other: Expr) -> bool:
        """True where the first voltage is the higher one, as far as the plan has got."""
        values = dict(self.board.values)
        for draft in self.plan.drafts:
            values[draft.symbol.id] = evaluate(draft.formula, values)
        return evaluate(one, values) > evaluate(other, values)

    def _named(self, branches: list[Port]) -> str:
        return joined(["-".join(branch.parts) for branch in branches])


def divided(branches: list[Port]) -> Expr | None:
    """The unloaded voltage of two branches, written as a divider."""
    if len(branches) != 2:
        return None
    one, other = branches
    if one.ohms is None or other.ohms is None:
        return None
    if one.volts == ZERO:
        one, other = other, one
    assert one.ohms is not None
    assert other.ohms is not None
    span = add((1, one.volts), (-1, other.volts))
    share = over(times(span, other.ohms), add((1, one.ohms), (1, other.ohms)))
    return add((1, other.volts), (1, share))

