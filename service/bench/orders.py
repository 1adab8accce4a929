"""In which order a board is brought up and probed, each step with its numbers."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.graph import distances
from rules.analysis.metering import source_current
from rules.analysis.preferred import nearest
from rules.analysis.standing import drawn, with_leakage
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.study import Situation, Study

FIRST_TRIAL = 100.0  # a timing capacitor so many times smaller first: the delay scales with it
HEADROOM = 1.5  # of the greatest supply current, for the limit of a bench supply; common practice, no source
SENSE = 10e3  # ohm; in series with the supply to see a small standing current; common practice, no source
SMALL = 1e-4  # A; a standing current below it is read across that resistor


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, and what it is for or what has to be seen."""

    do: str
    expect: str


def probing(study: Study, nets: Sequence[str]) -> tuple[str, ...]:
    """Nets in the order to probe them: supply rails, then ever further from them, ground left out."""
    far = distances(study.circuit, study.roles.rails)
    known = [net for net in nets if net != study.circuit.ground]
    return tuple(sorted(known, key=lambda net: (far.get(net, math.inf), net)))


def bring_up(study: Study) -> tuple[Step, ...]:
    """From the bare board to every state, in order."""
    return tuple(_steps(study))


def _steps(study: Study) -> Iterator[Step]:
    circuit = study.circuit
    resistors = [part.name for part in circuit.parts.values() if part.kind == "resistor"]
    if resistors:
        yield Step(
            "Supply off, capacitors discharged: measure the resistors before they are soldered in.",
            f"{len(resistors)} resistors within their tolerance; in the circuit other paths lie across them.",
        )
    polarised = sorted(p.name for p in circuit.parts.values() if p.kind == "capacitor" and "plus" in p.pins)
    pointed = sorted(p.name for p in circuit.parts.values() if p.kind in ("diode", "led", "zener"))
    if polarised or pointed:
        yield Step(
            "Check by eye which way round every polarised part sits.",
            f"{', '.join([*polarised, *pointed])}: the marked ends as drawn; an electrolytic capacitor put in"
            " backwards may vent.",
        )
    sources = sorted(p.name for p in circuit.parts.values() if p.kind in ("battery", "supply"))
    for name in sources:
        yield from _first_power(study, name)
    yield from _timing(study)


def _first_power(study: Study, source: str) -> Iterator[Step]:
    situations = study.situations()
    found = [(s, source_current(s, source)) for s in situations]
    known = [(s, amps) for s, amps in found if amps is not None]
    if not known:
        return
    most = max(amps[2] for _, amps in known)
    volts = study.value(source, "voltage")
    limit = _up(HEADROOM * most)
    yield Step(
        f"Use a bench supply of {format_quantity(volts, 'V', 3)} in place of {source}, its current limit at"
        f" {format_quantity(limit, 'A', 2)}.",
        f"In every state at its worst corner {source} gives at most {format_quantity(most, 'A', 3)}; if the"
        " limit acts, switch off and look for a short.",
    )
    rest = next((s for s in situations if s.timed is None), None)
    amps = None if rest is None else source_current(rest, source)
    if rest is None or amps is None:
        return
    if amps[2] < SMALL:
        leaking = _with_leakage(study, rest, source)
        drop = leaking * SENSE
        yield Step(
            f'Put {format_quantity(SENSE, "ohm", 2)} in series with {source} and wait in "{rest.label}".',
            f"At most {format_quantity(drop, 'V', 2)} across it: {format_quantity(leaking, 'A', 2)}, with"
            " everything leaking as much as its sheet allows at the highest temperature. Take it out again.",
        )
    else:
        yield Step(
            f'Read the current of {source} in "{rest.label}".',
            f"{format_quantity(amps[0], 'A', 3)}; {format_quantity(amps[1], 'A', 3)} to"
            f" {format_quantity(amps[2], 'A', 3)} within the tolerances.",
        )


def _with_leakage(study: Study, rest: Situation, source: str) -> float:
    """What a source gives (A) at rest with every leakage at its limit; nothing else where none is known."""
    leaky = with_leakage(study, rest)
    amps = None if leaky is None else drawn(leaky.state, (source,))
    if amps is None:
        amps = drawn(rest.state, (source,))
    return max(0.0, amps or 0.0)


def _timing(study: Study) -> Iterator[Step]:
    longest: dict[str, float] = {}
    rest = study.state_sets()[0].configuration.key
    found = [timed for timed in study.timing() if timed.configuration.key == rest] or study.timing()
    for timed in found:
        if math.isfinite(timed.duration):
            longest[timed.capacitor] = max(longest.get(timed.capacitor, 0.0), timed.duration)
    for name, seconds in sorted(longest.items()):
        if seconds < 2.0:
            continue
        farads = study.value(name, "capacitance")
        trial = nearest(farads / FIRST_TRIAL, "E6")
        yield Step(
            f"Fit {format_quantity(trial, 'F', 3)} in place of {name} ({format_quantity(farads, 'F', 3)})"
            " first.",
            f"The delay is then about {format_quantity(seconds * trial / farads, 's', 2)} instead of"
            f" {format_quantity(seconds, 's', 3)}, so that many trials cost little time. Fit {name} last; if"
            " it was in store for long, leave it under voltage for some minutes first.",
        )


def _up(amps: float) -> float:
    """The next of 1, 2, 5, 10 ... (A)."""
    if amps <= 0.0:
        return 1e-3
    decade = 10.0 ** math.floor(math.log10(amps))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if step * decade >= amps * (1.0 - 1e-9))


def moves_for(study: Study, situation: Situation) -> str:
    """How to get into a state, in words: what to move, or what to leave alone."""
    rest = study.state_sets()[0].configuration
    here = situation.state.mode.network.configuration
    moved = [
        f"{name} {to}"
        for name, to in sorted({**here.contacts, **here.drivers}.items())
        if {**rest.contacts, **rest.drivers}.get(name) != to
    ]
    words = f"with {', '.join(moved)}" if moved else "with every contact and driver at rest"
    first = next((s for s in study.situations() if s.timed is None), None)
    leads = "" if first is not None and first.state is situation.state else _stimuli(study, situation)
    return f"{words}; {leads} leads there" if leads else words


def _stimuli(study: Study, situation: Situation) -> str:
    """The stimuli after which the circuit is in this state, as their runs show."""
    wanted: Mapping[str, str] = dict(situation.state.devices)
    position = situation.position
    found = []
    for name in sorted(study.circuit.stimuli):
        run = study.timeline(name)
        if any(
            dict(interval.state.devices) == wanted and interval.configuration.key == position
            for interval in run.intervals
        ):
            found.append(f'"{name}"')
    return " or ".join(found)
