"""A transistor that heats itself: how much of a kelvin comes back as current and heat.

SI units; V_CE and currents as magnitudes.  Every function raises ValueError
outside the domain it states.
"""

from __future__ import annotations

from rules.analysis.formulas.domain import not_negative, positive
from rules.analysis.formulas.drive import THERMAL_VOLTAGE

DROP_PER_KELVIN = 0.002  # V/K; -2 mV/K of V_BE at constant current: NXP BC848 series Rev 07, note 2
LEAKAGE_PER_KELVIN = 0.07  # 1/K; doubling every 10 K is ln(2)/10, as Bell has it (Ex. 5.18)


def stability_factor(beta: float, emitter: float, base: float) -> float:
    """S = dI_C/dI_CBO = (1 + beta)*(R_E + R_B)/(R_B + (1 + beta)*R_E); beta + 1 without any R_E.

    ``beta`` > 0, ``emitter`` and ``base`` >= 0 ohm, the resistances that emitter and base see.
    Source: Kirchhoff's laws with I_C = beta*I_B + (beta + 1)*I_CBO; any textbook on bias.
    """
    positive(beta=beta)
    not_negative(emitter=emitter, base=base)
    if emitter + base == 0.0:
        return 1.0  # the leakage leaves through the feed without touching the junction
    return (1.0 + beta) * (emitter + base) / (base + (1.0 + beta) * emitter)


def drop_gain(
    thermal: float,
    vce: float,
    collector: float,
    emitter: float,
    base: float,
    beta: float,
    thermal_voltage: float = THERMAL_VOLTAGE,
    per_kelvin: float = DROP_PER_KELVIN,
) -> float:
    """K of V_BE alone: Theta*V_CE*0.002/(R_E + R_B/beta + V_T/I_C).

    How many kelvin follow on one kelvin because V_BE falls ``per_kelvin`` V/K.  ``thermal`` K/W, ``vce`` V,
    ``collector`` A, ``beta`` > 0; ``emitter`` and ``base`` >= 0 ohm.
    Source: dP = V_CE*dI_C and Kirchhoff's voltage law around the base loop.
    """
    positive(thermal=thermal, collector=collector, beta=beta, thermal_voltage=thermal_voltage)
    not_negative(vce=vce, emitter=emitter, base=base, per_kelvin=per_kelvin)
    return thermal * vce * per_kelvin / (emitter + base / beta + thermal_voltage / collector)


def leakage_gain(
    thermal: float, vce: float, stability: float, leakage: float, per_kelvin: float = LEAKAGE_PER_KELVIN
) -> float:
    """K of the leakage alone: Theta*V_CE*S*0.07*I_CBO, ``leakage`` (A) at the junction temperature."""
    positive(thermal=thermal, stability=stability)
    not_negative(vce=vce, leakage=leakage, per_kelvin=per_kelvin)
    return thermal * vce * stability * per_kelvin * leakage


def emitter_resistor_at_least(
    thermal: float,
    vce: float,
    collector: float,
    base: float,
    beta: float,
    wanted: float,
    thermal_voltage: float = THERMAL_VOLTAGE,
    per_kelvin: float = DROP_PER_KELVIN,
) -> float:
    """The least R_E in ohm with K of V_BE at most ``wanted`` > 0, zero where none is needed; round it up."""
    positive(thermal=thermal, collector=collector, beta=beta, wanted=wanted)
    not_negative(vce=vce, base=base, per_kelvin=per_kelvin)
    needed = thermal * vce * per_kelvin / wanted - base / beta - thermal_voltage / collector
    return max(0.0, needed)
