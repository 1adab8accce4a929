"""Bases that nothing holds: a lamp switch without a bleed, and half of a latch."""

from __future__ import annotations

from schemas.circuit import Beta, Circuit, Part
from tests.builders import circuit, contact, npn, pnp, resistor, supply


def lamp_switch(*more: Part, collector: float = 1e3, **values: float) -> Circuit:
    """S1 feeds a base through R1; while it is open nothing is on that base but ``more``."""
    return circuit(
        supply("V1", "rail", "gnd", 9.0),
        contact("S1", "rail", "feed"),
        resistor("R1", "feed", "b", 22e3),
        resistor("RC", "rail", "c", collector),
        npn("Q1", collector="c", base="b", emitter="gnd", beta=Beta(100, 200, 400), **values),
        *more,
    )


def half_latch() -> Circuit:
    """A latch without a bleed on its upper half: nothing settles b2 while it is off, however little leaks."""
    return circuit(
        supply("V1", "vp", "gnd", 12.0),
        pnp("Q2", collector="out", base="b2", emitter="vp", beta=150.0, icbo=1e-12),
        resistor("R2", "b2", "c1", 4.7e3),
        npn("Q1", collector="c1", base="b1", emitter="gnd", beta=200.0, icbo=1e-12),
        resistor("R3", "out", "b1", 47e3),
        resistor("RL", "out", "gnd", 1e3),
    )
