"""Leakage of a transistor that is meant to be off, and the bleed that lets it escape.

SI units.  Every function raises ValueError outside the domain it states.
"""

from __future__ import annotations

import math

from rules.analysis.formulas.domain import not_negative, positive

ROOM = 298.15  # K
COLDEST, HOTTEST = 218.15, 473.15  # K, between which the leakage law is stated
VBE_OFF_SLOPE = 0.002  # V/K (NXP BC848 series Rev 07, notes 2 and 3)


def collector_base_leakage(at_room: float, temperature: float) -> float:
    """I_CBO in A at ``temperature`` K from its 25 degC limit: doubles every 10 K.

    ``at_room`` >= 0 A; 218.15 K to 473.15 K.  Source: Bell, *Electronic Devices
    and Circuits*, ex. 5.18.  Pessimistic by up to 20 times over 100 K against
    makers' hot limits.
    """
    not_negative(at_room=at_room)
    if not COLDEST <= temperature <= HOTTEST:
        raise ValueError(f"temperature must lie within {COLDEST} K and {HOTTEST} K, got {temperature!r}")
    return at_room * math.pow(2.0, (temperature - ROOM) / 10.0)


def open_base_leakage(icbo: float, beta_max: float) -> float:
    """I_CEO in A with the base open: (beta + 1)*I_CBO.  ``icbo`` >= 0 A, ``beta_max`` > 0.

    Source: any text (Sedra and Smith, *Microelectronic Circuits*); from memory.
    """
    not_negative(icbo=icbo)
    positive(beta_max=beta_max)
    return (beta_max + 1.0) * icbo


def off_voltage(at_room: float, temperature: float) -> float:
    """Base-emitter voltage in V that is surely off at ``temperature`` K, 2 mV/K below its 25 degC value.

    Raises ValueError where nothing is left of it.
    """
    positive(at_room=at_room, temperature=temperature)
    left = at_room - VBE_OFF_SLOPE * (temperature - ROOM)
    positive(off_voltage=left)
    return left


def bleed_at_most(vbe_off: float, icbo: float, share: float = 1.0 / 3.0) -> float:
    """The largest base-emitter resistor in ohm: its drop by I_CBO stays below ``share`` of V_BE,off.

    share*V_BE,off / I_CBO; all > 0.  Source: Ohm's law; the third is common practice.
    """
    positive(vbe_off=vbe_off, icbo=icbo, share=share)
    return share * vbe_off / icbo
