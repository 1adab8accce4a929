"""Event-exact timelines against stiff integration over the same span of time.

Three integrations: the hand model with steep smooth junctions by the linearly implicit method of
`tests/stiff.py`; the same equations by `scipy.integrate.solve_ivp` (Radau, with the exact Jacobian and
junctions 3000 times less steep, which it needs to get through); the junction model.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rules.analysis.junction.courses import junction_course
from rules.analysis.study import Study
from rules.analysis.timeline.timelines import again
from tests.builders import solve
from tests.random_timed import Timed, initial_nets, timed
from tests.stiff import integrate, positions_at_rest
from tests.stiff_equations import Equations, Fineness
from tests.timers import garden_light

Array = NDArray[np.float64]
ROUGH = Fineness(width=1e-4, resistance=1e-2, contact=1e-2, share=1e-5)


def cases() -> list[tuple[str, Timed]]:
    light = garden_light()
    return [
        ("garden path light", Timed(light.name, light, "press", "rest", 110.0)),
        ("cross-coupled flasher", timed("astable", 4)),
        ("complementary flasher", timed("flasher", 2)),
        ("relay after a delay", timed("relay", 1)),
    ]


def works(case: Timed) -> dict[str, Callable[[], object]]:
    """What is timed: fresh timeline, timeline on a study that has its modes, and the integrations."""
    first = Study(case.circuit)
    found = first.timeline(case.stimulus, start=case.start)
    end = 1.05 * found.span if found.verdict == "settles" else found.span
    start = {} if case.start == "power-up" else initial_nets(solve(case.circuit).stable[0].nets, case.circuit)
    cold = case.start == "power-up"
    return {
        "timeline": lambda: Study(case.circuit).timeline(case.stimulus, start=case.start),
        "once more": lambda: again(first, found, 0.0),
        "stiff": lambda: integrate(case.circuit, case.actions, start, scale=case.scale, cold=cold, end=end),
        "Radau": lambda: radau(case, start, end),
        "junction": lambda: junction_course(first, case.stimulus, start=case.start, until=end),
    }


def radau(case: Timed, start: dict[str, float], end: float) -> Array:
    """Voltages at ``end`` s by a general stiff solver; raises ``ArithmeticError`` when it gives up."""
    from scipy.integrate import solve_ivp

    system = Equations(case.circuit, ROUGH)
    size = system.size - 1
    inverse = np.linalg.inv(system.mass[:size, :size])
    sense, inject = system.sense[:, :size], system.inject[:size]
    y = np.zeros(size)
    y[: len(system.nets)] = [start.get(net, 0.0) for net in system.nets]
    positions = positions_at_rest(case.circuit)
    moments = sorted({0.0, *(action.at for action in case.actions)})
    for moment, until in zip(moments, [*moments[1:], end], strict=True):
        positions.update({action.part: action.to for action in case.actions if action.at == moment})
        matrix, constant = system.linear(positions)
        matrix, constant = matrix[:size, :size], constant[:size]

        def force(_: float, y: Array, matrix: Array = matrix, constant: Array = constant) -> Array:
            slack = (sense @ y - system.drops) / ROUGH.width
            current = ROUGH.width * system.slopes * np.logaddexp(0.0, slack)
            return np.asarray(inverse @ (constant - matrix @ y - inject @ current))

        def jacobian(_: float, y: Array, matrix: Array = matrix) -> Array:
            slack = np.clip((sense @ y - system.drops) / ROUGH.width, -500.0, 500.0)
            return np.asarray(
                -inverse @ (matrix + inject @ ((system.slopes / (1.0 + np.exp(-slack)))[:, None] * sense))
            )

        answer = solve_ivp(force, (moment, until), y, method="Radau", jac=jacobian, rtol=1e-6, atol=1e-7)
        if not answer.success:
            raise ArithmeticError(answer.message)
        y = answer.y[:, -1]
    return y
