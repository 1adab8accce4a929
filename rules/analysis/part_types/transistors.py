"""Published limits of the transistor types, 25 degC unless stated, PNP values as magnitudes.

Where makers differ the lowest promise is taken: the least gain, the least
rating, the largest leakage and thermal resistance; the source names the
other figure.
"""

from __future__ import annotations

from collections.abc import Iterable

from rules.analysis.part_types.model import (
    BaseEmitterPoint,
    BetaPoint,
    LeakagePoint,
    PartType,
    SaturationPoint,
    Sourced,
    ratings,
)

_CELSIUS = 273.15
_ROOM = _CELSIUS + 25.0
_JUNCTION_150 = _CELSIUS + 150.0


def _beta(source: str, vce: float, *points: tuple[float, float]) -> tuple[BetaPoint, ...]:
    """Minimum gain by collector current (A)."""
    return tuple(BetaPoint(current, vce, source, minimum=minimum) for current, minimum in points)


def _leakage(*points: tuple[str, float, float | None, float, str]) -> tuple[LeakagePoint, ...]:
    """Leakage limits as (name, A, V, degC, source)."""
    return tuple(
        LeakagePoint(name, limit, volts, _CELSIUS + celsius, source)
        for name, limit, volts, celsius, source in points
    )


_3904 = "onsemi 2N3904/D Rev 2 (Jul 2021), Multicomp 2N3904 V1.1 (2008)"
_3904_BETA = "onsemi 2N3904/D Rev 2 (Jul 2021), V_CE 1 V; NXP's 3904 family promises 60/80 at 0.1/1 mA"
_2N3904 = PartType(
    "2N3904",
    "npn",
    ratings(
        vceo=(40.0, _3904),
        vcbo=(60.0, _3904),
        vebo=(6.0, _3904),
        current=(0.2, _3904),
        power=(0.625, _3904),
        junction=(_JUNCTION_150, _3904),
        thermal=(250.0, "Vishay 88113 (7 May 2002); onsemi and Multicomp state 200 K/W"),
    ),
    beta=_beta(_3904_BETA, 1.0, (1e-4, 40.0), (1e-3, 70.0), (1e-2, 100.0), (5e-2, 60.0), (0.1, 30.0)),
    beta_max=Sourced(300.0, "", "onsemi 2N3904/D Rev 2 (Jul 2021), 10 mA, V_CE 1 V"),
    icbo=Sourced(50e-9, "A", f"I_CEX 50 nA at V_CE 30 V, V_EB 3 V bounds it; {_3904}"),
    saturation=(
        SaturationPoint(10e-3, 1e-3, 0.20, _3904, vbe_min=0.65, vbe_max=0.85),
        SaturationPoint(50e-3, 5e-3, 0.30, _3904, vbe_max=0.95),
    ),
    leakage=_leakage(("I_CEX", 50e-9, 30.0, 25.0, f"V_EB 3 V; {_3904}")),
)

_3906 = "Multicomp 2N3906 V1.1, Comchip 2N3906-G"
_3906_BETA = f"{_3906}, V_CE 1 V"
_2N3906 = PartType(
    "2N3906",
    "pnp",
    ratings(
        vceo=(40.0, _3906),
        vcbo=(40.0, f"{_3906}; ST (Feb 2003) lists 60 V"),
        vebo=(5.0, f"{_3906}; ST and NXP MMBT3906 (2003) list 6 V"),
        current=(0.2, _3906),
        power=(0.625, _3906),
        junction=(_JUNCTION_150, _3906),
        thermal=(200.0, _3906),
    ),
    beta=_beta(_3906_BETA, 1.0, (1e-4, 60.0), (1e-3, 80.0), (1e-2, 100.0), (5e-2, 60.0), (0.1, 30.0)),
    beta_max=Sourced(300.0, "", f"{_3906}, 10 mA, V_CE 1 V"),
    icbo=Sourced(50e-9, "A", f"I_CEX 50 nA bounds it; {_3906}"),
    saturation=(
        SaturationPoint(10e-3, 1e-3, 0.25, _3906, vbe_min=0.65, vbe_max=0.85),
        SaturationPoint(50e-3, 5e-3, 0.40, _3906, vbe_max=0.95),
    ),
    leakage=_leakage(("I_CEX", 50e-9, None, 25.0, _3906)),
)

