"""Random circuits from a seed: every part kind, sound and unsound arrangements, and regenerative ones.

The numbers are preferred values, so that they are exact decimals for an exact solver as well.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field

from schemas.circuit import Circuit, Part
from tests import builders as b

DECADE = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
VOLTS = (1.5, 3.0, 5.0, 6.0, 9.0, 12.0, 15.0, 24.0)
GAINS = (20.0, 50.0, 80.0, 100.0, 150.0, 200.0, 300.0, 450.0)


@dataclass
class Maker:
    """Gathers parts; names are made so that they are unique."""

    dice: random.Random
    parts: list[Part] = field(default_factory=list)

    def name(self, letter: str) -> str:
        return f"{letter}{len(self.parts) + 1:02d}"

    def ohms(self, low: int = 0, high: int = 5) -> float:
        """A preferred value between 10 * 10**low and 82 * 10**high ohm."""
        return float(self.dice.choice(DECADE) * 10 ** self.dice.randint(low, high))

    def resistor(self, a: str, c: str, low: int = 1, high: int = 4) -> None:
        self.parts.append(b.resistor(self.name("R"), a, c, self.ohms(low, high)))

    def transistor(self, kind: str, collector: str, base: str, emitter: str) -> None:
        make = b.npn if kind == "npn" else b.pnp
        self.parts.append(make(self.name("Q"), collector, base, emitter, self.dice.choice(GAINS)))

    def rail(self, net: str, volts: float | None = None, *, ideal: bool | None = None) -> float:
        volts = self.dice.choice(VOLTS) if volts is None else volts
        ideal = self.dice.random() < 0.5 if ideal is None else ideal
        inner = None if ideal else self.dice.choice((0.1, 1.0, 2.0, 10.0, 47.0, 100.0))
        make = self.dice.choice((b.supply, b.battery))
        self.parts.append(make(self.name("V"), net, "gnd", volts, inner))
        return volts


def _passive(make: Maker, pick: Callable[[], str], kind: str) -> None:
    dice, name = make.dice, make.name
    x, y = pick(), pick()
    if kind == "diode":
        make.parts.append(b.diode(name("D"), x, y))
    elif kind == "led":
        make.parts.append(b.led(name("L"), x, y, dice.choice((1.8, 2.0, 3.0))))
    elif kind == "zener":
        slope = dice.choice((None, None, 5.0, 20.0))
        make.parts.append(b.zener(name("Z"), x, y, dice.choice((3.3, 5.1, 6.8)), resistance=slope))
    elif kind == "contact":
        make.parts.append(b.contact(name("S"), x, y, dice.choice(("open", "closed"))))
    elif kind == "driver":
        make.parts.append(
            b.driver(
                name("U"),
                x,
                "gnd",
                0.1,
                4.9,
                rest=dice.choice(("low", "high")),
                resistance=dice.choice((None, 50.0, 220.0)),
            )
        )
    elif kind == "capacitor":
        make.parts.append(b.capacitor(name("C"), x, y, 1e-6))
    elif kind == "inductor":
        make.parts.append(b.inductor(name("X"), x, y, 1e-3, resistance=dice.choice((None, 0.5, 12.0))))
    elif kind == "coil":
        make.parts.append(b.coil(name("K"), x, y, dice.choice((70.0, 120.0, 360.0)), inductance=0.1))
    elif kind == "load":
        make.parts.append(b.load(name("H"), x, y, dice.choice((8.0, 47.0, 330.0))))
    elif kind == "current-source":
        make.parts.append(b.current_source(name("I"), x, y, dice.choice((1e-6, 1e-4, 2e-3, -5e-4))))
    else:
        raise ValueError(kind)


EXTRAS = ("diode", "diode", "led", "zener", "contact", "driver", "capacitor", "inductor", "coil", "load")


def soup(seed: int, transistors: tuple[int, ...] = (1, 1, 2, 2, 3, 3, 4, 5)) -> Circuit:
    """Parts thrown between nets at will: floating nets, shorts and idle parts occur."""
    make = Maker(random.Random(seed))
    dice = make.dice
    make.rail("vp")
    if dice.random() < 0.15:
        make.rail("vn", -dice.choice((5.0, 9.0, 12.0)))
    count = dice.choice(transistors)
    nets = [f"n{k}" for k in range(1, count + dice.randint(2, 4))]
    rails = [item.pins["plus"] for item in make.parts]

    def pick() -> str:
        return dice.choice(nets) if dice.random() < 0.72 else dice.choice([*rails, "gnd"])

    def apart(*taken: str) -> str:
        return next(net for net in iter(pick, None) if net not in taken)

    for _ in range(count):
        collector = pick()
        base = collector if dice.random() < 0.04 else apart(collector)  # now and then wired as a diode
        make.transistor(dice.choice(("npn", "pnp")), collector, base, apart(base, collector))
    for _ in range(len(nets) + dice.randint(1, 5)):
        first = pick()
        make.resistor(first, apart(first))
    for net in nets:
        if dice.random() < 0.35:
            make.resistor(net, dice.choice([*rails, "gnd"]))
    junctions = 2 * count
    for _ in range(dice.choice((0, 0, 1, 1, 2, 3))):
        kind = dice.choice(EXTRAS)
        junctions += {"diode": 1, "led": 1, "zener": 2}.get(kind, 0)
        if junctions <= 12:
            _passive(make, pick, kind)
    if dice.random() < 0.06:
        _passive(make, pick, "current-source")
    return b.circuit(*make.parts, name=f"soup-{seed}")


def regenerative(seed: int, extra: int = 2) -> Circuit:
    """PNP/NPN latches, cross-coupled pairs and emitter-coupled triggers with random values."""
    make = Maker(random.Random(seed))
    dice = make.dice
    make.rail("vp")
    count = dice.choice((1, 1, 1, 2))
    for k in range(count):
        dice.choice((_latch, _pair, _trigger))(make, f"a{k}")
    nets = sorted({net for item in make.parts for net in item.pins.values()})

    def pick() -> str:
        return dice.choice(nets)

    for _ in range(dice.randint(0, extra)):
        first = pick()
        second = pick()
        if first != second:
            make.resistor(first, second, 2, 4)
    if dice.random() < 0.3:
        _passive(make, pick, dice.choice(("diode", "led", "contact", "capacitor", "load")))
    return b.circuit(*make.parts, name=f"regenerative-{seed}")


def _latch(make: Maker, p: str) -> None:
    dice = make.dice
    make.transistor("pnp", f"{p}out", f"{p}b2", "vp")
    make.transistor("npn", f"{p}c1", f"{p}b1", "gnd")
    make.resistor(f"{p}b2", f"{p}c1", 2, 3)
    make.resistor(f"{p}out", f"{p}b1", 3, 3)
    if dice.random() < 0.85:
        make.resistor("vp", f"{p}b2", 2, 3)
    if dice.random() < 0.85:
        make.resistor(f"{p}b1", "gnd", 2, 3)
    make.resistor(f"{p}out", "gnd", 1, 2)


def _pair(make: Maker, p: str) -> None:
    """Cross-coupled pair, each base fed from the other collector."""
    dice = make.dice
    kind, common, rail = ("npn", "gnd", "vp") if dice.random() < 0.6 else ("pnp", "vp", "gnd")
    emitter = common
    if dice.random() < 0.3:
        emitter = f"{p}e"
        make.resistor(emitter, common, 1, 1)
    for own, other in (("l", "r"), ("r", "l")):
        make.transistor(kind, f"{p}c{own}", f"{p}b{own}", emitter)
        make.resistor(rail, f"{p}c{own}", 1, 2)
        make.resistor(f"{p}c{other}", f"{p}b{own}", 2, 3)
        if dice.random() < 0.5:
            make.resistor(f"{p}b{own}", common, 2, 3)


def _trigger(make: Maker, p: str) -> None:
    """Emitter-coupled regenerative trigger with its input on a divider."""
    make.transistor("npn", f"{p}c1", f"{p}b1", f"{p}e")
    make.transistor("npn", f"{p}c2", f"{p}b2", f"{p}e")
    make.resistor("vp", f"{p}c1", 2, 2)
    make.resistor("vp", f"{p}c2", 2, 2)
    make.resistor(f"{p}c1", f"{p}b2", 2, 3)
    make.resistor(f"{p}b2", "gnd", 3, 3)
    make.resistor(f"{p}e", "gnd", 1, 2)
    make.resistor("vp", f"{p}b1", 3, 3)
    make.resistor(f"{p}b1", "gnd", 3, 3)


def mixed(seed: int) -> Circuit:
    """Two of ten are regenerative, the others soup."""
    return regenerative(seed) if seed % 5 == 0 else soup(seed)
