"""Points of rest of a circuit with exponential junctions.

``on_branch`` keeps the conducting junctions of a hand-model state and solves
for their drops; ``newton`` then lets all junctions have their currents.  Plain
damped Newton straight from the hand model can land on another state: the 0.2 V of a
saturated transistor are several thermal voltages from its true 0.05 V.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from rules.analysis.elements import Array
from rules.analysis.junction.assembly import Assembly

DROP_ROUNDS, NEWTON_ROUNDS, SETTLING_ROUNDS = 60, 80, 400
STILL = 1e-11  # V, or of the largest voltage; a smaller change is rounding
UNSETTLED = 1e-6  # V; a movement that remains although all currents balance
BALANCED = 1e-9  # of the currents at a node; what may be left over
LEAST_CURRENT = 1e-12  # A; start for a conducting junction that the hand model leaves without current
_LOGARITHM = 2.0  # most that the logarithm of a junction current changes in one step
_FIRST_STEP, _LAST_STEP = 1e-12, 1e6  # s, of settling in time


@dataclass(frozen=True, eq=False)
class Rest:
    """Where an iteration ended; ``left`` is the largest remainder relative to its row."""

    x: Array
    converged: bool
    rounds: int
    left: float


def solve(matrix: Array, right: Array) -> Array:
    """Solve a badly scaled system for one right side or several (columns); ``LinAlgError`` when singular."""
    rows = np.abs(matrix).max(axis=1)
    if not np.all(rows > 0.0) or not np.all(np.isfinite(rows)):
        raise np.linalg.LinAlgError("a row of the system is empty or not finite")
    answer: Array = np.linalg.solve(matrix / rows[:, None], (right.T / rows).T)
    return answer


def on_branch(assembly: Assembly, support: Sequence[int], currents: Array) -> Rest:
    """The point where exactly the junctions ``support`` conduct, each at its own drop.

    ``currents`` (A, one per junction) are those of the hand model.  First the
    drops are iterated on the linear circuit; where that does not contract (two
    junctions held against each other by voltages alone), Newton in the logarithms
    of the currents.
    """
    chosen = list(support)
    start = np.maximum(currents[chosen], LEAST_CURRENT)
    for slopes in (False, True):
        found = _drops(assembly, chosen, start, slopes)
        if found.converged:
            return found
    return found


def _drops(assembly: Assembly, chosen: list[int], i: Array, slopes: bool) -> Rest:
    size, count = assembly.size, len(chosen)
    carry, sense = assembly.carry[:, chosen], assembly.sense[chosen]
    matrix = np.zeros((size + count, size + count))
    matrix[:size, :size], matrix[:size, size:], matrix[size:, :size] = assembly.conductance, carry, sense
    right = np.concatenate([assembly.source, np.zeros(count)])
    laws, x = assembly.laws, np.zeros(size)
    full = np.zeros(len(assembly.junctions))
    corner = np.arange(size, size + count)
    before, worse = np.inf, 0
    for rounds in range(1, DROP_ROUNDS + 1):
        full[chosen] = i
        drops = laws.drop(full)[chosen]
        if slopes:
            # the drop at the next current: drop + width * (next - i)/i
            steep = laws.width[chosen] / i
            matrix[corner, corner] = -steep
            drops = drops - steep * i
        right[size:] = drops
        try:
            answer = solve(matrix, right)
        except np.linalg.LinAlgError:
            return Rest(x, False, rounds, np.inf)
        x, wanted = answer[:size], answer[size:]
        # a current may fall or rise by a bounded factor only, so that it stays positive
        ratio = np.log(np.maximum(wanted / i, np.exp(-_LOGARITHM)))
        step = np.clip(ratio, -_LOGARITHM, None if not slopes else _LOGARITHM)
        change = float(np.abs(laws.width[chosen] * step).max(initial=0.0))
        i = i * np.exp(step)
        if change <= STILL * max(1.0, float(np.abs(x[: assembly.nodes]).max(initial=0.0))):
            return Rest(x, True, rounds, change)
        worse = worse + 1 if change > 0.9 * before else 0
        if not slopes and worse > 4:
            break
        before = change
    return Rest(x, False, rounds, change)


def newton(assembly: Assembly, x: Array, adrift: Sequence[int] = ()) -> Rest:
    """Newton with all junctions, no junction voltage rising by more than a logarithm allows in one step.

    Nodes ``adrift`` are those that nothing but leakage decides: they need not come to a stand.
    """
    x = x.copy()
    left = np.inf
    for rounds in range(1, NEWTON_ROUNDS + 1):
        remainder, jacobian = assembly.balance(x)
        try:
            step = solve(jacobian, -remainder)
        except np.linalg.LinAlgError:
            return Rest(x, False, rounds, left)
        share = _share(assembly, x, step)
        x += share * step
        moved = float(np.abs(step[: assembly.nodes]).max(initial=0.0))
        if moved <= STILL * max(1.0, float(np.abs(x[: assembly.nodes]).max(initial=0.0))):
            left = remainder_of(assembly, x)
            return Rest(x, left <= BALANCED, rounds, left)
    # nets that only reverse currents reach keep moving by what rounding makes of femtoamperes
    left = remainder_of(assembly, x)
    step[list(adrift)] = 0.0
    moved = float(np.abs(step[: assembly.nodes]).max(initial=0.0))
    return Rest(x, left <= BALANCED and moved <= UNSETTLED, rounds, left)


def _share(assembly: Assembly, x: Array, step: Array) -> float:
    """How much of a step to take: past its knee a junction voltage rises by log(1 + rise/width) widths."""
    v, rise = assembly.sense @ x, assembly.sense @ step
    laws = assembly.laws
    knee = laws.v_ref - 4.0 * laws.width
    start = np.maximum(v, np.minimum(knee, v + rise))
    beyond = v + rise - start
    past = beyond > laws.width
    if not np.any(past):
        return 1.0
    bounded = laws.width[past] * np.log1p(beyond[past] / laws.width[past])
    return float((((start - v)[past] + bounded) / rise[past]).min())


def remainder_of(assembly: Assembly, x: Array) -> float:
    """The largest remainder of a row relative to its terms, far below a microampere to that."""
    remainder, _ = assembly.balance(x)
    least = np.where(np.arange(assembly.size) < assembly.nodes, 1e-6, 1e-3)  # A, V
    ratio: Array = np.abs(remainder) / np.maximum(assembly.terms(x), least)
    return float(ratio.max(initial=0.0))


def settle(assembly: Assembly, x: Array) -> Rest:
    """Follow the circuit in time (backward Euler, capacitances as they are) until it rests.

    Only the way there is rough; the point of rest is exact.
    """
    x, h = x.copy(), _FIRST_STEP
    stored, _ = assembly.charge(x)
    for rounds in range(1, SETTLING_ROUNDS + 1):
        trial, good = _implicit(assembly, x, stored, h)
        if not good:
            h *= 0.125
            if h < 1e-18:
                break
            continue
        x = trial
        stored, _ = assembly.charge(x)
        h *= 2.0
        if h > _LAST_STEP:
            end = newton(assembly, x)
            return Rest(end.x, end.converged, rounds, end.left)
    return Rest(x, False, rounds, remainder_of(assembly, x))


def _implicit(assembly: Assembly, x: Array, stored: Array, h: float) -> tuple[Array, bool]:
    """One backward Euler step of ``h`` s."""
    trial = x.copy()
    for _ in range(12):
        remainder, jacobian = assembly.balance(trial)
        charge, capacitance = assembly.charge(trial)
        try:
            step = solve(jacobian + capacitance / h, -(remainder + (charge - stored) / h))
        except np.linalg.LinAlgError:
            return x, False
        trial += _share(assembly, trial, step) * step
        if float(np.abs(step[: assembly.nodes]).max(initial=0.0)) <= 1e-9:
            return trial, True
    return x, False
