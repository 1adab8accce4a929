"""Random circuits that time something, from a seed: families of the trade and graphs thrown together.

Values are preferred ones; time constants lie between some microseconds and some seconds.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass

from schemas.circuit import Circuit, Part, frozen_map
from tests import builders as b
from tests.timed_bench import Bench, Stimulus
from tests.timed_families import FAMILIES


@dataclass(frozen=True)
class Timed:
    """A circuit with what is done to it; ``scale`` (s) is no shorter than its slowest time constant."""

    name: str
    circuit: Circuit
    stimulus: str | None
    start: str  # "rest" or "power-up"
    scale: float

    @property
    def actions(self) -> Stimulus:
        return self.circuit.stimuli[self.stimulus] if self.stimulus else ()


def timed(family: str, seed: int) -> Timed:
    """One circuit of a family; every third one with NPN and PNP and all polarities exchanged."""
    bench = Bench(random.Random(f"{family} {seed}"))
    FAMILIES[family](bench)
    parts = [mirrored(part) for part in bench.parts] if seed % 3 == 2 else bench.parts
    stimuli = {"go": bench.stimulus} if bench.stimulus else {}
    subject = b.circuit(*parts, name=f"{family}-{seed}", stimuli=frozen_map(stimuli))
    cold = not bench.stimulus
    return Timed(
        subject.name, subject, "go" if stimuli else None, "power-up" if cold else "rest", _scale(subject)
    )


def reversed_polarity(case: Timed) -> Timed:
    """The same circuit with every voltage and current reversed."""
    parts = [mirrored(part) for part in case.circuit.parts.values()]
    subject = b.circuit(*parts, name=f"{case.name} reversed", stimuli=case.circuit.stimuli)
    return Timed(subject.name, subject, case.stimulus, case.start, case.scale)


def initial_nets(known: Mapping[str, float | None], subject: Circuit) -> dict[str, float]:
    """Net voltages (V) of a state to begin with; open ones so that the capacitors there are empty."""
    volts = {net: value for net, value in known.items() if value is not None}
    ends = [tuple(p.pins.values()) for p in subject.parts.values() if p.kind == "capacitor"]
    for _ in ends:
        for one, other in (*ends, *(pair[::-1] for pair in ends)):
            if one in volts and other not in volts:
                volts[other] = volts[one]
    return volts


def mirrored(part: Part) -> Part:
    """The same part with every voltage and current reversed."""
    pins, values = dict(part.pins), dict(part.values)
    for first, second in (("anode", "cathode"), ("plus", "minus")):
        if first in pins and part.kind not in ("supply", "battery"):
            pins[first], pins[second] = pins[second], pins[first]
    for member in ("voltage", "low", "high", "current"):
        value = values.get(member)
        if isinstance(value, float) and part.kind in ("supply", "battery", "driver", "current-source"):
            values[member] = -value
    kind = {"npn": "pnp", "pnp": "npn"}.get(part.kind, part.kind)
    return Part(part.name, kind, frozen_map(pins), frozen_map(values))


def _scale(subject: Circuit) -> float:
    """All capacitors times the largest resistances, or all inductance over the smallest resistance."""
    parts = subject.parts.values()
    ohms = sorted(p.number("resistance") or 0.0 for p in parts if p.kind == "resistor")
    farads = sum(p.number("capacitance") or 0.0 for p in parts)
    coils = [p for p in parts if p.number("inductance")]
    fields = [(p.number("inductance") or 0.0) / (p.number("resistance") or 1.0) for p in coils]
    return max(farads * sum(ohms[-2:]), 2.0 * sum(fields))
