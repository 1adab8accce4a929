"""Bias points of textbooks as rows: the circuit, what is printed, the source, the model compared."""

from __future__ import annotations

from schemas.circuit import Part
from tests.builders import npn, pnp, resistor, supply
from tests.textbook import (
    EXACT,
    HUGE,
    IDEAL,
    NEGLECTED,
    OWN,
    SHIFTED,
    Row,
)

ACTIVE, SATURATED = {"Q1": "active"}, {"Q1": "saturated"}
# Drops of a transistor whose junctions are ideal switches.
NO_DROPS = {"vbe_on": 0.0, "vce_sat": 0.0}

FLOYD = "T. L. Floyd, Electronic Devices"
PRINCIPLES = "A. P. Malvino, Electronic Principles"
APPROXIMATIONS = "A. P. Malvino, Semiconductor Circuit Approximations"
BELL = "D. A. Bell, Electronic Devices and Circuits"
E84 = "R. Wang, Harvey Mudd College, E84 home work 12 key (spring 2008)"
KUPHALDT = "T. R. Kuphaldt, Lessons in Electric Circuits vol. III, BJT, Biasing calculations"


def base_bias(vbb: float, rb: float, vcc: float, rc: float, beta: float, re: float = 0.0) -> tuple[Part, ...]:
    """RB from its own supply to the base; RE 0 ties the emitter to the reference."""
    emitter = "e" if re else "gnd"
    parts = (
        supply("VBB", "vbb", "gnd", vbb),
        supply("VCC", "vcc", "gnd", vcc),
        resistor("RB", "vbb", "b", rb),
        resistor("RC", "vcc", "c", rc),
        npn("Q1", "c", "b", emitter, beta),
    )
    return (*parts, resistor("RE", "e", "gnd", re)) if re else parts


def divider(vcc: float, r1: float, r2: float, rc: float, re: float, beta: float) -> tuple[Part, ...]:
    return (
        supply("VCC", "vcc", "gnd", vcc),
        resistor("R1", "vcc", "b", r1),
        resistor("R2", "b", "gnd", r2),
        resistor("RC", "vcc", "c", rc),
        resistor("RE", "e", "gnd", re),
        npn("Q1", "c", "b", "e", beta),
    )


def collector_feedback(vcc: float, rb: float, rc: float, beta: float) -> tuple[Part, ...]:
    return (
        supply("VCC", "vcc", "gnd", vcc),
        resistor("RC", "vcc", "c", rc),
        resistor("RB", "c", "b", rb),
        npn("Q1", "c", "b", "gnd", beta),
    )


def emitter_bias(vcc: float, vee: float, rb: float, rc: float, re: float, beta: float) -> tuple[Part, ...]:
    """Base returned to the reference through RB, emitter to a negative supply."""
    return (
        supply("VCC", "vcc", "gnd", vcc),
        supply("VEE", "gnd", "vee", vee),
        resistor("RB", "b", "gnd", rb),
        resistor("RC", "vcc", "c", rc),
        resistor("RE", "e", "vee", re),
        npn("Q1", "c", "b", "e", beta),
    )


def pnp_divider(vee: float, r1: float, r2: float, rc: float, re: float, beta: float) -> tuple[Part, ...]:
    return (
        supply("VEE", "vee", "gnd", vee),
        resistor("R2", "vee", "b", r2),
        resistor("R1", "b", "gnd", r1),
        resistor("RE", "vee", "e", re),
        resistor("RC", "c", "gnd", rc),
        pnp("Q1", "c", "b", "e", beta),
    )


# W08: PNP with the emitter at the reference side and the collector at a negative supply.
FLOYD_5_5 = (
    supply("VCC", "gnd", "vcc", 6.0),
    resistor("R1", "vcc", "b", 68e3),
    resistor("R2", "b", "gnd", 47e3),
    resistor("RE", "e", "gnd", 2.2e3),
    resistor("RC", "vcc", "c", 1.8e3),
    pnp("Q1", "c", "b", "e", 75.0),
)

