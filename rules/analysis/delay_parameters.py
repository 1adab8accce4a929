"""What can move a delay."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from rules.analysis.corners.parameters import Parameter, least_gain, parameters
from rules.analysis.delays import Delay
from rules.analysis.network import build_network
from rules.analysis.states import collector_currents, linear_state

if TYPE_CHECKING:
    from rules.analysis.study import Study


def delay_parameters(study: Study, delay: Delay) -> tuple[Parameter, ...]:
    """What can move a delay; least gains of published types as promised at the currents of this delay."""
    kept = study.resolved.networks.get(("delay parameters", delay))
    if not isinstance(kept, tuple):
        kept = study.resolved.networks["delay parameters", delay] = _parameters(study, delay)
    return kept


def _parameters(study: Study, delay: Delay) -> tuple[Parameter, ...]:
    network = delay.timed.state.mode.network
    own = delay.timed.capacitor
    carried = _carried(study, delay)
    found = []
    for p in parameters(study.resolved, delay.timed.state):
        if p.kind == "inductance" or (p.kind == "capacitance" and p.part != own):
            continue
        if (p.kind == "supply" and p.part in network.loop_parts) or (
            p.kind == "resistance" and p.part in network.held
        ):
            continue
        if p.floating and carried.get(p.part, 0.0) > 0.0:
            p = replace(p, low=min(least_gain(study.resolved, p.part, carried[p.part]), p.nominal))
        found.append(p)
    return tuple(found)


def _carried(study: Study, delay: Delay) -> dict[str, float]:
    """The largest collector current (A) of each transistor in the timed state and just after it."""
    timed = delay.timed
    mode = timed.state.mode
    states = [phase.start_state for phase in timed.after[:1]]
    for segment in delay.segments:
        held = {**mode.network.held, timed.capacitor: segment.end}
        network = build_network(study.resolved, timed.configuration, held)
        try:
            states.append(linear_state(network, mode.betas, tuple(sorted(segment.support))))
        except np.linalg.LinAlgError:
            continue
    found: dict[str, float] = {}
    for state in states:
        currents = collector_currents(state.mode.network, state.mode.betas, state.mode.solution)
        for name, current in currents.items():
            found[name] = max(found.get(name, 0.0), abs(current))
    return found
