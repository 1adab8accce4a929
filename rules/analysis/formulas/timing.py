"""RC timing: when the threshold is reached, and what the capacitor's leakage does to it.

SI units.  Every function raises ValueError outside the domain it states; a
threshold that is never reached is an answer (``None``), not an error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from rules.analysis.formulas.domain import finite, not_negative, positive


@dataclass(frozen=True, slots=True)
class Grade:
    """How a capacitor's leakage is promised: ``max(per_cv*C*V_R, floor)`` in A, ``per_cv`` in 1/s.

    ``resistance_cap`` (ohm) replaces the floor for dielectrics promised as an
    insulation resistance: the limit is then ``V_R / min(1/(per_cv*C), cap)``.
    """

    per_cv: float
    floor: float
    source: str
    resistance_cap: float | None = None


GENERAL = Grade(0.01, 3e-6, "0.01CV or 3 uA after 2 min at rated voltage, 20 degC (Panasonic series SU)")
LOW_LEAKAGE = Grade(0.002, 0.2e-6, "0.002CV or 0.2 uA after 1 to 2 min (Nichicon series KL)")
GRADES: Mapping[str, Grade] = MappingProxyType(
    {
        "aluminium": GENERAL,
        "tantalum": Grade(0.01, 0.5e-6, "0.01CV or 0.5 uA after 5 min, 25 degC; from memory"),
        "film": Grade(1e-4, 0.0, "R_is*C 10 000 s, at most 15 Gohm, 25 degC (PET); from memory", 15e9),
        "ceramic": Grade(1 / 500, 0.0, "R_is*C 500 s, at most 10 Gohm (class 2, Murata)", 10e9),
    }
)
"""Grade by dielectric, of a part that states no leakage of its own."""

ALUMINIUM_ABOVE_100_V = "0.06CV + 10 uA after 2 min (Panasonic series SU, 160 to 450 V)"


@dataclass(frozen=True, slots=True)
class LeakageLimit:
    """The largest leakage a sheet allows (A), the factor k of k*C*V_R it amounts to (1/s), and its source."""

    current: float
    per_cv: float
    source: str


def leakage_limit(dielectric: str, capacitance: float, rated_voltage: float) -> LeakageLimit:
    """The published limit of a usual part: ``dielectric`` is aluminium, tantalum, film or ceramic.

    ``capacitance`` in F, ``rated_voltage`` (rated, not applied) in V, both > 0.
    Sources: see :data:`GRADES`; aluminium above 100 V: 0.06CV + 10 uA.
    """
    positive(capacitance=capacitance, rated_voltage=rated_voltage)
    if dielectric not in GRADES:
        raise ValueError(f"unknown dielectric {dielectric!r}; known: {', '.join(sorted(GRADES))}")
    charge = capacitance * rated_voltage
    if dielectric == "aluminium" and rated_voltage > 100.0:
        current = 0.06 * charge + 10e-6
        return LeakageLimit(current, current / charge, ALUMINIUM_ABOVE_100_V)
    return _limit(GRADES[dielectric], capacitance, rated_voltage)


def leakage_limit_of_grade(per_cv: float, capacitance: float, rated_voltage: float) -> LeakageLimit:
    """The limit of a part that states ``per_cv`` (1/s) itself, as in 0.01CV or 0.002CV.

    The floor belongs to the grade: 0.2 uA up to 0.002CV, 3 uA above.  All > 0.
    """
    positive(per_cv=per_cv, capacitance=capacitance, rated_voltage=rated_voltage)
    grade = LOW_LEAKAGE if per_cv <= LOW_LEAKAGE.per_cv else GENERAL
    source = f"{per_cv:g}CV as stated, or {grade.floor * 1e6:g} uA"
    return _limit(Grade(per_cv, grade.floor, source), capacitance, rated_voltage)


def _limit(grade: Grade, capacitance: float, rated_voltage: float) -> LeakageLimit:
    charge = capacitance * rated_voltage
    floor = grade.floor if grade.resistance_cap is None else rated_voltage / grade.resistance_cap
    current = max(grade.per_cv * charge, floor)
    return LeakageLimit(current, current / charge, grade.source)


def leakage_temperature_factor(dielectric: str, temperature: float) -> float:
    """Factor on the limit at ``temperature`` K.

    Aluminium: 3 every 40 K from 20 degC.  Tantalum: 10 from 25 to 85 degC (the
    makers' x10 at 85 degC).  Film: 10 likewise (R_is*C 1000 s at 85 degC).
    Ceramic: 1, no figure at hand.  Domain: 218.15 K to 398.15 K.
    """
    if not 218.15 <= temperature <= 398.15:
        raise ValueError(f"temperature must lie within 218.15 K and 398.15 K, got {temperature!r}")
    if dielectric == "ceramic":
        return 1.0
    if dielectric not in GRADES:
        raise ValueError(f"unknown dielectric {dielectric!r}; known: {', '.join(sorted(GRADES))}")
    factor, span, start = (3.0, 40.0, 293.15) if dielectric == "aluminium" else (10.0, 60.0, 298.15)
    return math.pow(factor, (temperature - start) / span)


def charging_current(aim: float, threshold: float, resistance: float) -> float:
    """What still flows when the capacitor stands at the threshold, A: (V_inf - V_th) / R.

    Zero or negative where the aim does not lie beyond the threshold.
    ``resistance`` > 0 ohm.  Source: Ohm's law.
    """
    finite(aim=aim, threshold=threshold)
    positive(resistance=resistance)
    return (aim - threshold) / resistance


def leakage_ratio(leakage: float, charging: float) -> float:
    """Leakage limit over the charging current at the threshold; at 1 and above it may never get there.

    ``leakage`` >= 0 A, ``charging`` > 0 A.  Source: KCL at the capacitor.
    """
    not_negative(leakage=leakage)
    positive(charging=charging)
    return leakage / charging


def leakage_ratio_of_time_constant(
    per_cv: float, time_constant: float, rated_voltage: float, aim: float, threshold: float
) -> float:
    """The same ratio from k*tau*V_R / (V_inf - V_th): R and C by themselves do not matter.

    Holds while the limit is k*C*V_R, not its floor.  All > 0, aim above the
    threshold.  Source: algebra, proven in the tests.
    """
    positive(per_cv=per_cv, time_constant=time_constant, rated_voltage=rated_voltage, above=aim - threshold)
    return per_cv * time_constant * rated_voltage / (aim - threshold)


def smallest_leakage_ratio(per_cv: float, delay: float, rated_voltage: float, aim: float) -> float:
    """The least ratio any R, C and threshold can reach for a ``delay`` in s: e*k*t*V_R / V_inf.

    Reached with the threshold at 1 - 1/e of the aim.  Where it is above the
    limit no choice of R and C helps, only another dielectric.  All > 0.
    Source: the minimum over x of k*t*V_R / (V_inf*(1-x)*ln(1/(1-x))), proven in the tests.
    """
    positive(per_cv=per_cv, delay=delay, rated_voltage=rated_voltage, aim=aim)
    return math.e * per_cv * delay * rated_voltage / aim


def charging_resistor_at_most(aim: float, threshold: float, leakage: float, ratio: float = 0.1) -> float:
    """The largest R in ohm that charges with ``1/ratio`` times the leakage at the threshold.

    ratio*(V_inf - V_th)/I_L.  Of use with a *given* capacitor only: a smaller R
    shortens the delay, and a larger C to restore it leaks as much more.
    All > 0, aim above the threshold.  Source: :func:`leakage_ratio`.
    """
    positive(leakage=leakage, ratio=ratio, above=aim - threshold)
    return ratio * (aim - threshold) / leakage


def rc_time(
    resistance: float, capacitance: float, start: float, aim: float, threshold: float, leakage: float = 0.0
) -> float | None:
    """Seconds until a charging capacitor reaches ``threshold``; ``None`` when it never does.

    R*C*ln((V_inf' - V_0)/(V_inf' - V_th)), where a constant ``leakage`` (A,
    >= 0) lowers the aim to V_inf' = V_inf - I_L*R.  Charges upwards: ``start``
    <= ``threshold``.  ``resistance`` and ``capacitance`` > 0.  Source:
    OpenStax, *University Physics* 2, sec. 10.5; leakage by superposition.
    """
    positive(resistance=resistance, capacitance=capacitance)
    not_negative(leakage=leakage)
    finite(start=start, aim=aim, threshold=threshold)
    if start > threshold:
        raise ValueError(f"starts at {start!r} V, already beyond the threshold of {threshold!r} V")
    if start == threshold:
        return 0.0
    lowered = aim - leakage * resistance
    if lowered <= threshold:
        return None
    return resistance * capacitance * math.log((lowered - start) / (lowered - threshold))


def delay_error_of_leakage(ratio: float, fraction: float) -> float:
    """Relative lengthening of the delay, first order in a small leakage ``ratio``.

    rho*x / ln(1/(1-x)) with ``fraction`` x = V_th/V_inf within 0 and 1, start
    at 0 V.  Source: derivative of :func:`rc_time`, proven in the tests.
    """
    not_negative(ratio=ratio)
    _fraction(fraction=fraction)
    return ratio * fraction / -math.log1p(-fraction)


def time_constant(resistance: float, capacitance: float) -> float:
    """R*C in s; both > 0."""
    positive(resistance=resistance, capacitance=capacitance)
    return resistance * capacitance


def settling_time(tau: float, time_constants: float = 5.0) -> float:
    """``time_constants`` times tau, s; five leave 0.7 %.  Both > 0.  Source: arithmetic, e**-5."""
    positive(tau=tau, time_constants=time_constants)
    return time_constants * tau


def decay_time(tau: float, start: float, end: float, rest: float = 0.0) -> float | None:
    """Seconds for a capacitor to fall from ``start`` to ``end`` V; ``None`` when it never does.

    tau*ln((V_0 - V_rest)/(V_end - V_rest)), towards ``rest`` V.  ``tau`` > 0 s, ``start`` >= ``end``.
    Source: OpenStax, *University Physics* 2, sec. 10.5.
    """
    positive(tau=tau)
    finite(start=start, end=end, rest=rest)
    if start < end:
        raise ValueError(f"starts at {start!r} V, already below {end!r} V")
    if start == end:
        return 0.0
    if rest >= end:
        return None
    return tau * math.log((start - rest) / (end - rest))


def rearmed_voltage(aim: float, fraction: float, shortening: float) -> float:
    """The charge in V that may be left so that the next delay is at most ``shortening`` shorter.

    V_inf*(1 - (1-x)**eps) with x = ``fraction`` = V_th/V_inf.  ``aim`` > 0 V,
    both fractions within 0 and 1.  Source: :func:`rc_time` solved for the start
    voltage, proven in the tests.
    """
    positive(aim=aim)
    _fraction(fraction=fraction, shortening=shortening)
    return aim * -math.expm1(shortening * math.log1p(-fraction))


def discharge_resistance_at_most(rearm: float, capacitance: float, time_constants: float = 5.0) -> float:
    """The largest discharge resistance in ohm that empties C within ``rearm`` s: t / (n*C).

    All > 0.  Source: :func:`settling_time` solved for R.
    """
    positive(rearm=rearm, capacitance=capacitance, time_constants=time_constants)
    return rearm / (time_constants * capacitance)


STEERING = 0.1  # V, about 4*V_T: a real pair steers over that much on either side of level bases


def steering_margin(charging: float, needed: float, leakage: float) -> float:
    """What the timing resistor brings over what steering takes: I_ch / (I_B + I_L).

    ``charging`` (A, any sign) flows into the capacitor 0.1 V past the threshold, ``needed`` > 0 A is the base
    current that carries the steered current, ``leakage`` >= 0 A.  Source: KCL at the capacitor.
    """
    finite(charging=charging)
    positive(needed=needed)
    not_negative(leakage=leakage)
    return charging / (needed + leakage)


def steering_resistor_at_most(
    aim: float, threshold: float, needed: float, leakage: float, margin: float = 3.0, above: float = STEERING
) -> float:
    """The largest timing resistor in ohm: (V_inf - V_th - 0.1 V) / (3*(I_B + I_L)), with a *given* capacitor.

    ``needed`` > 0 A, ``leakage`` >= 0 A, ``margin`` > 0, aim further than ``above`` V past the threshold.
    Source: :func:`steering_margin` solved for R.
    """
    positive(needed=needed, margin=margin, room=aim - threshold - above)
    not_negative(leakage=leakage)
    return (aim - threshold - above) / (margin * (needed + leakage))


def faster_for_steering(charging: float, needed: float, leakage: float, margin: float = 3.0) -> float | None:
    """The factor by which R falls and C rises, the delay kept, for a steering margin; ``None``: no use.

    A larger C leaks more by the same factor, so s*I_ch >= 3*(I_B + s*I_L) gives s = 3*I_B / (I_ch - 3*I_L):
    only the base current is gained on.  ``charging`` > 0 A, ``needed`` > 0 A, ``leakage`` >= 0 A.
    Source: algebra, proven in the tests.
    """
    positive(charging=charging, needed=needed, margin=margin)
    not_negative(leakage=leakage)
    room = charging - margin * leakage
    return None if room <= 0.0 else margin * needed / room


def threshold_sensitivity(fraction: float) -> float:
    """Relative change of a delay per relative change of its threshold: [x/(1-x)] / ln(1/(1-x)).

    ``fraction`` x = V_th/V_inf within 0 and 1, start at 0 V.  Source: derivative of :func:`rc_time`,
    proven in the tests.
    """
    _fraction(fraction=fraction)
    return fraction / (1.0 - fraction) / -math.log1p(-fraction)


def _fraction(**arguments: float) -> None:
    for name, value in arguments.items():
        if not 0.0 < value < 1.0:
            raise ValueError(f"{name} must lie between 0 and 1, got {value!r}")
