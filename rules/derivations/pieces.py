"""Steps that several derivations share: definitions, and on timing the period and what may be left of it."""

from __future__ import annotations

from rules.derivations.model import Plain, Step, Symbol

EXPONENTIAL = "OpenStax, University Physics 2, sec. 10.5"
"""Where the law of a capacitor that charges or empties through a resistor stands."""


def defined(says: str, left: str, right: str) -> Step:
    """A step that only gives ``right`` a name."""
    return Step(says, left, "=", right, "definition", source="definition")


def period(says: str, name: str) -> Step:
    """The time from 0 V to ``V_th`` on the way to ``V_inf``."""
    return Step(says, name, "=", "tau*log(V_inf/(V_inf - V_th))", "law", source=EXPONENTIAL)


def threshold_over_aim(says: str) -> Step:
    return defined(says, "x", "V_th/V_inf")


PERIODS = (
    Symbol("t", "period from an empty capacitor", "s"),
    Symbol("t_next", "period from what is left on it", "s"),
    Symbol("tau", "time constant while it times", "s"),
    Symbol("V_inf", "voltage it aims at while it times", "V"),
    Symbol("V_th", "threshold", "V"),
    Symbol("x", "threshold over aim", ""),
)


def left_over(says: str) -> tuple[Step, ...]:
    """The first five steps, from two periods to ``V_0_max``, the most that may be left on a capacitor."""
    return (
        period("A period from an empty capacitor.", "t"),
        Step(
            "A period from a capacitor with something left on it.",
            "t_next",
            "=",
            "tau*log((V_inf - V_0_max)/(V_inf - V_th))",
            "law",
            source=EXPONENTIAL,
        ),
        Step(
            "It may be shorter by a share.",
            "t_next",
            "=",
            "(1 - shortening)*t",
            "limit",
            source="5 %: common practice, no source",
        ),
        threshold_over_aim("Threshold and aim as a ratio."),
        Step(
            says,
            "V_0_max",
            "=",
            "V_inf*(1 - (1 - x)**shortening)",
            "derived",
            uses=(0, 1, 2, 3),
            without=("t", "t_next", "V_th"),
        ),
    )


LEFT_OVER = Plain(
    "rules.analysis.formulas.timing:rearmed_voltage",
    {"aim": "V_inf", "fraction": "x", "shortening": "shortening"},
    4,
)
"""The last step of :func:`left_over` in plain numbers."""
