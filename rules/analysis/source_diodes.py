"""A diode in the plus lead of a source, so that current only leaves it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting, new_net, new_part
from schemas.finding import Proposal
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.study import Study

SIGNAL_DIODE = 0.1  # A, up to which a 1N4148 is proposed (I_F 150 mA average, Panjit)
RECTIFIER = 0.7  # A, up to which a 1N4001 is (1 A average at 75 degC, Diodes Inc)


def delivers(study: Study, source: str) -> float:
    """The largest current (A) out of the plus pin of a source in any stable state, 0 where it gives none."""
    return max(
        (
            -amps
            for corner in study.corners
            for found in study.state_sets(corner)
            for state in found.stable
            if (amps := state.currents[source]["plus"]) is not None
        ),
        default=0.0,
    )


def series_diode(study: Study, source: str, purpose: str) -> Proposal:
    """The diode, with its plus pin moved to a net of its own; ``purpose`` ends the summary."""
    circuit = study.circuit
    rail = circuit.parts[source].pins["plus"]
    inner = new_net(circuit, rail)
    amps = delivers(study, source)
    kind = "1N4148" if amps <= SIGNAL_DIODE else "1N4001" if amps <= RECTIFIER else ""
    ends = {"anode": inner, "cathode": rail}
    if study.value(source, "voltage") < 0.0:
        ends = {"anode": rail, "cathode": inner}
    diode = new_part(circuit, "D", "diode", ends, type=kind)
    drop = study.resolved.assumptions["diode_forward"]
    named = f"{kind} " if kind else ""
    summary = (
        f"{named}{diode.name} in series with the plus pin of {source}: {purpose}, and costs"
        f" {format_quantity(drop, 'V', 3)} of the supply"
    )
    return Proposal(summary, Fitting((diode,), ((source, "plus", inner),)).changes(circuit))
