"""A transistor used as a switch: does the drive saturate it at the least gain?

SI units; currents and voltages as magnitudes, so that NPN and PNP read the
same.  Every function raises ValueError outside the domain it states.
"""

from __future__ import annotations

import math

from rules.analysis.formulas.domain import finite, not_negative, positive

ROOM = 298.15  # K
THERMAL_VOLTAGE = 0.025852  # V at 300 K, kT/q


def overdrive_factor(beta_min: float, base: float, collector: float) -> float:
    """beta_min*I_B / I_C: 1 just saturates, 3 surely does.

    ``beta_min`` > 0, ``base`` >= 0 A, ``collector`` > 0 A.  Source: common
    practice; Venkata Rao, *Pulse and Digital Circuits*, ch. 9, takes 1.5.
    """
    positive(beta_min=beta_min, collector=collector)
    not_negative(base=base)
    return beta_min * base / collector


def forced_beta(collector: float, base: float) -> float:
    """I_C / I_B of a switch that is on; 10 is the convention of the data sheets for hard saturation.

    ``collector`` >= 0 A, ``base`` > 0 A.  Source: conditions of V_CE(sat) in
    the 2N3904, 2N2222A and 2N2907A sheets (10), BC547 and BC557 (20).
    """
    positive(base=base)
    not_negative(collector=collector)
    return collector / base


def beta_temperature_factor(temperature: float) -> float:
    """Factor on the 25 degC gain at ``temperature`` K: 1 + 0.005*(T - 25 degC).

    Domain: 218.15 K to 423.15 K, where the factor stays above a half.  Source:
    common practice, no source.
    """
    if not 218.15 <= temperature <= 423.15:
        raise ValueError(f"temperature must lie within 218.15 K and 423.15 K, got {temperature!r}")
    return 1.0 + 0.005 * (temperature - ROOM)


def saturated_collector_current(supply: float, vce_sat: float, load: float) -> float:
    """What a saturated switch passes, A: (V_S - V_CE,sat) / R_L.

    Zero where the supply does not reach V_CE,sat.  ``load`` > 0 ohm.  Source: Ohm's law.
    """
    positive(load=load)
    finite(supply=supply, vce_sat=vce_sat)
    return max(0.0, supply - vce_sat) / load


def base_current_of_drive(
    drive: float, base_resistor: float, vbe: float, drops: float = 0.0, bleed: float | None = None
) -> float:
    """Base current in A that a driving voltage sends through R_B, less what a bleed resistor takes.

    (V_drive - V_BE - drops)/R_B - V_BE/R_BE, never below zero.  ``drops`` is
    every fixed drop in series (V, >= 0); ``bleed`` is R_BE in ohm, ``None``
    without one.  Source: Ohm's law and KCL at the base.
    """
    positive(base_resistor=base_resistor, vbe=vbe)
    finite(drive=drive)
    not_negative(drops=drops)
    return max(0.0, (drive - vbe - drops) / base_resistor - _bled(vbe, bleed))


def base_resistor_at_most(
    drive: float,
    vbe: float,
    collector: float,
    beta_min: float,
    overdrive: float,
    drops: float = 0.0,
    bleed: float | None = None,
) -> float:
    """The largest R_B in ohm with which beta_min*I_B is ``overdrive`` times I_C; round it *down*.

    (V_drive - V_BE - drops) / (overdrive*I_C/beta_min + V_BE/R_BE).  Domain:
    everything > 0 but ``drops`` >= 0, and the drive has to exceed V_BE plus the
    drops.  Source: Ohm's law and KCL at the base.
    """
    positive(drive=drive, vbe=vbe, collector=collector, beta_min=beta_min, overdrive=overdrive)
    not_negative(drops=drops)
    left = drive - vbe - drops
    if left <= 0.0:
        raise ValueError(
            f"a drive of {drive!r} V does not reach V_BE and the drops in series ({vbe + drops!r} V)"
        )
    return left / (overdrive * collector / beta_min + _bled(vbe, bleed))


def _bled(vbe: float, bleed: float | None) -> float:
    if bleed is None:
        return 0.0
    positive(bleed=bleed)
    return vbe / bleed


def ideal_saturation_voltage(
    forced: float, beta: float, reverse_beta: float, thermal_voltage: float = THERMAL_VOLTAGE
) -> float:
    """V_CE,sat in V of the junctions alone: V_T*ln((1/alpha_R + f/beta_R) / (1 - f/beta_F)).

    ``forced`` is I_C/I_B from 0 up to, not including, ``beta``; alpha_R is
    beta_R/(beta_R + 1).  Bulk resistance comes on top, which is why hand work
    takes 0.2 V.  Source: Ebers-Moll model, any text on semiconductors.
    """
    positive(beta=beta, reverse_beta=reverse_beta, thermal_voltage=thermal_voltage)
    not_negative(forced=forced)
    if forced >= beta:
        raise ValueError(f"a forced gain of {forced!r} does not saturate a transistor of gain {beta!r}")
    top = (reverse_beta + 1.0) / reverse_beta + forced / reverse_beta
    return thermal_voltage * math.log(top / (1.0 - forced / beta))
