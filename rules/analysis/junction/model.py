"""The laws of exponential junctions and their capacitances, vectorised.

Every junction, whether of a transistor, a diode, an LED or a zener, follows

    i(v) = reference * (exp((v - v_ref) / width) - exp(-v_ref / width))

carried on in a straight line far above any real current.  For a transistor
this is the Ebers-Moll model in junction currents (the injection form), so that
the hand model and this one differ in their drops only, never in topology.

Sources: Ebers and Moll, "Large-Signal Behavior of Junction Transistors", Proc.
IRE 42 (1954), from memory.  Saturation current over temperature
I_S(T) = I_S0 (T/T0)^3 exp[(E_g q/k)(1/T0 - 1/T)] and gain over temperature
(T/T0)^1.5: common device modelling, from memory.  Constants: SI brochure (2019).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from rules.analysis.elements import Array, junctions_of
from rules.analysis.resolve import TRANSISTORS, Resolved

BOLTZMANN = 8.617333262e-5  # eV/K, k/q; exact in the SI of 2019
REFERENCE_TEMPERATURE = 298.15  # K; gains, drops and leakages are given at 25 degC
REFERENCE_CURRENT = 1e-3  # A; only where the laws are anchored, without influence on them
SATURATION_CURRENT = 1e-14  # A at 25 degC: 0.65 V at 1 mA, a small-signal transistor; common practice
HAND_DROP = 0.7  # V; the base-emitter drop of hand work that goes with SATURATION_CURRENT
BAND_GAP = 1.12  # eV, silicon near room temperature; from memory
GAIN_EXPONENT = 1.5  # beta over absolute temperature, about +0.5 %/K; from memory
DIODE_EMISSION = 1.8  # small-signal silicon diodes at milliamperes; from memory
LED_EMISSION = 2.0  # from memory
DROP_CURRENT = 10e-3  # A, at which a diode or LED has its forward drop; LEDs are specified at 10 to 20 mA
DROP_SLOPE = -2e-3  # V/K of a forward drop; common practice
ZENER_CURRENT = 5e-3  # A, at which a zener has its voltage; common practice of makers' sheets
ZENER_WIDTH = 0.05  # V per factor e: a knee of 0.1 V per decade; from memory, softer below 5 V
TEMPERATURES = (150.0, 500.0)  # K; silicon is no semiconductor of this kind outside
_EXPONENT = 200.0  # of exp(), wherever a document could ask for more than a float holds
LINEAR_ABOVE = 20.0  # widths above REFERENCE_CURRENT (5e5 A), from where the law is straight

NODE_CAPACITANCE = 1e-12  # F, strays of a hand-wired node; common practice
EMITTER_CAPACITANCE, COLLECTOR_CAPACITANCE, DIODE_CAPACITANCE = 10e-12, 4e-12, 4e-12  # F; from memory
FORWARD_TRANSIT, REVERSE_TRANSIT, DIODE_TRANSIT = 4e-10, 2e-8, 5e-9  # s; from memory
WINDING_CAPACITANCE = 150e-12  # F across a coil or inductor; of the order of 100 pF, from memory


@dataclass(frozen=True, eq=False)
class Laws:
    """The junctions of a circuit in the order of :func:`rules.analysis.elements.junctions_of`.

    Arrays of one entry per junction: ``reference`` in A, ``v_ref`` and ``width``
    in V, ``static`` in F, ``transit`` in s (diffusion charge per ampere).
    """

    reference: Array
    v_ref: Array
    width: Array
    static: Array
    transit: Array

    @cached_property
    def floor(self) -> Array:
        """What a junction carries in reverse, A."""
        exponent = np.clip(-self.v_ref / self.width, -_EXPONENT, _EXPONENT)
        floor: Array = self.reference * np.exp(exponent)
        return floor

    def current(self, v: Array) -> Array:
        """Junction currents in A at junction voltages (V); works along the last axis."""
        return self.current_and_slope(v)[0]

    def current_and_slope(self, v: Array) -> tuple[Array, Array]:
        """Junction currents (A) and their slopes (A/V) at junction voltages (V)."""
        x = (v - self.v_ref) / self.width
        limited = np.minimum(x, LINEAR_ABOVE)
        rise = self.reference * np.exp(limited)
        return rise * (1.0 + (x - limited)) - self.floor, rise / self.width

    def drop(self, i: Array) -> Array:
        """Junction voltages (V) at junction currents (A); domain i >= 0, below the straight part."""
        drop: Array = self.v_ref + self.width * np.log((np.maximum(i, 0.0) + self.floor) / self.reference)
        return drop


def thermal_voltage(temperature: float) -> float:
    """kT/q in V; domain temperature > 0 K."""
    return BOLTZMANN * temperature


def saturation_current(temperature: float, hand_drop: float = HAND_DROP) -> float:
    """I_S in A of a transistor.

    ``hand_drop`` (V at 25 degC) other than 0.7 V scales it, so that a circuit
    whose author assumes another base-emitter drop is refined around that one.
    """
    apart = (HAND_DROP - hand_drop) / thermal_voltage(REFERENCE_TEMPERATURE)
    at_reference = SATURATION_CURRENT * np.exp(np.clip(apart, -_EXPONENT, _EXPONENT))
    ratio = temperature / REFERENCE_TEMPERATURE
    gap = BAND_GAP / BOLTZMANN * (1.0 / REFERENCE_TEMPERATURE - 1.0 / temperature)
    return float(at_reference * ratio**3 * math.exp(gap))


def gain_factor(temperature: float) -> float:
    """What a current gain at 25 degC is multiplied with."""
    factor: float = (temperature / REFERENCE_TEMPERATURE) ** GAIN_EXPONENT
    return factor


def gains_at(betas: Mapping[str, float], temperature: float) -> dict[str, float]:
    """Forward gains at a temperature (K) from those at 25 degC."""
    return {name: beta * gain_factor(temperature) for name, beta in betas.items()}


def collector_leakage(icbo: float, temperature: float) -> float:
    """I_CBO in A from that at 25 degC: doubles every 10 K (Sedra and Smith; from memory)."""
    doubled: float = 2.0 ** ((temperature - REFERENCE_TEMPERATURE) / 10.0)
    return icbo * doubled


def forward_drop(drop: float, temperature: float) -> float:
    """The drop (V) at DROP_CURRENT of a diode that has ``drop`` there at 25 degC.

    The law of I_S(T) with the band gap that gives DROP_SLOPE at 25 degC: a gap of
    silicon would let the drop of an LED rise with temperature.  With
    I_S ~ (T^3 exp(-gap/V_T))^(1/n) the emission coefficient n cancels.
    """
    gap = drop - 3.0 * thermal_voltage(REFERENCE_TEMPERATURE) - DROP_SLOPE * REFERENCE_TEMPERATURE
    ratio = temperature / REFERENCE_TEMPERATURE
    fall = 3.0 * thermal_voltage(temperature) * np.log(ratio)
    return float((drop - gap) * ratio + gap - fall)


def laws_of(resolved: Resolved, betas: Mapping[str, float], temperature: float) -> Laws:
    """The laws of every junction at a temperature (K), with the gains ``betas`` that hold there.

    Raises ``ValueError`` for a temperature outside ``TEMPERATURES``.
    """
    low, high = TEMPERATURES
    if not low <= temperature <= high:
        raise ValueError(f"the junction model holds from {low:g} to {high:g} K, got {temperature!r} K")
    rows = [_law(resolved, betas, temperature, j.device, j.name) for j in junctions_of(resolved)]
    table = np.array(rows, dtype=float).reshape(len(rows), 4).T
    return Laws(np.full(len(rows), REFERENCE_CURRENT), *table)


def _law(
    resolved: Resolved, betas: Mapping[str, float], temperature: float, device: str, name: str
) -> tuple[float, float, float, float]:
    """(v_ref, width, static, transit) of one junction."""
    part = resolved.circuit.parts[device]
    v_t = thermal_voltage(temperature)
    if part.kind in TRANSISTORS:
        saturation = saturation_current(temperature, resolved.assumptions["vbe_on"])
        forward = name == "forward"
        beta = betas[device] if forward else resolved.assumptions["reverse_beta"]
        v_ref = v_t * float(np.log(REFERENCE_CURRENT * beta / (1.0 + beta) / saturation))
        if forward:
            return v_ref, v_t, EMITTER_CAPACITANCE, FORWARD_TRANSIT
        return v_ref, v_t, COLLECTOR_CAPACITANCE, REVERSE_TRANSIT
    if name == "breakdown":
        zener = resolved.value(device, "zener")
        # a slope resistance that would take more than half of the voltage is not one
        at = zener - min(resolved.value(device, "resistance") * ZENER_CURRENT, 0.5 * zener)
        v_ref = at - ZENER_WIDTH * float(np.log(ZENER_CURRENT / REFERENCE_CURRENT))
        return v_ref, ZENER_WIDTH, 0.0, 0.0  # the capacitance of the part is that of its forward junction
    emission = LED_EMISSION if part.kind == "led" else DIODE_EMISSION
    drop = forward_drop(resolved.value(device, "forward"), temperature)
    width = emission * v_t
    v_ref = drop - width * float(np.log(DROP_CURRENT / REFERENCE_CURRENT))
    return v_ref, width, DIODE_CAPACITANCE, DIODE_TRANSIT
