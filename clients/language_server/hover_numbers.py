"""The numbers of a hover: what a part, a pin or a net does in every state, from the study of the circuit.

States are those of ``thumbrule states`` at typical gain: stable and unstable
ones of every position, then timed ones at their start.  A band is the worst
case over all tolerances in that state (``rules.analysis.corners.worst``); it
costs some milliseconds, so that a hover works out at most ``most`` of them and
the study remembers each.  :func:`warm` works them out beforehand.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

from clients.language_server.markdown import code, plain
from schemas.quantities import format_quantity

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Part

MOST_STATES = 10
ROUNDING = 1e-12  # of a voltage
MOST_BANDS = 4
TRANSISTORS = ("npn", "pnp")
Quantity: TypeAlias = Callable[["State"], "float | None"]
Band: TypeAlias = tuple[float, float, bool]


@dataclass(frozen=True, eq=False)
class Row:
    """A state as a row of a table: its name, where it is, and whether it stays."""

    state: State
    place: str
    remark: str

    @property
    def bands(self) -> bool:
        """Whether a worst case is worth its time: nobody measures in an unstable state."""
        return self.remark != "unstable"

    @property
    def title(self) -> str:
        told = "; ".join(word for word in (self.place, self.remark) if word)
        return plain(self.state.name) + (f" ({plain(told)})" if told else "")


def rows_of(study: Study) -> tuple[Row, ...]:
    """Every state at typical gain, rest first, stable ones before unstable ones of a position."""
    found = []
    for which in study.state_sets():
        for stable in (True, False):
            found += [Row(state, which.configuration.key, "" if stable else "unstable")
                      for state in which.states if state.stable is stable]
    for timed in study.timing():
        lasts = format_quantity(timed.duration, "s", 3)
        ends = f"lasts {lasts}" if timed.duration != float("inf") else "never ends"
        found.append(Row(timed.state, timed.configuration.key, f"timed by {timed.capacitor}, {ends}"))
    return tuple(found)


@dataclass
class Numbers:
    """Reads quantities of states for one hover; ``left`` is how many bands it may still work out."""

    study: Study
    left: int = MOST_BANDS
    rows: tuple[Row, ...] = field(init=False)
    bands: dict[tuple[State, tuple[str, ...]], Band | None] = field(init=False)

    def __post_init__(self) -> None:
        self.rows = self.study.shared(("editor rows",), lambda: rows_of(self.study))
        self.bands = self.study.shared(("editor bands",), dict)

    def told(self, row: Row, key: tuple[str, ...], quantity: Quantity, unit: str, *,
             band: bool = True) -> str:
        """``8.9 V`` or ``8.9 V (8.2 to 9.4 V)``; ``undefined`` where the circuit does not determine it."""
        value = quantity(row.state)
        if value is None:
            return "undefined"
        text = format_quantity(float(value), unit)
        ends = self.band(row, key, quantity) if band and row.bands else None
        if ends is None:
            return text
        low, high, holds = ends
        least, most = format_quantity(low, unit, 3), format_quantity(high, unit, 3)
        if least == most:
            return text
        number, _, same = least.rpartition(" ")
        least = number if number and same == most.rpartition(" ")[2] else least
        return f"{text} ({least} to {most}{'' if holds else ', leaves the state'})"

    def band(self, row: Row, key: tuple[str, ...], quantity: Quantity) -> Band | None:
        """Least, greatest, and whether the state exists at both ends; ``None`` when not worked out."""
        place = row.state, key
        if place not in self.bands:
            if self.left <= 0:
                return None
            self.left -= 1
            self.bands[place] = _bounds(row.state, quantity)
        return self.bands[place]

    # --- tables ---------------------------------------------------------------------------------------

    def net(self, net: str) -> list[list[str]]:
        """State and voltage."""
        return [[row.title, self.net_in(row, net)] for row in self.shown()]

    def net_in(self, row: Row, net: str, *, band: bool = True) -> str:
        return self.told(row, ("net", net), voltage(net), "V", band=band)

    def given(self, row: Row, source: str) -> str:
        """The current out of a battery or supply."""
        return self.told(row, ("given", source), _out_of(source), "A")

    def pin(self, part: str, pin: str, net: str) -> list[list[str]]:
        """State, voltage of the net, current into the pin."""
        return [[row.title, self.told(row, ("net", net), voltage(net), "V"),
                 self.told(row, ("current", part, pin), current(part, pin), "A")] for row in self.shown()]

    def part(self, part: Part) -> tuple[list[str], list[list[str]]]:
        """Head and rows: state, region, voltages, currents, power."""
        if part.kind in TRANSISTORS:
            ends = [("V_CE", "collector", "emitter"), ("V_BE", "base", "emitter")]
            flows = [("I_C", "collector"), ("I_B", "base")]
        else:
            first, second = list(_ordered(part))[:2]
            ends = [(f"V {first}-{second}", first, second)]
            flows = [(f"I into {first}", first)]
        head = ["state", "region", *(title for title, *_ in ends), *(title for title, _ in flows), "power"]
        rows = []
        for row in self.shown():
            cells = [row.title, row.state.devices.get(part.name, "")]
            cells += [self.told(row, ("across", part.name, one, other),
                                across(part.pins[one], part.pins[other]), "V", band=False)
                      for _, one, other in ends]
            cells += [self.told(row, ("current", part.name, pin), current(part.name, pin), "A")
                      for _, pin in flows]
            cells.append(self.told(row, ("power", part.name), power(part.name), "W"))
            rows.append(cells)
        return head, rows

    def shown(self) -> tuple[Row, ...]:
        return self.rows[:MOST_STATES]

    def more(self) -> list[str]:
        """A line about the states that are not shown, and why a circuit has none."""
        if not self.rows:
            return [f"No state: {plain(fault.message)}" for _, fault in self.study.faults[:1]] or [
                "No state was found."]
        rest = len(self.rows) - MOST_STATES
        return [f"and {rest} more states: {code('thumbrule states')}"] if rest > 0 else []


def voltage(net: str) -> Quantity:
    return lambda state: state.nets[net]


def current(part: str, pin: str) -> Quantity:
    return lambda state: state.currents[part][pin]


def _out_of(source: str) -> Quantity:
    def quantity(state: State) -> float | None:
        into = state.currents[source]["plus"]
        return None if into is None else -into
    return quantity


def power(part: str) -> Quantity:
    return lambda state: state.power[part]


def across(one: str, other: str) -> Quantity:
    def quantity(state: State) -> float | None:
        high, low = state.nets[one], state.nets[other]
        if high is None or low is None:
            return None
        difference = high - low
        # What rounding leaves of two equal voltages is nothing.
        return 0.0 if abs(difference) < ROUNDING * max(abs(high), abs(low)) else difference
    return quantity


def _bounds(state: State, quantity: Quantity) -> Band | None:
    from rules.analysis.corners.worst import bounds

    ends = bounds(state, quantity)
    if ends is None:
        return None
    return float(ends.low.value), float(ends.high.value), ends.low.holds and ends.high.holds


def _ordered(part: Part) -> tuple[str, ...]:
    """The pins in the order of the kind."""
    from schemas.kinds import KINDS

    for pins in KINDS[part.kind].pins:
        if set(pins) == set(part.pins):
            return pins
    return tuple(part.pins)


def warm(study: Study) -> Iterator[None]:
    """Works out the bands that hovers ask for, one at each step, so that a caller can stop in between."""
    numbers = Numbers(study, left=1 << 30)
    for row in numbers.shown():
        if not row.bands:
            continue
        for net in study.circuit.net_names:
            numbers.band(row, ("net", net), voltage(net))
            yield
        for part in study.circuit.parts.values():
            pins = ("collector", "base") if part.kind in TRANSISTORS else _ordered(part)[:1]
            for pin in pins:
                numbers.band(row, ("current", part.name, pin), current(part.name, pin))
                yield
            numbers.band(row, ("power", part.name), power(part.name))
            yield
