"""Ideal junctions in a loop of their own: no law says how they share, so equal junctions share alike.

The solver takes the limit of equal small resistances in all junctions.  In a
loop of junctions (each +1 or -1 as it is passed) their currents then add up to
nothing; for two side by side: they are equal.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rules.analysis.derivation.equations import Equation, Term
from rules.analysis.derivation.expression import ONE, Expr, Symbol, add, over, times
from rules.analysis.derivation.facts import Device, Facts
from rules.analysis.elements import Array

_RANK = 1e-9
_MET = 1e-6  # relative; a loop that the solver did not share by is left alone


def sharing(facts: Facts) -> tuple[Equation, ...]:
    """One equation for each loop of conducting junctions by which the solver shared."""
    mode = facts.state.mode
    g, _ = mode.network.equations(mode.betas)
    support = list(mode.solution.support)
    count = len(mode.network.junctions)
    keep = [*support, *range(count, len(g))]
    if not support:
        return ()
    found = []
    for loop in _loops(g[np.ix_(keep, keep)]):
        members = [(int(sign), support[place]) for place, sign in enumerate(loop[: len(support)]) if sign]
        equation = _equation(facts, members)
        if equation is not None:
            found.append(equation)
    return tuple(found)


def _loops(matrix: Array) -> Iterator[Array]:
    """Left null vectors of the mode, reduced to whole numbers; others are left out."""
    rows = np.maximum(np.abs(matrix).max(axis=1, initial=0.0), 1e-300)
    u, sizes, _ = np.linalg.svd(matrix / rows[:, None])
    basis = u[:, sizes <= _RANK * sizes[0]].T / rows[None, :]
    basis = basis / np.maximum(np.abs(basis).max(axis=1, keepdims=True, initial=0.0), 1e-300)
    done = 0
    for column in range(basis.shape[1]):
        if done == len(basis):
            break
        pivot = done + int(np.abs(basis[done:, column]).argmax())
        if abs(basis[pivot, column]) < 1e-6:
            continue
        basis[[done, pivot]] = basis[[pivot, done]]
        basis[done] /= basis[done, column]
        for row in range(len(basis)):
            if row != done:
                basis[row] -= basis[row, column] * basis[done]
        done += 1
    for row in basis[:done]:
        whole = np.rint(row)
        if np.allclose(row, whole, atol=1e-6) and np.abs(whole).max() <= 3:
            yield whole


def _equation(facts: Facts, members: list[tuple[int, int]]) -> Equation | None:
    junctions = facts.state.mode.network.junctions
    terms: list[Term] = []
    total, largest = 0.0, 0.0
    for sign, k in members:
        total += sign * facts.state.mode.solution.current[k]
        largest = max(largest, abs(facts.state.mode.solution.current[k]))
        found = _current(facts, junctions[k].device, junctions[k].name)
        if found is None:
            return None
        terms.extend(Term(sign * own, factor, symbol) for own, factor, symbol in found)
    if abs(total) > _MET * largest or len(members) < 2:
        return None
    names = ", ".join(sorted({junctions[k].device for _, k in members}))
    merged: dict[str, Term] = {}
    for term in terms:
        before = merged.get(term.unknown.id)
        if before is None:
            merged[term.unknown.id] = term
            continue
        factor = add((before.sign, before.factor or ONE), (term.sign, term.factor or ONE))
        merged[term.unknown.id] = Term(1, factor, term.unknown)
    return Equation("sharing", names, tuple(merged.values()))


def _current(facts: Facts, name: str, junction: str) -> list[tuple[int, Expr | None, Symbol]] | None:
    """The current of one junction as signed multiples of pin currents."""
    device = next((item for item in facts.devices if item.part == name), None)
    if device is None:
        symbol = next(item.current for item in facts.elements if item.part == name)
        return None if symbol is None else [(1, None, symbol)]
    emitter, collector = device.currents["emitter"], device.currents["collector"]
    if emitter is None or collector is None:
        return None
    if device.region == "active":
        return [(1, None, emitter)]
    if device.region == "reverse":
        return [(1, None, collector)]
    return _saturated(facts, device, junction, emitter, collector)


def _saturated(
    facts: Facts, device: Device, junction: str, emitter: Symbol, collector: Symbol
) -> list[tuple[int, Expr | None, Symbol]]:
    """Ebers and Moll: I_E = i_F - a_R i_R, I_C = a_F i_F - i_R, with a = beta / (beta + 1)."""
    backwards = facts.givens.reverse_gain()
    a_f = over(device.gain, add((1, device.gain), (1, ONE)))
    a_r = over(backwards, add((1, backwards), (1, ONE)))
    both = add((1, ONE), (-1, times(a_f, a_r)))
    if junction == "forward":
        return [(1, over(ONE, both), emitter), (-1, over(a_r, both), collector)]
    return [(1, over(a_f, both), emitter), (-1, over(ONE, both), collector)]
