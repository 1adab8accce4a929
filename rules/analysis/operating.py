"""Where one transistor works in one state, as magnitudes: NPN and PNP then read the same."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.states import State

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study


@dataclass(frozen=True, slots=True)
class Point:
    """Operating point: V and A, positive in the normal direction of the transistor; ``beta`` of the state."""

    region: str
    vbe: float
    vce: float
    base: float
    collector: float
    beta: float

    @property
    def conducts(self) -> bool:
        return self.region != "off"


def sign_of(state: State, transistor: str) -> float:
    """+1 for an NPN, -1 for a PNP transistor."""
    return -1.0 if state.mode.network.resolved.circuit.parts[transistor].kind == "pnp" else 1.0


def operating_point(state: State, transistor: str) -> Point | None:
    """The operating point, or ``None`` where the circuit does not determine it."""
    pins = state.mode.network.resolved.circuit.parts[transistor].pins
    at = [state.nets[pins[pin]] for pin in ("collector", "base", "emitter")]
    into = [state.currents[transistor][pin] for pin in ("base", "collector")]
    # plain arithmetic: a state at many corners at once has arrays here
    collector, base, emitter, i_base, i_collector = (*at, *into)
    if collector is None or base is None or emitter is None or i_base is None or i_collector is None:
        return None
    sign = sign_of(state, transistor)
    return Point(
        state.devices[transistor],
        sign * (base - emitter),
        sign * (collector - emitter),
        sign * i_base,
        sign * i_collector,
        state.mode.betas[transistor],
    )


def supposed(
    study: Study,
    state: State,
    values: Mapping[tuple[str, str], float] | None = None,
    betas: Mapping[str, float] | None = None,
    regions: Mapping[str, str] | None = None,
) -> State | None:
    """:meth:`Study.what_if`, or ``None`` where that mode has no unique solution."""
    try:
        return study.what_if(state, values, betas, regions)
    except np.linalg.LinAlgError:
        return None


def everywhere(study: Study) -> Iterator[Situation]:
    """Every situation at every gain corner, in the study's order."""
    for corner in study.corners:
        yield from study.situations(corner)


def place_of(situation: Situation) -> tuple[str, str]:
    """What stays the same from corner to corner: contact positions, and the capacitor that is waited for."""
    return situation.position, situation.timed.capacitor if situation.timed is not None else ""
