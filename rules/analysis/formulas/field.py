"""Wires that leave the box, contacts, meters, sources that can give too much, and what a window leaves.

SI units, voltages and currents as magnitudes.  Every function raises
ValueError outside the domain it states.
"""

from __future__ import annotations

import math

from rules.analysis.formulas.domain import not_negative, positive

COPPER = 1.724e-8
"""Resistivity of annealed copper at 20 degC in ohm m (IEC 60028; from memory)."""


def short_circuit_current(voltage: float, internal: float) -> float:
    """What a source gives into a dead short, A: E/r.  ``voltage`` >= 0 V, ``internal`` > 0 ohm.  Ohm."""
    not_negative(voltage=voltage)
    positive(internal=internal)
    return voltage / internal


def matched_power(voltage: float, internal: float) -> float:
    """The most power that a source can give to anything, W: E^2/(4*r), into a load equal to r.

    ``voltage`` >= 0 V, ``internal`` > 0 ohm.  Source: maximum power transfer theorem.
    """
    not_negative(voltage=voltage)
    positive(internal=internal)
    return voltage * voltage / (4.0 * internal)


def pull_at_most(voltage: float, current: float) -> float:
    """The largest resistor in ohm that still sends ``current`` A through a closed contact: V/I; round *down*.

    Both > 0.  Source: Ohm's law.
    """
    positive(voltage=voltage, current=current)
    return voltage / current


def loop_of_wire(length: float, area: float, resistivity: float = COPPER) -> float:
    """Resistance in ohm there and back of a wire of ``length`` m: 2*rho*l/A.  All > 0, m, m2, ohm m."""
    positive(length=length, area=area, resistivity=resistivity)
    return 2.0 * resistivity * length / area


def mains_pick_up(capacitance: float, voltage: float, frequency: float) -> float:
    """Current in A (r.m.s.) that the mains sends into a wire over stray capacitance: 2*pi*f*C*U.

    ``capacitance`` F, ``voltage`` V (r.m.s.), ``frequency`` Hz, all > 0; the wire itself near 0 V.
    Source: I = C*dV/dt of a sine.
    """
    positive(capacitance=capacitance, voltage=voltage, frequency=frequency)
    return 2.0 * math.pi * frequency * capacitance * voltage


def node_against_hum(off_voltage: float, share: float, current: float) -> float:
    """The largest resistance in ohm across which ``current`` A leaves ``share`` of V_BE,off: s*V/I.

    All > 0.  Source: Ohm's law.
    """
    positive(off_voltage=off_voltage, share=share, current=current)
    return share * off_voltage / current


def filter_for(corner: float, resistance: float) -> float:
    """The least capacitance in F for a corner at ``corner`` Hz with ``resistance`` ohm: 1/(2*pi*f*R).

    Both > 0; round *up*.
    """
    positive(corner=corner, resistance=resistance)
    return 1.0 / (2.0 * math.pi * corner * resistance)


def shunt_against_hum(current: float, frequency: float, voltage: float) -> float:
    """The least capacitance in F across which a sine of ``current`` A leaves ``voltage`` V: I/(2*pi*f*V).

    All > 0, r.m.s.; what lies beside the capacitor only helps.  Round *up*.  Source: reactance.
    """
    positive(current=current, frequency=frequency, voltage=voltage)
    return current / (2.0 * math.pi * frequency * voltage)


def reading_share(meter: float, node: float) -> float:
    """What a meter of ``meter`` ohm still reads of a node of ``node`` ohm, 1: R_m/(R_m + R_n).

    ``meter`` > 0, ``node`` >= 0.  Source: voltage divider.
    """
    positive(meter=meter)
    not_negative(node=node)
    return meter / (meter + node)


def node_at_most(meter: float, share: float) -> float:
    """The largest node resistance in ohm that leaves ``share`` (0 to 1) of a reading: R_m*(1/s - 1)."""
    positive(meter=meter, share=share)
    not_negative(room=1.0 - share)
    return meter * (1.0 / share - 1.0)


def tolerance_left(room: float, taken: float) -> float:
    """The tolerance that is left to R when t = k*R*C may rise by ``room`` and C takes ``taken``.

    (1 + room)/(1 + taken) - 1; below zero when C alone takes more than there is.  Both >= 0.
    """
    not_negative(room=room, taken=taken)
    return (1.0 + room) / (1.0 + taken) - 1.0


def rounding_error(step: float) -> float:
    """How far a value can lie from the nearest member of a series with members ``step`` >= 1 apart, 1.

    sqrt(step) - 1, for a value just between two members, by ratio.  Source: definition of the middle.
    """
    not_negative(room=step - 1.0)
    return math.sqrt(step) - 1.0
