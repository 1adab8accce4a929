"""Circuits of growing size for the measurements."""

from __future__ import annotations

from pathlib import Path

from schemas.circuit import Circuit
from tests.builders import circuit, npn, pnp, resistor, supply

EXAMPLES = Path(__file__).resolve().parents[2] / "clients" / "examples"


def latch() -> Circuit:
    """The PNP/NPN latch: four junctions, three states."""
    return circuit(
        supply("V1", "vp", "gnd", 12.0),
        pnp("Q2", collector="out", base="b2", emitter="vp", beta=150.0),
        resistor("RB2", "vp", "b2", 4.7e3),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", collector="c1", base="b1", emitter="gnd", beta=200.0),
        resistor("R3", "out", "b1", 47e3),
        resistor("RB1", "b1", "gnd", 10e3),
        resistor("RL", "out", "gnd", 1e3),
    )


def chain(stages: int, source_resistance: float = 2.0) -> Circuit:
    """Common-emitter stages, each driving the next, on one battery with internal resistance."""
    parts = [
        supply("V1", "rail", "gnd", 5.0, resistance=source_resistance),
        resistor("RB00", "rail", "b00", 10e3),
    ]
    for k in range(stages):
        parts.append(npn(f"Q{k:02d}", collector=f"c{k:02d}", base=f"b{k:02d}", emitter="gnd", beta=100.0))
        parts.append(resistor(f"RC{k:02d}", "rail", f"c{k:02d}", 1e3))
        if k + 1 < stages:
            parts.append(resistor(f"RB{k + 1:02d}", f"c{k:02d}", f"b{k + 1:02d}", 10e3))
    return circuit(*parts)


def latches(count: int, source_resistance: float = 2.0) -> Circuit:
    """Latches on one battery: 3**count states."""
    parts = [supply("V1", "rail", "gnd", 12.0, resistance=source_resistance)]
    for k in range(count):
        parts += [
            pnp(f"QP{k}", collector=f"out{k}", base=f"p{k}", emitter="rail", beta=150.0),
            resistor(f"RP{k}", "rail", f"p{k}", 4.7e3),
            resistor(f"RC{k}", f"p{k}", f"c{k}", 4.7e3),
            npn(f"QN{k}", collector=f"c{k}", base=f"n{k}", emitter="gnd", beta=200.0),
            resistor(f"RF{k}", f"out{k}", f"n{k}", 47e3),
            resistor(f"RB{k}", f"n{k}", "gnd", 10e3),
            resistor(f"RL{k}", f"out{k}", "gnd", 1e3),
        ]
    return circuit(*parts)
