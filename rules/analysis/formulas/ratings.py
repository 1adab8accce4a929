"""What parts stand, and the powers that have their greatest value in between.

SI units; temperatures in kelvin; currents and voltages as magnitudes.  Every
function raises ValueError outside the domain it states.
"""

from __future__ import annotations

from rules.analysis.formulas.domain import finite, not_negative, positive


def allowed(rating: float, share: float) -> float:
    """What is in use at most of a ``rating`` > 0 (V, A or W): ``share`` > 0 of it."""
    positive(rating=rating, share=share)
    return share * rating


def heat_of(volts: float, ohms: float) -> float:
    """V^2/R in W of ``ohms`` > 0 with ``volts`` across it.  Source: Joule's and Ohm's laws."""
    positive(ohms=ohms)
    finite(volts=volts)
    return volts * volts / ohms


def heat_behind(source: float, inner: float, ohms: float) -> float:
    """Heat in W of ``ohms`` > 0 fed from ``source`` V through ``inner`` >= 0 ohm: V^2*R/(R + R_th)^2."""
    positive(ohms=ohms)
    not_negative(inner=inner)
    finite(source=source)
    return source * source * ohms / (ohms + inner) ** 2


def greatest_heat(source: float, inner: float) -> float:
    """The most that ``source`` V behind ``inner`` > 0 ohm turns into heat in any resistor: V^2/(4*R_th), W.

    At R = R_th; likewise in a transistor with ``inner`` as its load, at half of the voltage.
    Source: maximum power transfer, any text on circuits.
    """
    positive(inner=inner)
    finite(source=source)
    return source * source / (4.0 * inner)


def heat_within(source: float, inner: float, low: float, high: float) -> float:
    """The most heat (W) of a resistor anywhere between ``low`` and ``high`` ohm (0 < low <= high).

    At R_th where that lies between them, else at the end that is nearer to it.
    """
    positive(low=low, high=high)
    if low > high:
        raise ValueError(f"low must not exceed high, got {low!r} and {high!r}")
    return heat_behind(source, inner, min(max(inner, low), high))


def derated(power: float, temperature: float, full: float, zero: float) -> float:
    """The power (W) that a part rated ``power`` > 0 up to ``full`` K stands at ``temperature`` K.

    Falls straight from ``full`` to nothing at ``zero`` K (> ``full``).  Source: the derating line of every
    data sheet.
    """
    positive(power=power, temperature=temperature, full=full, zero=zero)
    if zero <= full:
        raise ValueError(f"zero must be above full, got {zero!r} and {full!r}")
    return power * min(1.0, max(0.0, (zero - temperature) / (zero - full)))


def junction_temperature(ambient: float, power: float, thermal: float) -> float:
    """T_A + P*Theta in K: ``ambient`` K, ``power`` >= 0 W, ``thermal`` > 0 K/W from junction to ambient.

    Source: definition of the thermal resistance.
    """
    positive(ambient=ambient, thermal=thermal)
    not_negative(power=power)
    return ambient + power * thermal