ROWS = (
    Row(
        "W01",
        f"{FLOYD}, ex. 4.2, p. 121",
        EXACT,
        base_bias(5, 10e3, 10, 100, 150),
        {
            "I(Q1.base)": "430 u",
            "I(Q1.collector)": "64.5 m",
            "I(Q1.emitter)": "64.93 m",
            "V(c)": "3.55",
            "V(c,b)": "2.85",
        },
        ACTIVE,
    ),
    Row(
        "W02",
        f"{FLOYD}, ex. 5.1, p. 146",
        EXACT,
        base_bias(10, 47e3, 20, 330, 200),
        {"I(Q1.collector)": "0.040", "V(c)": "6.94"},
        ACTIVE,
    ),
    Row(
        "W03",
        f"{PRINCIPLES}, ex. 7-5, p. 232 (V_BE 0.7 V)",
        EXACT,
        base_bias(15, 1e6, 15, 3e3, 100),
        {"V(c)": "10.71"},
        ACTIVE,
    ),
    Row(
        "W03-ideal",
        f"{PRINCIPLES}, ex. 7-5, p. 232 (V_BE 0 V)",
        IDEAL,
        base_bias(15, 1e6, 15, 3e3, 100),
        {"V(c)": "10.5"},
        ACTIVE,
        NO_DROPS,
    ),
    # printed 16.12 where 16.125 rounds to either side
    Row(
        "W04",
        f"{APPROXIMATIONS}, ex. 5.1, p. 125",
        EXACT,
        base_bias(10, 1.5e6, 20, 5e3, 125),
        {"V(c)": "16.12"},
        ACTIVE,
    ),
    Row(
        "W05",
        f"{APPROXIMATIONS}, ex. 5.3, p. 126",
        EXACT,
        base_bias(30, 390e3, 30, 1.5e3, 80),
        {"I(Q1.collector)": "6.01 m"},
        ACTIVE,
    ),
    Row(
        "W06",
        f"{FLOYD}, ex. 5.3, p. 151",
        NEGLECTED,
        divider(10, 10e3, 5.6e3, 1e3, 560, HUGE),
        {"I(Q1.collector)": "0.005", "V(c,e)": "1.95"},
        ACTIVE,
    ),
    Row(
        "W06-exact",
        f"circuit of {FLOYD}, ex. 5.3",
        OWN,
        divider(10, 10e3, 5.6e3, 1e3, 560, 100),
        {
            "I(Q1.base)": "48.04 u",
            "I(Q1.collector)": "4.804 m",
            "V(b)": "3.417",
            "V(e)": "2.717",
            "V(c,e)": "2.478",
        },
        ACTIVE,
    ),
    Row(
        "W07",
        f"{FLOYD}, ex. 5.4, p. 154",
        NEGLECTED,
        pnp_divider(10, 22e3, 10e3, 2.2e3, 1e3, HUGE),
        {"I(Q1.collector)": "2.4 m", "V(e,c)": "2.24"},
        ACTIVE,
    ),
    Row(
        "W07-exact",
        f"circuit of {FLOYD}, ex. 5.4",
        OWN,
        pnp_divider(10, 22e3, 10e3, 2.2e3, 1e3, 150),
        {"I(Q1.collector)": "2.304 m", "V(e)": "7.681", "V(e,c)": "2.612"},
        ACTIVE,
    ),
    Row(
        "W08-exact",
        f"circuit of {FLOYD}, ex. 5.5, p. 154",
        OWN,
        FLOYD_5_5,
        {"I(Q1.collector)": "0.674 m", "V(e,c)": "3.284"},
        ACTIVE,
    ),
    Row(
        "W09",
        f"{BELL}, ex. 5.7, p. 197",
        NEGLECTED,
        divider(18, 33e3, 12e3, 1.2e3, 1e3, HUGE),
        {"V(c,e)": "9.0"},
        ACTIVE,
    ),
    *(
        Row(
            f"W10-{beta}",
            f"{BELL}, ex. {example}, p. 199-201",
            EXACT,
            divider(18, 33e3, 12e3, 1.2e3, 1e3, beta),
            {"V(c,e)": vce, "I(Q1.collector)": ic, "V(e)": ve},
            ACTIVE,
        )
        # V_CE as printed; I_C and V_E: own computation, same model
        for beta, example, vce, ic, ve in (
            (50, "5.8", "10.4", "3.428 m", "3.497"),
            (100, "5.9", "9.7", "3.734 m", "3.771"),
            (200, "5.10", "9.4", "3.908 m", "3.928"),
        )
    ),
    Row(
        "W13",
        f"{FLOYD}, ex. 5.8, p. 161",
        SHIFTED,
        collector_feedback(10, 100e3, 10e3, 99),
        {"I(Q1.emitter)": "0.8 m", "V(c)": "1.545"},
        ACTIVE,
    ),
    Row(
        "W13-exact",
        f"circuit of {FLOYD}, ex. 5.8",
        OWN,
        collector_feedback(10, 100e3, 10e3, 100),
        {"I(Q1.collector)": "0.8378 m", "V(c)": "1.538"},
        ACTIVE,
    ),
    Row(
        "W14",
        f"{BELL}, ex. 5.5, p. 193",
        EXACT,
        collector_feedback(18, 270e3, 2.2e3, 100),
        {"I(Q1.base)": "35.15 u", "I(Q1.collector)": "3.515 m", "V(c)": "10.2"},
        ACTIVE,
    ),
    Row(
        "W15",
        f"{FLOYD}, ex. 6.8, p. 184",
        NEGLECTED,
        divider(10, 47e3, 10e3, 4.7e3, 940, HUGE),
        {"V(c)": "4.728"},
        ACTIVE,
    ),
    Row(
        "W16",
        f"{APPROXIMATIONS}, ex. 5.6, p. 130",
        NEGLECTED,
        divider(25, 3.9e3, 1e3, 150, 100, HUGE),
        {"V(c)": "18.40"},
        ACTIVE,
    ),
    Row(
        "W17",
        f"{APPROXIMATIONS}, ex. 5.9, p. 139",
        SHIFTED,
        base_bias(15, 430e3, 15, 910, 299, re=100),
        {"I(Q1.emitter)": "9.33 m"},
        ACTIVE,
    ),
    Row(
        "W18",
        f"{APPROXIMATIONS}, ex. 5.10, p. 140",
        SHIFTED,
        collector_feedback(15, 200e3, 1e3, 299),
        {"I(Q1.emitter)": "8.58 m", "V(c)": "6.42"},
        ACTIVE,
    ),
    # the base of the book is tied to the reference; 1 ohm carries next to no current
    Row(
        "W19",
        f"{APPROXIMATIONS}, ex. 5.11, p. 140",
        NEGLECTED,
        emitter_bias(15, 15, 1.0, 5.1e3, 10e3, HUGE),
        {"I(Q1.emitter)": "1.43 m", "V(c,e)": "8.41"},
        ACTIVE,
    ),
    Row(
        "W20",
        f"{PRINCIPLES}, ex. 7-9, p. 239",
        NEGLECTED,
        base_bias(5, 1.0, 15, 2e3, HUGE, re=1e3),
        {"V(e)": "4.3", "I(Q1.emitter)": "4.3 m", "V(c,e)": "2.1"},
        ACTIVE,
    ),
    # A design read backwards: with its resistors the circuit has the voltages asked for.
    Row(
        "W21",
        f"{BELL}, ex. 5.13, p. 211",
        NEGLECTED,
        divider(15, 18.6e3, 11.4e3, 1e3, 1e3, HUGE),
        {"V(c,e)": "5.00", "V(e)": "5.00", "I(Q1.collector)": "5.00 m", "I(R2.a)": "0.500 m"},
        ACTIVE,
    ),
    Row(
        "W23-100",
        f"{E84}, problem 2",
        EXACT,
        base_bias(15, 57.2e3, 15, 300, 100),
        {"I(Q1.collector)": "25.0 m", "V(c)": "7.50"},
        ACTIVE,
    ),
    # the page prints V_CC / R_C = 5 mA, a slip: 15 V over 300 ohm is 50 mA, 49.3 mA with 0.2 V left across it
    Row(
        "W23-200",
        f"{E84}, problem 2 (I_C recomputed)",
        EXACT,
        base_bias(15, 57.2e3, 15, 300, 200),
        {"V(c)": "0.2", "I(Q1.collector)": "49.3 m"},
        SATURATED,
    ),
    Row(
        "W25",
        f"{E84}, problem 3, check of the design",
        NEGLECTED,
        divider(15, 24e3, 6.4e3, 2e3, 1e3, HUGE),
        {"V(b)": "3.16", "V(e)": "2.46", "I(Q1.emitter)": "2.46 m", "V(c,e)": "7.6"},
        ACTIVE,
    ),
    Row(
        "W25-exact",
        f"circuit of {E84}, problem 3",
        OWN,
        divider(15, 24e3, 6.4e3, 2e3, 1e3, 50),
        {"I(Q1.collector)": "2.192 m", "V(c,e)": "8.379"},
        ACTIVE,
    ),
    *(
        Row(
            f"W26-{beta}",
            f"{KUPHALDT}, base bias, 910 k",
            EXACT,
            base_bias(10, 910e3, 10, 1e3, beta),
            {"I(Q1.collector)": ic},
            ACTIVE,
        )
        # printed 1.02 and 3.07 mA; R_C is the reader's, it does not matter while the transistor is active
        for beta, ic in ((100, "1.02 m"), (300, "3.07 m"))
    ),
    *(
        Row(
            f"W27-{beta}",
            f"{KUPHALDT}, collector feedback, 470 k",
            SHIFTED,
            collector_feedback(10, 470e3, 4.7e3, beta - 1),
            {"I(Q1.emitter)": ie},
            ACTIVE,
        )
        for beta, ie in ((100, "0.989 m"), (300, "1.48 m"))
    ),
    *(
        Row(
            f"W28-{vbb}V-{rb / 1e3:g}k-{beta}",
            f"{KUPHALDT}, emitter bias, R_E 470",
            SHIFTED,
            base_bias(vbb, rb, 10, 1e3, beta - 1, re=470),
            {"I(Q1.emitter)": ie},
            ACTIVE,
        )
        for vbb, rb, beta, ie in (
            (10, 870e3, 100, "1.01 m"),
            (10, 870e3, 300, "2.76 m"),
            (2, 82e3, 100, "1.01 m"),
            (2, 82e3, 300, "1.75 m"),
            (1.5, 33e3, 100, "1.00 m"),
            (1.5, 33e3, 300, "1.38 m"),
            # 870 k is no preferred value; own computation for the nearest, 910 k
            (10, 910e3, 100, "0.972 m"),
            (10, 910e3, 300, "2.655 m"),
        )
    ),
    *(
        Row(
            f"W29-{beta}",
            f"{KUPHALDT}, emitter bias, R_E 910, 2 V",
            SHIFTED,
            base_bias(2, 39e3, 10, 1e3, beta - 1, re=910),
            {"I(Q1.emitter)": ie},
            ACTIVE,
        )
        for beta, ie in ((100, "1.00 m"), (300, "1.25 m"))
    ),
    # p. 189 prints 9.9 V at 100 and 1.8 V at 200; 13.95 V at 50: own computation, same model
    *(
        Row(
            f"W31-{beta}",
            f"{BELL}, ex. 5.3-5.4, p. 189",
            EXACT,
            base_bias(18, 470e3, 18, 2.2e3, beta),
            {"V(c)": vce},
            ACTIVE,
        )
        for beta, vce in ((50, "13.95"), (100, "9.9"), (200, "1.8"))
    ),
    *(
        Row(
            f"S5.8-{beta}",
            f"{APPROXIMATIONS}, ex. 5.8, p. 133",
            EXACT,
            base_bias(30, 3e6, 30, 1e3, beta),
            {"I(Q1.collector)": ic},
            ACTIVE,
        )
        for beta, ic in ((100, "0.98 m"), (300, "2.93 m"))
    ),
)
