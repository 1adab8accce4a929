"""What about a circuit can hurt, in one wording for the findings and for the cautions of a review.

Nothing here is a substitute for local codes and licensed practice, and the sentences say so.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

from rules.analysis.elements import SOURCES
from rules.analysis.formulas.field import matched_power, short_circuit_current
from rules.analysis.operating import everywhere
from schemas.finding import Limit

if TYPE_CHECKING:
    from rules.analysis.states import State
    from rules.analysis.study import Study
    from schemas.circuit import Circuit, Part

SCOPE = Limit(
    "scope",
    60.0,
    "V",
    "extra-low voltage that needs no basic protection in dry places (clause 414.4.5 of the HD/IEC 60364-4-41"
    " family); also the appliance limit of IEC 62282-5-1:2012, 3.23",
    "highest DC voltage of a circuit that a review covers",
)
SELV = Limit(
    "selv",
    120.0,
    "V",
    "safety extra-low voltage, ripple-free d.c. (IEC 61558-1:2005, 3.7.16)",
    "highest DC voltage that is extra-low at all",
)
NOT_FOR: Mapping[str, str] = MappingProxyType(
    {
        "life-safety": "the safety of people",
        "medical": "medical use",
        "vehicle-braking": "the brakes of a vehicle",
    }
)
"""Uses that no review can vouch for, in words."""

_SOURCE_VALUES = ("voltage", "low", "high")


def above_scope(volts: float, scope: float = SCOPE.value) -> str:
    """The sentence about a voltage above ``scope`` V."""
    beyond = " and above 120 V DC, the limit of safety extra-low voltage" if volts > SELV.value else ""
    return (
        f"{volts:.4g} V stands in this circuit: above {scope:.0f} V DC{beyond}. That is outside the"
        " scope of this review; touching it can injure. Follow the local electrical code and leave it to"
        " a licensed practitioner."
    )


def not_for(use: str | None) -> str:
    """The sentence about a use that no review can vouch for; empty for any other."""
    if use is None or use not in NOT_FOR:
        return ""
    return (
        f"This circuit is meant for {NOT_FOR[use]}. That is outside what a review by rules of thumb can vouch"
        " for, whatever else it says: such equipment has to be designed, tested and approved under the codes"
        " that apply locally, by those who are licensed to do so."
    )


def declared_volts(part: Part) -> float:
    """The largest voltage that the document states for a source, V; 0 for any other part."""
    given = (part.number(key) for key in _SOURCE_VALUES) if part.kind in SOURCES else ()
    return max((abs(value) for value in given if value is not None), default=0.0)


def highest_source(circuit: Circuit) -> float:
    """The largest declared source voltage in V."""
    return max((declared_volts(part) for part in circuit.parts.values()), default=0.0)


def span_of(state: State) -> tuple[float, str, str]:
    """The largest voltage (V) between two nets of a state, the higher net and the lower one."""
    known = sorted((value, net) for net, value in state.nets.items() if value is not None)
    if not known:
        return 0.0, "", ""
    (low, lower), (high, higher) = known[0], known[-1]
    return high - low, higher, lower


def greatest_draw(study: Study, part: str, pin: str) -> float:
    """The largest current (A) of a pin in any resting or timed state at any gain."""
    found = (situation.state.currents[part][pin] for situation in everywhere(study))
    return max((abs(current) for current in found if current is not None), default=0.0)


def fused(circuit: Circuit, source: str) -> bool:
    """True when every way from one end of a source to the other, outside of it, leads through a fuse."""
    pins = circuit.parts[source].pins
    start, goal = pins["plus"], pins["minus"]
    near: dict[str, set[str]] = {}
    for part in circuit.parts.values():
        if part.name == source or part.kind == "fuse":
            continue
        for net in part.pins.values():
            near.setdefault(net, set()).update(part.pins.values())
    reached, front = {start}, deque([start])
    while front:
        for net in sorted(near.get(front.popleft(), set()) - reached):
            reached.add(net)
            front.append(net)
    return goal not in reached


def ability(part: Part) -> tuple[float, float] | None:
    """What a source can give: (A into a short, W into the best load); ``None`` where nothing tells.

    By its declared greatest current, else, of a battery, by its internal resistance: a declared zero is an
    ideal source in a drawing and tells nothing, and a regulated supply gives way long before.
    """
    volts, most, internal = declared_volts(part), part.number("current"), part.number("resistance")
    if most is not None:
        return most, most * volts
    if internal and part.kind == "battery":
        return short_circuit_current(volts, internal), matched_power(volts, internal)
    return None


def shares_nets(circuit: Circuit, contact: str) -> tuple[str, ...]:
    """Parts that are not behind mains contacts alone but joined to the nets of this one, sorted.

    Everything that parts join to the two ends of the contact counts, except that other mains contacts and
    plain loads belong to the mains side; a source, the reference net or any other part does not.
    """
    parts = circuit.parts
    reached, front = set(parts[contact].pins.values()), deque(sorted(parts[contact].pins.values()))
    strange: set[str] = set()
    while front:
        net = front.popleft()
        for part in parts.values():
            if part.name == contact or net not in part.pins.values():
                continue
            ours = part.kind in ("load", "fuse") or part.values.get("mains") is True
            if not ours:
                strange.add(part.name)
                continue
            for other in sorted(set(part.pins.values()) - reached):
                reached.add(other)
                front.append(other)
    return tuple(sorted(strange))
