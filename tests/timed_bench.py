"""A bench for circuits that time something: gathers parts, every value thrown with one seeded die."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

from schemas.circuit import Action, Part
from tests import builders as b
from tests.random_circuits import DECADE, GAINS

Stimulus = tuple[Action, ...]
VOLTS = (5.0, 6.0, 9.0, 12.0, 15.0)


@dataclass
class Bench:
    """Gathers parts; every value is thrown with one seeded die."""

    dice: random.Random
    parts: list[Part] = field(default_factory=list)
    stimulus: Stimulus = ()

    def ohms(self, low: float, high: float) -> float:
        """A preferred value between two limits."""
        values = [m * 10.0**e for e in range(-1, 6) for m in DECADE if low <= m * 10.0**e <= high]
        return self.dice.choice(values)

    def farads(self, low: float = 1e-7, high: float = 1e-5) -> float:
        values = [m * 10.0**e for e in range(-10, -4) for m in (10, 15, 22, 33, 47, 68)]
        return self.dice.choice([value for value in values if low <= value <= high * (1 + 1e-9)])

    def gain(self) -> float:
        return self.dice.choice(GAINS[2:])

    def chance(self, share: float) -> bool:
        return self.dice.random() < share

    def add(self, *parts: Part) -> None:
        self.parts.extend(parts)

    def supply(self, net: str = "rail") -> float:
        volts = self.dice.choice(VOLTS)
        self.add(b.supply("V1", net, "gnd", volts, self.dice.choice((None, None, 1.0, 10.0))))
        return volts

    def collector_load(self, name: str, net: str, low: float = 470.0, high: float = 4.7e3) -> None:
        """A resistor to the rail, now and then with an LED in series."""
        if self.chance(0.3):
            self.add(b.led(f"LED{name}", f"x{name}", net, 2.0))
            self.add(b.resistor(f"RC{name}", "rail", f"x{name}", self.ohms(low, high)))
        else:
            self.add(b.resistor(f"RC{name}", "rail", net, self.ohms(low, high)))

    def tap(self, seconds: float, contact: str = "S1", again: float | None = None) -> None:
        """The stimulus: close a contact for a while, and once more after a pause."""
        first = self.dice.choice((0.0, 0.0, 0.3)) * seconds
        self.stimulus = b.press(contact, seconds, first)
        if again is not None:
            self.stimulus += b.press(contact, seconds, first + seconds + again)
