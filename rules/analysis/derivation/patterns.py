"""When no equation has a single unknown left: the patterns a person looks for, cheapest first."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from rules.analysis.derivation.board import Board, Draft, Twin
from rules.analysis.derivation.expression import ONE, ZERO, Expr, Ref, add, over, parts_of, times
from rules.analysis.derivation.facts import Device, Element
from rules.analysis.derivation.ports import NoPort, Port, Viewer, divided
from rules.analysis.derivation.words import joined

Drafts = list[Draft]
_BASE, _NET, _THROUGH = range(3)


def next_pattern(board: Board) -> Drafts | None:
    """The steps of the cheapest pattern that fits somewhere, or ``None``."""
    for found in (_idle, _chains, _dividers):
        drafts: Drafts | None = next(found(board), None)
        if drafts is not None:
            return drafts
    candidates = sorted(
        # a transistor's own base comes before a net that merely sees it
        (((order == _THROUGH, len(drafts), order, name), drafts) for order, name, drafts in _folded(board)),
        key=lambda item: item[0],
    )
    return candidates[0][1] if candidates else None


def _open_nets(board: Board) -> list[str]:
    circuit = board.facts.state.mode.network.resolved.circuit
    return [net for net in circuit.net_names if not board.knows(net)]


def _live(board: Board, net: str) -> list[Element]:
    """Elements at a net whose current is not known."""
    return [
        e for e in board.facts.elements if net in (e.a, e.b) and e.a != e.b and not board.known(e.current)
    ]


def _quiet(board: Board, net: str) -> bool:
    """True when no transistor with an unknown current and no known current is at a net."""
    devices = any(
        at == net and (device.currents[pin] is None or not board.known(device.currents[pin]))
        for device in board.facts.devices
        for pin, at in device.nets.items()
    )
    drawn = any(
        net in (flow.leaves, flow.enters) and board.values.get(flow.symbol.id, 0.0) != 0.0
        for flow in board.facts.flows
    )
    return (
        not devices
        and not drawn
        and all(e.current is not None for e in board.facts.elements if net in (e.a, e.b))
    )


def _idle(board: Board) -> Iterator[Drafts]:
    """Resistances that hang on one known voltage and on nothing else carry no current."""
    for net in _open_nets(board):
        reached, edge, pending, parts = {net}, set[str](), [net], set[str]()
        while pending:
            here = pending.pop()
            if not _quiet(board, here):
                edge = {"", " "}
                break
            for element in _live(board, here):
                other = element.b if element.a == here else element.a
                if element.drop is not None or not board.facts.defined(here, other):
                    edge = {"", " "}
                parts.add(element.part)
                if board.knows(other):
                    edge.add(other)
                elif other not in reached:
                    reached.add(other)
                    pending.append(other)
        if len(edge) == 1:
            only = edge.pop()
            says = f"{joined(sorted(parts))} end nowhere but at {only}: no current, no drop"
            if len(parts) == 1:
                says = says.replace("end nowhere", "ends nowhere")
            yield [
                Draft(
                    board.facts.voltage(here),
                    "idle",
                    says if here == net else f"{here} hangs there with {net}",
                    board.facts.net(only) or ZERO,
                )
                for here in (net, *sorted(reached - {net}))
            ]


def _simple(board: Board, net: str) -> list[Element] | None:
    """The two elements of a net on which nothing else hangs."""
    live = _live(board, net)
    return live if len(live) == 2 and _quiet(board, net) else None


def _chains(board: Board) -> Iterator[Drafts]:
    """A string of parts between two known voltages with nothing in between: one current."""
    for net in _open_nets(board):
        ends = _simple(board, net)
        if ends is None:
            continue
        sides = [_walk(board, net, element) for element in ends]
        if None in sides:
            continue
        (left, at), (right, to) = sides  # type: ignore[misc]
        chain = [*reversed(left), *right]
        names = [element.part for element in chain]
        if len(set(names)) != len(names) or not board.facts.defined(at, to, net):
            continue
        resistive = [e.resistance for e in chain if e.resistance is not None]
        if not resistive or (len(chain) == 2 and all(e.drop is None for e in chain) and len(resistive) == 2):
            continue
        yield [_string(board, chain, at, to)]


def _walk(board: Board, net: str, element: Element) -> tuple[list[Element], str] | None:
    """From a net through an element on to a known voltage; the elements passed, and where it ends."""
    passed = [element]
    visited = {net}
    while True:
        net = element.b if element.a == net else element.a
        if board.knows(net):
            return passed, net
        pair = _simple(board, net)
        if pair is None or net in visited:
            return None
        visited.add(net)
        element = pair[0] if pair[1] is element else pair[1]
        passed.append(element)


def _string(board: Board, chain: list[Element], at: str, to: str) -> Draft:
    # the current is counted from ``at`` to ``to``, then turned to the first part's own direction
    volts: list[tuple[int, Expr]] = [(1, board.facts.net(at) or ZERO), (-1, board.facts.net(to) or ZERO)]
    here, first = at, 1
    told = min(chain, key=lambda element: (element.kind != "ohm", element.part))
    for element in chain:
        forward = element.a == here
        if element is told:
            first = 1 if forward else -1
        if element.drop is not None:
            volts.append((-1 if forward else 1, element.drop))
        here = element.b if forward else element.a
    ohms = add(*[(1, e.resistance) for e in chain if e.resistance is not None])
    names = [element.part for element in chain]
    target = told.current
    assert target is not None
    across = add(*[(first * sign, expr) for sign, expr in volts])
    drops = any(element.drop is not None for element in chain)
    says = f"{joined(names)} are one string from {at} to {to}" + (
        ": what the drops leave is for the resistance" if drops else ": one current"
    )
    return Draft(target, "series", says, over(across, ohms))


def _dividers(board: Board) -> Iterator[Drafts]:
    """Two resistances from a net to known voltages and nothing else on it."""
    for net in _open_nets(board):
        pair = _simple(board, net)
        if pair is None or any(e.drop is not None or e.resistance is None for e in pair):
            continue
        ends = [e.b if e.a == net else e.a for e in pair]
        if not all(board.knows(end) for end in ends) or not board.facts.defined(net, *ends):
            continue
        branches = [
            Port(board.facts.net(end) or ZERO, e.resistance, (e.part,))
            for e, end in zip(pair, ends, strict=True)
        ]
        formula = divided(branches)
        if formula is not None:
            both = joined([e.part for e in pair])
            says = f"{both} divide what lies between {ends[0]} and {ends[1]}; nothing loads {net}"
            yield [Draft(board.facts.voltage(net), "divider", says, formula)]


def _folded(board: Board) -> Iterator[tuple[int, str, Drafts]]:
    """Thevenin sources: at the base of each active transistor, then at each net."""
    for device in board.facts.devices:
        if device.region == "active" and not board.known(device.currents["base"]):
            drafts = _tried(lambda device=device: _base(board, device))  # type: ignore[misc]
            if drafts is not None:
                yield _BASE, device.part, drafts
    for net in _open_nets(board):
        drafts = _tried(lambda net=net: _node(board, net))  # type: ignore[misc]
        if drafts is not None:
            gains = [device.gain for device in board.facts.devices]
            through = any(factor in gains for draft in drafts for factor in _factors(draft.formula))
            yield _THROUGH if through else _NET, net, drafts


def _factors(expr: Expr) -> Iterator[Expr]:
    yield expr
    for part in parts_of(expr):
        yield from _factors(part)


def _tried(make: Callable[[], Drafts | None]) -> Drafts | None:
    try:
        return make()
    except NoPort:
        return None


def _base(board: Board, device: Device) -> Drafts | None:
    """Base current of an active transistor from what its base and its emitter see."""
    symbol = device.currents["base"]
    if symbol is None or len(set(device.nets.values())) < 3:
        return None
    viewer = Viewer(board)
    base, emitter = device.nets["base"], device.nets["emitter"]
    at_base = viewer.port(base, (device.part,))
    at_emitter = viewer.port(emitter, (device.part,))
    if at_base is None or at_emitter is None or not board.facts.defined(base, emitter):
        return None
    if at_emitter.ohms is None and at_base.ohms is None:
        return None
    more = add((1, device.gain), (1, ONE))
    s = device.sign
    across = add((s, at_base.volts), (-s, at_emitter.volts), (-1, device.v_be))
    looking = None if at_emitter.ohms is None else times(more, at_emitter.ohms)
    total = add(*[(1, item) for item in (at_base.ohms, looking) if item is not None])
    twin = None
    if at_base.ohms is not None and looking is not None:
        ratio = None
        if at_base.divider:
            span, ohms = at_base.divider
            ratio = over(over(span, ohms), Ref(symbol))
        twin = Twin(
            f"the base current in {joined(at_base.parts)}" if at_base.parts else "the base current",
            over(across, looking),
            ratio,
            times(at_base.ohms, Ref(symbol)),
        )
    seen = ""
    if looking is not None:
        verb = "looks" if len(at_emitter.parts) == 1 else "look"
        seen = f"; seen from there {joined(at_emitter.parts)} at its emitter {verb} beta + 1 times as large"
    says = f"what drives {device.part}'s base, less its junction drop, over all that resists" + seen
    viewer.plan.drafts.append(Draft(symbol, "thevenin", says, over(across, total), twin))
    return viewer.plan.drafts


def _node(board: Board, net: str) -> Drafts | None:
    """Voltage of a net that sees one source behind one resistance, with known currents on it."""
    viewer = Viewer(board)
    viewer.seen.add(net)
    branches, drawn = viewer.branches(net, set())
    if not branches:
        return None
    bases = [(sign, symbol) for sign, symbol in drawn if symbol.base == "I_B"]
    others = [(sign, symbol) for sign, symbol in drawn if symbol.base != "I_B"]
    port = viewer.folded(net, branches, others)
    if port is None or port.ohms is None:
        return None
    target = board.facts.voltage(net)
    formula, twin = port.volts, None
    says = f"{net} stands at what it sees"
    if bases:
        current = add(*[(sign, Ref(symbol)) for sign, symbol in bases])
        shift = times(port.ohms, current)
        formula = add((1, port.volts), (-1, shift))
        ratio = None
        if port.divider:
            ratio = over(over(*port.divider), current)
        twin = Twin("the base current", port.volts, ratio, shift)
        says = f"the base current shifts {net} by R_th times itself"
    last = viewer.plan.drafts[-1] if viewer.plan.drafts else None
    if last is not None and formula == Ref(last.symbol):
        # the helping voltage is the voltage of the net itself
        viewer.plan.drafts[-1] = Draft(target, last.kind, last.says, last.formula)
    else:
        viewer.plan.drafts.append(Draft(target, "thevenin", says, formula, twin))
    return viewer.plan.drafts

