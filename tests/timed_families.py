"""Families of circuits that time something, each a maker that puts random values on a bench.

What comes out need not work as intended: a latch may fail to hold and a delay may never end.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from schemas.circuit import Action
from tests import builders as b
from tests.timed_bench import VOLTS, Bench


def charge_switch(bench: Bench) -> None:
    """A contact charges a capacitor through a resistor until a divider turns a stage on."""
    volts = bench.supply()
    while True:
        r1, upper, lower = bench.ohms(4.7e3, 1e5), bench.ohms(1e4, 2.2e5), bench.ohms(4.7e3, 1e5)
        aim = volts * (upper + lower) / (r1 + upper + lower)
        if 0.2 < 0.7 * (1.0 + upper / lower) / aim < 0.8:
            break
    c1 = bench.farads(1e-6)
    bench.add(
        b.contact("S1", "rail", "feed"),
        b.resistor("R1", "feed", "slow", r1),
        b.capacitor("C1", "slow", "gnd", c1),
        b.resistor("R2", "slow", "base", upper),
        b.resistor("R3", "base", "gnd", lower),
        b.npn("Q1", "out", "base", "gnd", bench.gain()),
    )
    bench.collector_load("1", "out")
    if bench.chance(0.5):
        bench.add(b.resistor("R5", "feed", "gnd", bench.ohms(1e3, 1e4)), b.diode("D1", "slow", "feed"))
    if bench.chance(0.4):  # a second stage, off once the first is on
        bench.add(
            b.resistor("R6", "out", "b2", bench.ohms(4.7e3, 4.7e4)),
            b.npn("Q2", "o2", "b2", "gnd", bench.gain()),
        )
        bench.collector_load("2", "o2")
    again = r1 * c1 * bench.dice.choice((0.1, 0.5)) if bench.chance(0.4) else None
    bench.tap(r1 * c1 * bench.dice.choice((0.3, 1.5, 4.0)), again=again)


def hold_on(bench: Bench) -> None:
    """A tap fills a capacitor, which then keeps a stage on through its base resistor."""
    bench.supply()
    r1, c1, r2 = bench.ohms(100.0, 1e3), bench.farads(1e-6), bench.ohms(2.2e4, 2.2e5)
    bench.add(
        b.contact("S1", "rail", "feed"),
        b.resistor("R1", "feed", "slow", r1),
        b.capacitor("C1", "slow", "gnd", c1),
        b.resistor("R2", "slow", "base", r2),
        b.npn("Q1", "out", "base", "gnd", bench.gain()),
    )
    bench.collector_load("1", "out")
    if bench.chance(0.6):
        bench.add(b.resistor("R3", "base", "gnd", bench.ohms(2.2e4, 2.2e5)))
    if bench.chance(0.5):
        bench.add(
            b.resistor("R4", "out", "b2", bench.ohms(2.2e3, 2.2e4)),
            b.pnp("Q2", "o2", "b2", "rail", bench.gain()),
            b.resistor("R5", "rail", "b2", bench.ohms(1e4, 1e5)),
            b.load("LP1", "o2", "gnd", bench.ohms(470.0, 2.2e3)),
        )
    bench.tap(r1 * c1 * bench.dice.choice((1.0, 5.0)), again=r2 * c1 * 0.2 if bench.chance(0.3) else None)


def one_shot(bench: Bench) -> None:
    """A collector-coupled monostable, poked briefly or held."""
    bench.supply()
    load = bench.ohms(470.0, 2.2e3)
    timing, c1 = load * bench.dice.choice((10.0, 22.0, 33.0)), bench.farads()
    bench.add(
        b.resistor("RC1", "rail", "c1", load),
        b.resistor("R1", "rail", "b2", timing),
        b.resistor("R2", "c2", "b1", bench.ohms(1e4, 3.3e4)),
        b.capacitor("C1", "c1", "b2", c1),
        b.npn("Q1", "c1", "b1", "gnd", bench.gain()),
        b.npn("Q2", "c2", "b2", "gnd", bench.gain()),
        b.contact("S1", "rail", "trig"),
        b.resistor("R5", "trig", "b1", bench.ohms(4.7e3, 1.5e4)),
    )
    bench.collector_load("2", "c2", 470.0, 1.5e3)
    if bench.chance(0.7):
        bench.add(b.resistor("R3", "b1", "gnd", bench.ohms(1e4, 1e5)))
    if bench.chance(0.3):
        bench.add(b.film("C2", "c2", "b1", c1 / 100.0))
    bench.tap(timing * c1 * bench.dice.choice((0.02, 0.1, 1.5)))


def astable(bench: Bench) -> None:
    """Cross-coupled stages with unequal halves; a contact that holds one base down lets it start."""
    bench.supply()
    for me, other in (("1", "2"), ("2", "1")):
        load = bench.ohms(470.0, 2.2e3)
        bench.add(
            b.resistor(f"RB{me}", "rail", f"b{me}", load * bench.dice.choice((10.0, 15.0, 22.0, 33.0))),
            b.capacitor(f"C{me}", f"c{other}", f"b{me}", bench.farads()),
            b.npn(f"Q{me}", f"c{me}", f"b{me}", "gnd", bench.gain()),
        )
        bench.collector_load(me, f"c{me}", load, load)
    bench.add(b.contact("S1", "b1", "gnd", "closed"))
    bench.stimulus = (Action(0.0, "S1", "open"),)


def self_resetting(bench: Bench) -> None:
    """A PNP/NPN latch that an emitter-coupled third transistor lets go after a while."""
    dice = bench.dice
    bench.add(b.battery("B1", "vb", "gnd", dice.choice((6.0, 9.0, 12.0)), dice.choice((None, 2.0, 10.0))))
    timing, c1 = bench.ohms(4.7e4, 2.2e5), bench.farads(1e-6)
    bench.add(
        b.pnp("Q2", "out", "b2", "vb", bench.gain()),
        b.resistor("RB2", "vb", "b2", bench.ohms(4.7e3, 2.2e4)),
        b.resistor("R2", "b2", "c1", bench.ohms(220.0, 1e3)),
        b.npn("Q1", "c1", "b1", "e", bench.gain()),
        b.npn("Q3", "vb", "tm", "e", bench.gain()),
        b.resistor("RE", "e", "gnd", bench.ohms(1.5e3, 4.7e3)),
        b.resistor("R3", "out", "b1", bench.ohms(2.2e4, 6.8e4)),
        b.resistor("R4", "b1", "gnd", bench.ohms(2.2e4, 4.7e4)),
        b.resistor("R6", "out", "tm", timing),
        b.capacitor("C1", "tm", "gnd", c1),
        b.resistor("R9", "out", "gnd", bench.ohms(2.2e3, 1e4)),
        b.contact("S1", "vb", "sw"),
        b.resistor("R8", "sw", "b1", bench.ohms(1e4, 2.2e4)),
    )
    if bench.chance(0.5):
        bench.add(b.resistor("R7", "out", "la", bench.ohms(470.0, 1.5e3)), b.led("LED", "la", "gnd", 3.0))
    if bench.chance(0.6):
        bench.add(b.diode("D1", "tm", "out"))
    if bench.chance(0.4):
        bench.add(b.film("C2", "b1", "gnd", c1 / 1000.0))
    press = timing * c1 * dice.choice((0.01, 0.1))
    bench.tap(press, again=timing * c1 * dice.choice((0.3, 1.2)) if bench.chance(0.4) else None)


def relay(bench: Bench) -> None:
    """A transistor drives a coil with a diode across it, directly or after an RC delay."""
    bench.supply()
    ohms, henries = bench.ohms(100.0, 470.0), bench.dice.choice((0.05, 0.1, 0.3, 0.6))
    bench.add(
        b.coil("K1", "rail", "out", ohms, inductance=henries),
        b.diode("D1", "out", "rail"),
        b.npn("Q1", "out", "base", "gnd", bench.gain()),
        b.contact("S1", "rail", "feed"),
    )
    time = henries / ohms
    if bench.chance(0.3):
        bench.add(b.zener("Z1", "zk", "rail", 6.8), b.diode("D2", "out", "zk"))
        bench.parts = [part for part in bench.parts if part.name != "D1"]
    if bench.chance(0.6):
        r1 = bench.ohms(1e3, 1e4)
        c1 = bench.farads(3e-7, 1e-5)
        bench.add(
            b.resistor("R1", "feed", "slow", r1),
            b.capacitor("C1", "slow", "gnd", c1),
            b.resistor("R2", "slow", "base", bench.ohms(1e3, 1e4)),
        )
        time = max(time, r1 * c1)
    else:
        bench.add(b.resistor("R2", "feed", "base", bench.ohms(1e3, 1e4)))
    bench.add(b.resistor("R3", "base", "gnd", bench.ohms(2.2e3, 2.2e4)))
    bench.tap(time * bench.dice.choice((0.5, 1.5, 4.0)))


def trigger(bench: Bench) -> None:
    """An emitter-coupled trigger behind an RC network, or feeding its own input."""
    bench.supply()
    r1, c1 = bench.ohms(1e4, 4.7e4), bench.farads(3e-7)
    bench.add(
        b.npn("Q1", "c1", "in", "e", bench.gain()),
        b.npn("Q2", "c2", "b2", "e", bench.gain()),
        b.resistor("RC1", "rail", "c1", bench.ohms(1e3, 4.7e3)),
        b.resistor("RC2", "rail", "c2", bench.ohms(470.0, 1.5e3)),
        b.resistor("R5", "c1", "b2", bench.ohms(4.7e3, 2.2e4)),
        b.resistor("R6", "b2", "gnd", bench.ohms(1e4, 4.7e4)),
        b.resistor("RE", "e", "gnd", bench.ohms(100.0, 1e3)),
        b.contact("S1", "rail", "feed"),
        b.resistor("R1", "feed", "slow", r1),
        b.capacitor("C1", "slow", "gnd", c1),
        b.resistor("R2", "slow", "in", bench.ohms(1e4, 4.7e4)),
        b.resistor("R3", "slow", "gnd", bench.ohms(1e4, 1e5)),
    )
    bench.tap(r1 * c1 * bench.dice.choice((1.0, 5.0)))


def follower(bench: Bench) -> None:
    """A follower charges a capacitor that it cannot discharge."""
    bench.supply()
    r1, c1, c2 = bench.ohms(4.7e3, 4.7e4), bench.farads(1e-7, 1e-6), bench.farads()
    re = bench.ohms(1e3, 1e4)
    bench.add(
        b.contact("S1", "rail", "feed"),
        b.resistor("R1", "feed", "base", r1),
        b.resistor("R2", "base", "gnd", bench.ohms(1e4, 1e5)),
        b.npn("Q1", "rail", "base", "e", bench.gain()),
        b.resistor("R3", "e", "store", bench.ohms(47.0, 1e3)),
        b.resistor("RE", "store", "gnd", re),
        b.capacitor("C2", "store", "gnd", c2),
    )
    if bench.chance(0.7):
        bench.add(b.film("C1", "base", "gnd", c1))
    if bench.chance(0.6):
        bench.add(
            b.resistor("R4", "store", "b2", bench.ohms(1e4, 4.7e4)),
            b.resistor("R5", "b2", "gnd", bench.ohms(4.7e3, 2.2e4)),
            b.npn("Q2", "out", "b2", "gnd", bench.gain()),
        )
        bench.collector_load("2", "out")
    bench.tap(max(r1 * c1, re * c2) * bench.dice.choice((0.3, 2.0)))


def coupled(bench: Bench) -> None:
    """A stage passes its edges through a capacitor to the next one."""
    bench.supply()
    c1, bias = bench.farads(), bench.ohms(1e4, 1e5)
    bench.add(
        b.contact("S1", "rail", "feed"),
        b.resistor("R1", "feed", "b1", bench.ohms(4.7e3, 2.2e4)),
        b.resistor("R2", "b1", "gnd", bench.ohms(1e4, 1e5)),
        b.npn("Q1", "c1", "b1", "gnd", bench.gain()),
        b.capacitor("C1", "c1", "b2", c1),
        b.resistor("R3", "rail", "b2", bias),
        b.npn("Q2", "out", "b2", "gnd", bench.gain()),
    )
    bench.collector_load("1", "c1")
    bench.collector_load("2", "out")
    if bench.chance(0.5):
        bench.add(b.diode("D1", "gnd", "b2"))
    if bench.chance(0.4):
        bench.add(b.resistor("R4", "b2", "gnd", bench.ohms(1e4, 1e5)))
    if bench.chance(0.4):
        bench.add(b.capacitor("C2", "out", "gnd", bench.farads()))
    bench.tap(bias * c1 * bench.dice.choice((0.3, 1.0, 3.0)))


def two_constants(bench: Bench) -> None:
    """Two RC sections one behind the other in front of a stage."""
    volts = bench.supply()
    while True:
        r1, r2 = bench.ohms(2.2e3, 4.7e4), bench.ohms(2.2e3, 1e5)
        upper, lower = bench.ohms(1e4, 2.2e5), bench.ohms(4.7e3, 1e5)
        aim = volts * (upper + lower) / (r1 + r2 + upper + lower)
        if 0.2 < 0.7 * (1.0 + upper / lower) / aim < 0.8:
            break
    c1, c2 = bench.farads(), bench.farads()
    bench.add(
        b.contact("S1", "rail", "feed"),
        b.resistor("R1", "feed", "one", r1),
        b.capacitor("C1", "one", "gnd", c1),
        b.resistor("R2", "one", "two", r2),
        b.capacitor("C2", "two", "gnd", c2),
        b.resistor("R3", "two", "base", upper),
        b.resistor("R4", "base", "gnd", lower),
        b.npn("Q1", "out", "base", "gnd", bench.gain()),
    )
    bench.collector_load("1", "out")
    if bench.chance(0.5):
        bench.add(b.diode("D1", "two", "one"))
    bench.tap((r1 * c1 + (r1 + r2) * c2) * bench.dice.choice((0.5, 2.0, 5.0)))


def ringing(bench: Bench) -> None:
    """A coil and a capacitor ring; a diode stops them or keeps the peak."""
    bench.supply()
    henries, c1 = bench.dice.choice((0.01, 0.05, 0.1)), bench.farads(1e-7, 2.2e-6)
    impedance = (henries / c1) ** 0.5
    ohms = impedance * bench.dice.choice((0.2, 0.5, 1.0))
    bench.add(
        b.contact("S1", "rail", "feed"),
        b.inductor("L1", "feed", "ring", henries, resistance=round(ohms, 1)),
        b.film("C1", "ring", "gnd", c1),
        b.resistor("R1", "ring", "gnd", bench.ohms(1e3, 1e4)),
        b.diode("D2", "gnd", "feed"),  # these two for the coil once the contact has opened
        b.diode("D4", "feed", "rail"),
    )
    kind = bench.dice.choice(("peak", "clamp", "both"))
    if kind in ("peak", "both"):
        bench.add(
            b.resistor("R2", "ring", "an", bench.ohms(10.0, 100.0)),
            b.diode("D1", "an", "peak"),
            b.capacitor("C2", "peak", "gnd", bench.farads(1e-7, 2.2e-6)),
            b.resistor("R3", "peak", "gnd", bench.ohms(1e3, 1e5)),
        )
    if kind in ("clamp", "both"):
        bench.add(b.resistor("R4", "ring", "cl", bench.ohms(47.0, 470.0)), b.diode("D3", "cl", "rail"))
    bench.tap((henries * c1) ** 0.5 * bench.dice.choice((2.0, 5.0, 15.0)))


def flasher(bench: Bench) -> None:
    """A complementary pair that a capacitor from its output to its input makes flash."""
    bench.supply()
    bench.add(
        b.resistor("R1", "rail", "b1", bench.ohms(1e6, 3.3e6)),
        b.npn("Q1", "c1", "b1", "gnd", bench.gain()),
        b.resistor("R2", "c1", "b2", bench.ohms(1e3, 4.7e3)),
        b.resistor("R3", "rail", "b2", bench.ohms(4.7e3, 2.2e4)),
        b.pnp("Q2", "out", "b2", "rail", bench.gain()),
        b.resistor("R4", "out", "gnd", bench.ohms(33.0, 150.0)),
        b.capacitor("C1", "out", "fb", bench.farads()),
        b.resistor("R5", "fb", "b1", bench.ohms(1e3, 1e4)),
    )
    if bench.chance(0.4):
        bench.add(b.resistor("R6", "b1", "gnd", bench.ohms(1e5, 4.7e5)))


def graph(bench: Bench) -> None:
    """Resistors, one to three capacitors, transistors and diodes between nets at will."""
    dice = bench.dice
    bench.add(b.supply("V1", "rail", "gnd", dice.choice(VOLTS), 10.0))  # junctions may short it
    nets = [f"n{k}" for k in range(1, dice.randint(3, 5))]
    ends = [*nets, "rail", "gnd"]

    def apart(*taken: str) -> str:
        return dice.choice([net for net in ends if net not in taken])

    for k, net in enumerate(nets):
        for side in ("A", "B")[: dice.randint(1, 2)]:
            bench.add(b.resistor(f"R{k}{side}", net, apart(net), bench.ohms(1e3, 4.7e4)))
        bench.add(b.resistor(f"R{k}G", net, "gnd", bench.ohms(1e4, 1e5)))
    for k in range(dice.randint(1, 3)):
        first = dice.choice(nets)
        bench.add(b.film(f"C{k}", first, apart(first, "rail"), bench.farads()))
    taken: set[tuple[str, str]] = set()  # junctions in parallel would leave their currents open
    for k in range(dice.randint(1, 3)):
        kind = dice.choice(("npn", "pnp"))
        for _ in range(50):
            base = dice.choice(nets)
            collector = apart(base)
            emitter = apart(base, collector)
            pairs = {(base, other) if kind == "npn" else (other, base) for other in (collector, emitter)}
            if not pairs & taken:
                taken |= pairs
                make = b.npn if kind == "npn" else b.pnp
                bench.add(make(f"Q{k}", collector, base, emitter, bench.gain()))
                break
    for k in range(dice.randint(0, 2)):
        anode = dice.choice(nets)
        cathode = apart(anode, "gnd")
        if (anode, cathode) not in taken:
            taken.add((anode, cathode))
            bench.add(b.diode(f"D{k}", anode, cathode))
    bench.add(
        b.contact("S1", "rail", "feed"), b.resistor("RS", "feed", dice.choice(nets), bench.ohms(1e3, 1e4))
    )
    bench.tap(dice.choice((1e-3, 1e-2, 0.1)))


FAMILIES: Mapping[str, Callable[[Bench], None]] = {
    maker.__name__: maker
    for maker in (
        charge_switch,
        hold_on,
        one_shot,
        astable,
        self_resetting,
        relay,
        trigger,
        follower,
        coupled,
        two_constants,
        ringing,
        flasher,
        graph,
    )
}