_2222 = "Semelab 2N2222A (prelim. 3/96), NXP PMBT2222A Rev 6 (12 Nov 2010), PN2222A"
_2N2222A = PartType(
    "2N2222A",
    "npn",
    ratings(
        vceo=(40.0, _2222),
        vcbo=(75.0, _2222),
        vebo=(6.0, _2222),
        current=(0.6, "PN2222A and P2N2222A (TO-92); 800 mA in TO-18 from memory"),
        power=(0.625, "PN2222A (TO-92); 500 mW in TO-18 from memory"),
        junction=(_JUNCTION_150, "PN2222A (TO-92); 200 degC in TO-18"),
        thermal=(200.0, "PN2222A (TO-92); 350 K/W in TO-18 from memory"),
    ),
    beta=(
        *_beta(f"{_2222}, V_CE 10 V", 10.0, (1e-4, 35.0), (1e-3, 50.0)),
        BetaPoint(1e-2, 10.0, f"{_2222}, V_CE 10 V; 35 at -55 degC", minimum=75.0),
        BetaPoint(0.15, 1.0, f"{_2222}, V_CE 1 V, as in a switch", minimum=50.0),
        BetaPoint(0.15, 10.0, f"{_2222}, V_CE 10 V", minimum=100.0, maximum=300.0),
        *_beta(f"{_2222}, V_CE 10 V", 10.0, (0.5, 40.0)),
    ),
    beta_max=Sourced(300.0, "", f"{_2222}, 150 mA, V_CE 10 V"),
    icbo=Sourced(10e-9, "A", _2222),
    saturation=(
        SaturationPoint(0.15, 15e-3, 0.30, _2222, vbe_min=0.6, vbe_max=1.2),
        SaturationPoint(0.5, 50e-3, 1.0, _2222, vbe_max=2.0),
    ),
    leakage=_leakage(
        ("I_CBO", 10e-9, None, 25.0, _2222),
        ("I_CBO", 10e-6, None, 125.0, "NXP PMBT2222A Rev 6 (12 Nov 2010); Semelab states it at 150 degC"),
        ("I_CEX", 10e-9, 60.0, 25.0, f"V_EB 3 V; {_2222}"),
    ),
)

_2907 = "2N2907A (TO-18), Fairchild PN2907A Rev 1.1.2"
_2N2907A = PartType(
    "2N2907A",
    "pnp",
    ratings(
        vceo=(60.0, _2907),
        vcbo=(60.0, _2907),
        vebo=(5.0, _2907),
        current=(0.6, f"{_2907}; 800 mA for PN2907A of National and onsemi"),
        power=(0.5, "2N2907A (TO-18); 625 mW in TO-92"),
        junction=(_CELSIUS + 200.0, "2N2907A (TO-18)"),
        thermal=(325.0, "2N2907A (TO-18)"),
    ),
    beta=(
        *_beta(f"{_2907}, V_CE 10 V", 10.0, (1e-4, 75.0), (1e-3, 100.0), (1e-2, 100.0)),
        BetaPoint(0.15, 10.0, f"{_2907}, V_CE 10 V", minimum=100.0, maximum=300.0),
        *_beta(f"{_2907}, V_CE 10 V", 10.0, (0.5, 50.0)),
    ),
    beta_max=Sourced(300.0, "", f"{_2907}, 150 mA, V_CE 10 V"),
    icbo=Sourced(20e-9, "A", f"{_2907}; onsemi MPS2907A states 10 nA"),
    saturation=(
        SaturationPoint(0.15, 15e-3, 0.40, _2907, vbe_max=1.3),
        SaturationPoint(0.5, 50e-3, 1.6, _2907, vbe_max=2.6),
    ),
    leakage=_leakage(
        ("I_CBO", 20e-9, None, 25.0, f"{_2907}; onsemi MPS2907A states 10 nA"),
        ("I_CBO", 20e-6, None, 150.0, f"{_2907}; onsemi MPS2907A states 10 uA"),
        ("I_CEX", 50e-9, 30.0, 25.0, f"V_EB 0.5 V; {_2907}"),
    ),
)

