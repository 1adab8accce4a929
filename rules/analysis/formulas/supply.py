"""Charge and supply: relay coils in the heat, sagging batteries, stored charge, edges that set a latch.

SI units, voltages and currents as magnitudes.  Every function raises
ValueError outside the domain it states.
"""

from __future__ import annotations

from rules.analysis.formulas.domain import finite, not_negative, positive

COPPER_ZERO = 38.65  # K; at -234.5 degC the straight line of copper's resistance meets zero
COLD = 293.15  # K, 20 degC, at which coils are rated
FROST = 263.15  # K, -10 degC


def copper_factor(temperature: float, zero: float = COPPER_ZERO, cold: float = COLD) -> float:
    """Resistance of a copper winding over that at 20 degC: (234.5 + T)/254.5, T in degC.

    ``temperature`` in K, 173.15 to 523.15; ``zero`` and ``cold`` in K.  Source: copper law of relay makers'
    application notes.
    """
    finite(temperature=temperature)
    if not 173.15 <= temperature <= 523.15:
        raise ValueError(f"temperature must lie within 173.15 K and 523.15 K, got {temperature!r}")
    return (temperature - zero) / (cold - zero)


def pick_up_at(pick_up: float, temperature: float, zero: float = COPPER_ZERO, cold: float = COLD) -> float:
    """Pick-up voltage in V of a relay at ``temperature`` K from that at 20 degC: it pulls by its current.

    ``pick_up`` > 0 V.  Source: Ohm's law with :func:`copper_factor`.
    """
    positive(pick_up=pick_up)
    return pick_up * copper_factor(temperature, zero, cold)


def rail_under_load(open_voltage: float, internal: float, current: float) -> float:
    """What a battery has left in V: E - r*I.  ``internal`` >= 0 ohm, ``current`` >= 0 A.  Kirchhoff."""
    finite(open_voltage=open_voltage)
    not_negative(internal=internal, current=current)
    return open_voltage - internal * current


def cold_factor(temperature: float, at_frost: float, cold: float = COLD, frost: float = FROST) -> float:
    """Internal resistance of a battery over that at 20 degC: along a line to ``at_frost`` at -10 degC.

    Never below 1; ``temperature``, ``cold`` and ``frost`` in K, ``at_frost`` >= 1.  Source: common practice.
    """
    positive(temperature=temperature)
    not_negative(more=at_frost - 1.0)
    return max(1.0, 1.0 + (at_frost - 1.0) * (cold - temperature) / (cold - frost))


def standby_life(capacity: float, share: float, current: float) -> float:
    """How long in s a battery of ``capacity`` C lasts: share*Q/I.  All > 0.  Definition of charge."""
    positive(capacity=capacity, share=share, current=current)
    return share * capacity / current


def peak_current(stored: float, drop: float, resistance: float) -> float:
    """What a capacitor at ``stored`` V sends at once through its own loop, A: (V_C - V_j)/R.

    Zero where it does not reach the fixed drops ``drop`` (V, >= 0) in the loop.  ``resistance`` > 0 ohm is
    all there is in the loop, the series resistance of the capacitor included.  Source: Ohm's law.
    """
    not_negative(stored=stored, drop=drop)
    positive(resistance=resistance)
    return max(0.0, stored - drop) / resistance


def loop_resistance_at_least(stored: float, drop: float, current: float) -> float:
    """The least resistance in ohm of a loop that keeps the peak at ``current`` A; round it *up*.

    (V_C - V_j)/I; ``stored`` V above ``drop`` V >= 0, ``current`` > 0.  Source: Ohm's law.
    """
    positive(stored=stored, current=current)
    not_negative(drop=drop)
    positive(left=stored - drop)
    return (stored - drop) / current


def internal_at_most(share: float, load: float, factor: float) -> float:
    """The largest internal resistance in ohm of a new battery that leaves ``share`` of its voltage.

    (1 - k)/k*R_L/f with R_L ``load`` ohm and f the growth by age and cold; 0 < ``share`` < 1, the others
    > 0.  Source: voltage divider of R_L and f*r.
    """
    positive(share=share, load=load, factor=factor, left=1.0 - share)
    return (1.0 - share) / share * load / factor


def bulk_at_least(step: float, lasts: float, allowed: float) -> float:
    """The least capacitance in F that feeds ``step`` A for ``lasts`` s and falls by ``allowed`` V.

    I*t/V; all > 0.  Source: Q = C*V, Q = I*t.
    """
    positive(step=step, lasts=lasts, allowed=allowed)
    return step * lasts / allowed


def critical_slope(off_voltage: float, resistance: float, collector_base: float) -> float:
    """The slope in V/s of a rail above which it sets a latch: V_BE,off / (R_B*2*C_CB).

    ``off_voltage`` (V) is surely off, ``resistance`` (ohm) all that holds the base, ``collector_base`` (F)
    the capacitance of one transistor; twice, for the other of the pair pushes as much.  All > 0.  Source:
    I = C*dV/dt and Ohm's law; the factor of two from a comparison with exponential junctions.
    """
    positive(off_voltage=off_voltage, resistance=resistance, collector_base=collector_base)
    return off_voltage / (resistance * 2.0 * collector_base)


def filter_at_least(step: float, collector_base: float, off_voltage: float, share: float = 0.5) -> float:
    """The least filter in F at a base: a step of ``step`` V leaves ``share`` of V_BE,off there.

    step*2*C_CB / (share*V_BE,off): the capacitive divider, for a filter much larger than C_CB.  All > 0.
    """
    positive(step=step, collector_base=collector_base, off_voltage=off_voltage, share=share)
    return step * 2.0 * collector_base / (share * off_voltage)


def step_at_base(step: float, collector_base: float, filtered: float) -> float:
    """What a step of ``step`` V on a rail leaves at a base with ``filtered`` F to its emitter, V.

    step*2*C_CB/C_f; ``step`` >= 0, the others > 0.  Source: capacitive divider, C_f much larger than C_CB.
    """
    not_negative(step=step)
    positive(collector_base=collector_base, filtered=filtered)
    return step * 2.0 * collector_base / filtered
