"""What a battery that is put in backwards does to the parts behind it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.configurations import configurations
from rules.analysis.resolve import TRANSISTORS
from rules.analysis.states import State, find_states
from rules.analysis.stress import between, is_polarised, reversal_pair, reverse_pair

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rules.analysis.study import Study
    from schemas.circuit import Part


@dataclass(frozen=True, slots=True)
class Strain:
    """What one part has to stand: ``value`` against ``limit`` in ``unit`` (V or A).

    ``words`` go between the part and the value; ``source`` is that of the limit, empty for a rating.
    """

    part: str
    words: str
    value: float
    limit: float
    unit: str
    state: str
    source: str = ""

    @property
    def share(self) -> float:
        return self.value / self.limit

    @property
    def breaks(self) -> bool:
        return self.value > self.limit


@dataclass(frozen=True, slots=True)
class Turned:
    """Everything that was found with a battery backwards at its highest voltage (V).

    ``shorts`` are parts that nothing protects from unlimited current; ``unknown`` says what was not found.
    """

    volts: float
    strains: tuple[Strain, ...]
    shorts: tuple[str, ...]
    unknown: str


def turned(study: Study, battery: str, limits: Mapping[str, tuple[float, str]]) -> Turned:
    """All positions of contacts and drivers with the battery turned round.

    ``limits`` maps ``led``, ``capacitor`` and ``emitter`` to a reverse voltage (V) and its source, for parts
    that state none.
    """
    nominal, high = study.value(battery, "voltage"), study.value(battery, "high")
    volts = max(nominal, high, key=abs)
    resolved = study.resolved.with_values({(battery, "voltage"): -volts})
    strains: dict[tuple[str, str], Strain] = {}
    shorts: set[str] = set()
    unknown = ""
    for configuration in configurations(study.circuit)[0]:
        found = find_states(resolved, configuration, "typical", None, study.step_budget)
        for fault in found.faults:
            if fault.kind == "supply-short":
                shorts |= set(fault.parts)
        if not found.complete and not found.faults:
            unknown = unknown or found.reason
        for state in found.stable:
            if _blows(study, state):
                continue
            for strain in _strains(study, state, limits):
                key = strain.part, strain.words
                if key not in strains or strain.share > strains[key].share:
                    strains[key] = strain
    ranked = sorted(strains.values(), key=lambda strain: (-strain.share, strain.part, strain.words))
    return Turned(abs(volts), tuple(ranked), tuple(sorted(shorts)), unknown)


def _blows(study: Study, state: State) -> bool:
    """True where a fuse carries more than it is rated for: that state does not last."""
    return any(
        abs(amps) > study.value(part.name, "current")
        for part in study.circuit.parts.values()
        if part.kind == "fuse" and (amps := state.currents[part.name]["a"]) is not None
    )


def _strains(study: Study, state: State, limits: Mapping[str, tuple[float, str]]) -> Iterator[Strain]:
    for part in study.circuit.parts.values():
        if is_polarised(part):
            yield from _reverse(study, state, part, reversal_pair(part), "is charged the wrong way", limits)
        elif part.kind == "led":
            pair = part.pins["cathode"], part.pins["anode"]
            yield from _reverse(study, state, part, pair, "stands backwards", limits)
        elif part.kind in TRANSISTORS:
            words = "has its emitter junction reversed by"
            yield from _reverse(study, state, part, reverse_pair(part), words, limits)
        if part.kind in (*TRANSISTORS, "diode", "zener", "led"):
            yield from _carried(study, state, part)


_MEMBERS = {"capacitor": "", "led": "reverse", "npn": "vebo", "pnp": "vebo"}
_KEYS = {"capacitor": "capacitor", "led": "led", "npn": "emitter", "pnp": "emitter"}


def _reverse(
    study: Study,
    state: State,
    part: Part,
    pair: tuple[str, str],
    words: str,
    limits: Mapping[str, tuple[float, str]],
) -> Iterator[Strain]:
    volts = between(state, pair)
    if volts is None or volts <= 0.0:
        return
    limit, source = limits[_KEYS[part.kind]]
    rated = study.known(part.name, _MEMBERS[part.kind])
    if rated is not None:
        limit, source = rated.value, ""
    yield Strain(part.name, words, volts, limit, "V", state.name, source)


def _carried(study: Study, state: State, part: Part) -> Iterator[Strain]:
    """The largest current through a junction part against its rated one, where one is known."""
    rated = study.known(part.name, "current")
    amps = max((abs(value) for value in state.currents[part.name].values() if value is not None), default=0.0)
    if rated is not None and amps > 0.0:
        yield Strain(part.name, "carries", amps, rated.value, "A", state.name)