_547 = "Fairchild BC547 Rev B (1997), NXP BC848 series Rev 07 (17 Nov 2009)"
_848 = "NXP BC848 series Rev 07 (17 Nov 2009), the same die family"
_BC547B = PartType(
    "BC547B",
    "npn",
    ratings(
        vceo=(45.0, _547),
        vcbo=(50.0, _547),
        vebo=(6.0, _547),
        current=(0.1, f"{_547}; Fairchild 1997 lists 500 mA"),
        power=(0.5, f"{_547}; Fairchild lists 625 mW"),
        junction=(_JUNCTION_150, _547),
        thermal=(200.0, "Fairchild BC547 Rev B (1997); 250 K/W in a Philips sheet from memory"),
    ),
    beta=(
        BetaPoint(1e-5, 5.0, f"{_547}, V_CE 5 V, typical only", typical=150.0),
        BetaPoint(2e-3, 5.0, f"{_547}, V_CE 5 V", minimum=200.0, maximum=450.0),
    ),
    beta_max=Sourced(450.0, "", f"{_547}, 2 mA, V_CE 5 V"),
    icbo=Sourced(15e-9, "A", f"V_CB 30 V; {_547}"),
    saturation=(
        SaturationPoint(10e-3, 0.5e-3, 0.25, f"{_848}; BC847BS 0.10 V", vbe_typical=0.70),
        SaturationPoint(0.1, 5e-3, 0.60, f"{_848}; BC847BS 0.30 V", vbe_typical=0.90),
    ),
    base_emitter=(
        BaseEmitterPoint(2e-3, 0.70, _848, minimum=0.58),
        BaseEmitterPoint(10e-3, 0.77, _848),
    ),
    leakage=_leakage(
        ("I_CBO", 15e-9, 30.0, 25.0, _547),
        ("I_CBO", 5e-6, 30.0, 150.0, _547),
    ),
)

_557 = "ST BC557B (Mar 2003), onsemi BC556B/BC557"
_BC557B = PartType(
    "BC557B",
    "pnp",
    ratings(
        vceo=(45.0, _557),
        vcbo=(50.0, _557),
        vebo=(5.0, _557),
        current=(0.1, _557),
        power=(0.5, f"{_557}; onsemi lists 625 mW"),
        junction=(_JUNCTION_150, _557),
        thermal=(250.0, "ST BC557B (Mar 2003); onsemi states 200 K/W"),
    ),
    beta=(
        BetaPoint(
            2e-3,
            5.0,
            "lowest of onsemi, Diotec (2003) and Philips (1999), V_CE 5 V; ST 220 to 475",
            minimum=180.0,
            maximum=475.0,
        ),
    ),
    beta_max=Sourced(475.0, "", "ST BC557B (Mar 2003), 2 mA, V_CE 5 V; other makers 450 or 460"),
    icbo=Sourced(15e-9, "A", _557),
    saturation=(
        SaturationPoint(10e-3, 0.5e-3, 0.30, _557, vbe_typical=0.75),
        SaturationPoint(0.1, 5e-3, 0.65, _557, vbe_typical=0.93),
    ),
    base_emitter=(
        BaseEmitterPoint(2e-3, 0.75, _557, minimum=0.60),
        BaseEmitterPoint(10e-3, 0.82, _557),
    ),
    leakage=_leakage(
        ("I_CBO", 15e-9, None, 25.0, _557),
        ("I_CBO", 4e-6, None, 150.0, _557),
    ),
)


def transistors() -> Iterable[PartType]:
    """Every published transistor type."""
    return (_2N3904, _2N3906, _2N2222A, _2N2907A, _BC547B, _BC557B)
