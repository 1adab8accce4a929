"""What the current of a coil does when it is broken, and how long it takes to die along a diode."""

from __future__ import annotations

from rules.derivations.model import Derivation, Plain, Step, Symbol

DERIVATION = Derivation(
    slug="flyback-path",
    symbols=(
        Symbol("L", "inductance", "H"),
        Symbol("I_0", "coil current as the switch opens", "A"),
        Symbol("W", "energy in the coil", "J"),
        Symbol("C_stray", "stray capacitance of winding and leads", "F"),
        Symbol("V_pk", "voltage to which the coil charges it", "V"),
        Symbol("R", "winding resistance", "ohm"),
        Symbol("V_d", "what stands against the current along the path", "V"),
        Symbol("t", "time since the switch opened", "s"),
        Symbol("I_rel", "current at which the relay lets go", "A"),
        Symbol("t_rel", "time until then", "s"),
    ),
    steps=(
        Step(
            "A coil with a current in it holds an energy.",
            "W",
            "=",
            "L*I_0**2/2",
            "law",
            source="OpenStax, University Physics 2 (energy of an inductor)",
        ),
        Step(
            "Without a path all of it goes into the stray capacitance.",
            "W",
            "=",
            "C_stray*V_pk**2/2",
            "law",
            source="OpenStax, University Physics 2 (energy of a capacitor); no loss in the winding",
        ),
        Step(
            "So this is the voltage it reaches, unless something breaks through before.",
            "V_pk",
            "=",
            "I_0*sqrt(L/C_stray)",
            "derived",
            uses=(0, 1),
            without=("W",),
        ),
        Step(
            "With a diode the current goes on through it. L*dI/dt = -R*I - V_d is solved by a current that"
            " falls exponentially: put in, both sides are the same.",
            "L*diff((I_0 + V_d/R)*exp(-R*t/L) - V_d/R, t)",
            "=",
            "-R*((I_0 + V_d/R)*exp(-R*t/L) - V_d/R) - V_d",
            "derived",
        ),
        Step(
            "The relay lets go when the current has come down to its release current.",
            "I_rel",
            "=",
            "(I_0 + V_d/R)*exp(-R*t_rel/L) - V_d/R",
            "law",
            source="Kirchhoff's voltage law around coil and diode, solved in the step before",
        ),
        Step(
            "So it takes this long; more voltage against it, a zener, makes it shorter.",
            "t_rel",
            "=",
            "L/R*log((I_0*R + V_d)/(I_rel*R + V_d))",
            "derived",
            uses=(4,),
        ),
    ),
    plain=(
        Plain("rules.analysis.formulas.coils:stored_energy", {"inductance": "L", "current": "I_0"}, 0),
        Plain(
            "rules.analysis.formulas.coils:broken_through",
            {"current": "I_0", "inductance": "L", "stray": "C_stray"},
            2,
        ),
        Plain(
            "rules.analysis.formulas.coils:release_time",
            {"inductance": "L", "resistance": "R", "start": "I_0", "release": "I_rel", "against": "V_d"},
            5,
        ),
    ),
    example={"L": 0.6, "I_0": 0.03, "C_stray": 1.5e-10, "R": 400.0, "V_d": 0.7, "t": 1e-3, "I_rel": 0.006},
)
