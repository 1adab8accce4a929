"""A base fed from a divider: how far the base current pulls the tap down.

SI units throughout; voltages of the divider are taken across it, from the
supply end (top resistor) to the other end (bottom resistor).  Every function
raises ValueError outside the domain it states.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rules.analysis.formulas.domain import finite, not_negative, positive


@dataclass(frozen=True, slots=True)
class Thevenin:
    """An ideal source of ``voltage`` (V) behind ``resistance`` (ohm)."""

    voltage: float
    resistance: float


def parallel(a: float, b: float) -> float:
    """Two resistances side by side, ohm.  Both > 0.  Source: Ohm's law."""
    positive(a=a, b=b)
    # Not a * b / (a + b): that overflows first, and rounds twice.
    return a / (1.0 + a / b)


def thevenin_of_divider(supply: float, top: float, bottom: float) -> Thevenin:
    """What the tap of an unloaded divider looks like: V*R2/(R1+R2) behind R1 parallel R2.

    ``supply`` in V (any sign), ``top`` and ``bottom`` in ohm, > 0.  Source:
    Thevenin's theorem.
    """
    finite(supply=supply)
    positive(top=top, bottom=bottom)
    return Thevenin(supply / (1.0 + top / bottom), parallel(top, bottom))


def divider_current(supply: float, top: float, bottom: float) -> float:
    """Current of the unloaded divider in A: V/(R1+R2).  Domain as :func:`thevenin_of_divider`."""
    finite(supply=supply)
    positive(top=top, bottom=bottom)
    return supply / (top + bottom)


def base_current(
    source: Thevenin, beta: float, emitter_resistance: float, vbe: float, emitter_reference: float = 0.0
) -> float:
    """Base current in A of an active transistor with an emitter resistor.

    (V_th - V_BE - V_ref) / (R_th + (beta + 1)*R_E); zero where the source does
    not reach V_BE + V_ref, because the junction then blocks.  ``beta`` >= 0,
    ``emitter_resistance`` >= 0 ohm, together with R_th > 0.  Source: KVL around
    the base loop (any text, e.g. Floyd, *Electronic Devices*, ch. 5).
    """
    not_negative(beta=beta, emitter_resistance=emitter_resistance, source_resistance=source.resistance)
    finite(source_voltage=source.voltage, vbe=vbe, emitter_reference=emitter_reference)
    seen = source.resistance + (beta + 1.0) * emitter_resistance
    positive(resistance_of_the_base_loop=seen)
    return max(0.0, source.voltage - vbe - emitter_reference) / seen


def stiffness(supply: float, top: float, bottom: float, base: float) -> float:
    """Ratio k of the unloaded divider current to the base current (A, > 0); 10 or more counts as stiff.

    Source: Bell, *Electronic Devices and Circuits*, ex. 5.13-5.15 uses a tenth;
    beta*R_E >= 10*R2 (Floyd, ex. 5.3-5.5) is the same rule read at the base.
    """
    positive(base=base)
    return divider_current(supply, top, bottom) / base


def tap_shift(base: float, source_resistance: float) -> float:
    """How far a base current pulls the tap down, V: I_B times R1 parallel R2.

    The hand formula; exact as long as the divider's ends stand still.  Both
    >= 0.  Source: Thevenin's theorem.
    """
    not_negative(base=base, source_resistance=source_resistance)
    return base * source_resistance


def droop(supply: float, top: float, bottom: float, base: float) -> float:
    """The tap's shift as a fraction of its unloaded voltage: (I_B/I_div) * R1/(R1+R2).

    So k >= 10 keeps it within a tenth of R1/(R1+R2): about 5 % at half supply.
    ``supply`` not 0.  Source: algebra on I_B*R_th/V_th, proven in the tests.
    """
    not_negative(base=base)
    if supply == 0.0:
        raise ValueError("supply must not be zero: a fraction of 0 V means nothing")
    return base / divider_current(supply, top, bottom) / (1.0 + bottom / top)


def stiffening_factor(
    beta_min: float, emitter_resistance: float, source_resistance: float, ratio: float = 10.0
) -> float:
    """Factor on both divider resistors after which (beta + 1)*R_E is ``ratio`` times R1 parallel R2.

    Below 1 the divider has to become smaller.  All > 0.  Source: the 10:1
    rule, e.g. E84 (Harvey Mudd College) home work 12: beta*R_E >= 10*(R1 parallel R2).
    """
    positive(
        beta_min=beta_min,
        emitter_resistance=emitter_resistance,
        source_resistance=source_resistance,
        ratio=ratio,
    )
    return (beta_min + 1.0) * emitter_resistance / (ratio * source_resistance)


def bottom_resistor(supply: float, tap: float, top: float, base: float) -> float:
    """The bottom resistor in ohm that puts the *loaded* tap at ``tap`` V: V_B / ((V - V_B)/R1 - I_B).

    Domain: 0 < tap < supply, top > 0, base >= 0, and the top resistor has to
    bring more than the base takes.  Source: KCL at the tap.
    """
    positive(tap=tap, top=top, supply=supply)
    not_negative(base=base)
    left = (supply - tap) / top - base
    if left <= 0.0:
        raise ValueError(
            f"the top resistor brings {(supply - tap) / top!r} A to the tap, the base takes {base!r} A"
        )
    return tap / left


def collector_resistor_at_most(
    supply_min: float, emitter_max: float, collector_current_max: float, headroom: float, swing: float = 0.0
) -> float:
    """The largest collector resistor in ohm that leaves ``headroom`` V above the emitter at full swing.

    (V_S - V_E - headroom - swing) / I_C at the corner with least supply and
    most current.  Domain: current > 0, headroom and swing >= 0, something left
    over.  Source: KVL through the collector.
    """
    positive(collector_current_max=collector_current_max)
    not_negative(headroom=headroom, swing=swing)
    left = supply_min - emitter_max - headroom - swing
    if not left > 0.0:
        raise ValueError(f"no voltage is left for a collector resistor: {left!r} V")
    return left / collector_current_max


def thevenin_of_arms(arms: Sequence[tuple[float, float]]) -> Thevenin:
    """What any number of resistors to fixed potentials look like at their common tap.

    ``arms`` are (potential in V, resistance in ohm > 0), at least one.  Source:
    Millman's theorem, sum(V/R) / sum(1/R) behind all resistances in parallel.
    """
    if not arms:
        raise ValueError("a tap needs at least one arm")
    for potential, resistance in arms:
        finite(potential=potential)
        positive(resistance=resistance)
    conductance = math.fsum(1.0 / resistance for _, resistance in arms)
    lifted = math.fsum(potential / resistance for potential, resistance in arms)
    return Thevenin(lifted / conductance, 1.0 / conductance)


def through_current(arms: Sequence[tuple[float, float]]) -> float:
    """Current in A through the unloaded tap of ``arms``: what those above it bring, the others take.

    For two arms it is V/(R1+R2).  Domain as :func:`thevenin_of_arms`.  Source: KCL at the tap.
    """
    tap = thevenin_of_arms(arms).voltage
    return math.fsum((potential - tap) / resistance for potential, resistance in arms if potential > tap)
