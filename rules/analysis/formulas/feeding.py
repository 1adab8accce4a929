"""What a resistor lets through to an LED, a zener, a base: the voltage that is left over, divided by it.

SI units; voltages and currents as magnitudes.  Every function raises ValueError
outside the domain it states.
"""

from __future__ import annotations

import math

from rules.analysis.formulas.domain import finite, not_negative, positive


def left_over(supply: float, drops: float) -> float:
    """V_S less the sum of all fixed drops in series, V: what is left for resistors; negative when nothing is.

    Both >= 0 V.  Source: Kirchhoff's voltage law.
    """
    not_negative(supply=supply, drops=drops)
    return supply - drops


def series_current(supply: float, drop: float, resistor: float) -> float:
    """(V_S - V_drop) / R in A, zero where the supply does not reach the drop.

    ``supply`` and ``drop`` >= 0 V, ``resistor`` > 0 ohm.  Source: Ohm's law
    (Malvino, *Electronic Principles*, ex. 5-12 and 5-13).
    """
    not_negative(supply=supply, drop=drop)
    positive(resistor=resistor)
    return max(0.0, supply - drop) / resistor


def series_resistor_at_least(supply_max: float, drop_min: float, current: float) -> float:
    """The least resistor in ohm that keeps the current at ``current`` A or less; round it *up*.

    (V_S,max - V_drop,min) / I.  Domain: current > 0, drop >= 0, the supply above the drop.
    Source: Ohm's law.
    """
    not_negative(drop_min=drop_min)
    positive(supply_max=supply_max, current=current, voltage_left=supply_max - drop_min)
    return (supply_max - drop_min) / current


def zener_current(supply: float, zener: float, resistor: float, load: float) -> float:
    """What a load leaves over for the zener, A: (V_S - V_Z)/R - I_load; negative when it starves.

    All >= 0, ``resistor`` > 0 ohm.  Source: KCL (Malvino, ex. 5-1 and 5-3).
    """
    not_negative(supply=supply, zener=zener, load=load)
    positive(resistor=resistor)
    return (supply - zener) / resistor - load


def zener_resistor_at_most(supply_min: float, zener: float, least: float, load_max: float) -> float:
    """The largest feed resistor in ohm that still leaves ``least`` A to the zener; round it *down*.

    (V_S,min - V_Z) / (I_Z,min + I_load,max).  Domain: the supply above V_Z, one of the
    currents above zero.  Source: Malvino, ex. 5-10 and 5-11.
    """
    not_negative(zener=zener, least=least, load_max=load_max)
    positive(supply_min=supply_min, voltage_left=supply_min - zener, current=least + load_max)
    return (supply_min - zener) / (least + load_max)


def power_allowed(rated: float, junction: float, thermal: float, temperature: float) -> float:
    """Dissipation in W that a part stands at ``temperature`` K: the rating, or (T_J - T)/Theta where less.

    ``rated`` > 0 W, ``junction`` and ``temperature`` > 0 K, ``thermal`` > 0 K/W; zero above the junction
    limit.  Source: Floyd, *Electronic Devices*, ex. 3.4 (400 mW, 3.2 mW/K above 50 degC).
    """
    positive(rated=rated, junction=junction, thermal=thermal, temperature=temperature)
    return min(rated, max(0.0, junction - temperature) / thermal)


def off_drive(rail: float, level: float, feed: float, bleed: float) -> float:
    """Base-emitter voltage in V that a driver's level leaves at a transistor that is meant to be off.

    (V_E - V_level) * R_BE / (R_B + R_BE) for a PNP transistor with its emitter at ``rail`` V; swap the first
    two for an NPN.  ``bleed`` > 0 ohm (infinite without one), ``feed`` >= 0 ohm.  Source: the divider rule.
    """
    finite(rail=rail, level=level)
    not_negative(feed=feed)
    if math.isinf(bleed) and bleed > 0.0:
        return rail - level
    positive(bleed=bleed)
    return (rail - level) / (1.0 + feed / bleed)


def base_current_peak(step: float, vbe: float, resistance: float) -> float:
    """First current in A into a base that a charged capacitor or a stiff node drives: (V - V_BE)/R.

    ``step`` and ``vbe`` >= 0 V, ``resistance`` >= 0 ohm; infinite where nothing is in the way.
    Source: Ohm's law.
    """
    not_negative(step=step, vbe=vbe, resistance=resistance)
    over = max(0.0, step - vbe)
    if over == 0.0:
        return 0.0
    return over / resistance if resistance > 0.0 else math.inf


def leakage_drop(resistance: float, icbo: float, pick_up: float = 0.0) -> float:
    """Voltage in V that leakage and stray current raise at a base that is off: R_BE*(I_CBO + I_stray).

    All >= 0.  Source: Ohm's law.
    """
    not_negative(resistance=resistance, icbo=icbo, pick_up=pick_up)
    return resistance * (icbo + pick_up)
