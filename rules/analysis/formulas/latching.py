"""Two transistors of opposite kind that hold each other on: what holding takes, by hand.

SI units, voltages and currents as magnitudes.  Every function raises
ValueError outside the domain it states.
"""

from __future__ import annotations

from rules.analysis.formulas.domain import not_negative, positive


def loop_gain(beta_1: float, beta_2: float, feedback: float, load: float) -> float:
    """Small-signal gain around the loop with both active: beta_1*beta_2 / (1 + R_f/R_L).

    Above 1 the pair regenerates.  The load R_L (ohm, > 0) hangs on the collector of the second, R_f (ohm,
    >= 0) leads from there to the base of the first; ideal drops, so that bleeds take no signal.  Source:
    current divider; proven in the tests.
    """
    positive(beta_1=beta_1, beta_2=beta_2, load=load)
    not_negative(feedback=feedback)
    return beta_1 * beta_2 / (1.0 + feedback / load)


def holding_voltage(vbe: float, vce_sat: float, feedback: float, bleed: float, base: float = 0.0) -> float:
    """Lowest supply in V at which the held base still conducts: V_BE*(1 + R_f/R_BE) + V_CE,sat + R_f*I_B.

    ``feedback`` and ``bleed`` in ohm, > 0; ``base`` >= 0 is the base current in A that is still needed there.
    Source: Ohm's law and KCL at the base.
    """
    positive(vbe=vbe, feedback=feedback, bleed=bleed)
    not_negative(vce_sat=vce_sat, base=base)
    return vbe * (1.0 + feedback / bleed) + vce_sat + feedback * base


def feedback_at_most(
    output: float, vbe: float, collector: float, beta_min: float, reserve: float, bleed: float | None = None
) -> float:
    """The largest feedback resistor in ohm that holds with ``reserve`` times the gain; round it *down*.

    (V_out - V_BE) / (reserve*I_C/beta_min + V_BE/R_BE).  ``output`` (V) above ``vbe``, ``collector`` (A) what
    the held transistor has to pass; all > 0.  Source: Ohm's law and KCL at the base.
    """
    positive(output=output, vbe=vbe, collector=collector, beta_min=beta_min, reserve=reserve)
    if output <= vbe:
        raise ValueError(f"an output of {output!r} V does not reach the drop of {vbe!r} V")
    taken = 0.0
    if bleed is not None:
        positive(bleed=bleed)
        taken = vbe / bleed
    return (output - vbe) / (reserve * collector / beta_min + taken)
