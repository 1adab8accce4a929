"""Nets with a single pin, what such a wire was probably meant to reach, and findings that follow from one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.additions import Fitting
from rules.analysis.elements import RESISTIVE
from rules.analysis.resolve import SUPPLIES, TRANSISTORS
from schemas.finding import identity
from schemas.problems import edit_distance

if TYPE_CHECKING:
    from schemas.circuit import Circuit, Part

SLUG, ROLE = "one-pin-net", "one pin"
MOST = 3  # homes that are proposed for one pin
_LOOK_ALIKE = str.maketrans("1io5", "ll0s")  # l 1 i, o 0, s 5
_RETURNS = ("cathode", "minus", "reference", "emitter")  # pins that usually lead back to the minus side


@dataclass(frozen=True, slots=True)
class Lonely:
    """A pin that has its net to itself."""

    part: str
    pin: str
    net: str

    @property
    def finding(self) -> str:
        """The identity of the finding about it."""
        return identity(SLUG, (self.part,), (self.net,), ROLE)


@dataclass(frozen=True, slots=True)
class Home:
    """A net where a lonely pin may belong; ``why`` in words that follow its name."""

    net: str
    why: str


def pin_counts(circuit: Circuit) -> Counter[str]:
    """How many pins stand on each net; nets without any are left out."""
    return Counter(net for part in circuit.parts.values() for net in part.pins.values())


def is_terminal(circuit: Circuit, net: str) -> bool:
    note = circuit.nets.get(net)
    return note is not None and note.terminal


def lonely_pins(circuit: Circuit) -> tuple[Lonely, ...]:
    """Every pin that is alone on a net which does not leave the board, by part and pin."""
    counts = pin_counts(circuit)
    return tuple(
        Lonely(part.name, pin, net)
        for part in circuit.parts.values()
        for pin, net in sorted(part.pins.items())
        if counts[net] == 1 and not is_terminal(circuit, net)
    )


def cause_among(circuit: Circuit, nets: Iterable[str]) -> str | None:
    """The finding about the first one-pin net among ``nets``; ``None`` where there is none."""
    wanted = set(nets)
    return next((lonely.finding for lonely in lonely_pins(circuit) if lonely.net in wanted), None)


def is_unused_throw(circuit: Circuit, lonely: Lonely) -> bool:
    """True for a contact with nothing on it whose other end another contact shares: one throw of two."""
    part = circuit.parts[lonely.part]
    if part.kind != "contact":
        return False
    common = next(net for pin, net in part.pins.items() if pin != lonely.pin)
    rest = part.text("rest") or "open"
    return any(
        other.kind == "contact"
        and other.name != part.name
        and common in other.pins.values()
        and (other.text("rest") or "open") != rest
        for other in circuit.parts.values()
    )


def homes(circuit: Circuit, lonely: Lonely) -> tuple[Home, ...]:
    """Nets the pin may belong to: the nearest in spelling, else those that complete a usual pattern.

    Of several that are spelt equally near only those that complete a pattern too.
    """
    part = circuit.parts[lonely.part]
    known = [net for net in sorted(pin_counts(circuit)) if net not in part.pins.values()]
    found: dict[str, Home] = {}
    for home in _patterns(circuit, part, lonely.pin):
        if home.net in known:
            found.setdefault(home.net, home)
    near = spelt_alike(lonely.net, known)
    if len(near) > 1:
        near = tuple(net for net in near if net in found)
    if near:
        return tuple(Home(net, "spelt nearly the same") for net in near)[:MOST]
    return tuple(found.values())[:MOST]


def spelt_alike(name: str, known: Iterable[str]) -> tuple[str, ...]:
    """The nets within two letters of a name that are nearest to it; case and look-alikes count for less."""
    ranked = []
    for net in known:
        distance = edit_distance(name.lower(), net.lower())
        if distance <= 2 and distance < min(len(net), len(name)):
            ranked.append((edit_distance(_plain(name), _plain(net)), distance, net))
    least = min(ranked, default=(0, 0, ""))[:2]
    return tuple(net for *far, net in ranked if tuple(far) == least)


def _plain(name: str) -> str:
    """A name with the characters that are read for one another made the same."""
    return name.lower().translate(_LOOK_ALIKE)


def fitted(lonely: Lonely, home: Home) -> Fitting:
    """The pin moved home."""
    return Fitting(moved=((lonely.part, lonely.pin, home.net),))


def _patterns(circuit: Circuit, part: Part, pin: str) -> Iterator[Home]:
    """What usually hangs on the other end of such a part: bleed, collector load, emitter resistor, return."""
    plus, minus = _rails(circuit)
    if part.kind in RESISTIVE:
        other = next(net for name, net in part.pins.items() if name != pin)
        for transistor in circuit.parts.values():
            if transistor.kind not in TRANSISTORS:
                continue
            name, pins = transistor.name, transistor.pins
            upper, lower = (plus, minus) if transistor.kind == "npn" else (minus, plus)
            if pins["base"] == other:
                yield Home(pins["emitter"], f"base to emitter of {name}")
            if pins["collector"] == other:
                yield from (Home(net, f"collector load of {name}") for net in upper)
            if pins["emitter"] == other:
                yield from (Home(net, f"emitter resistor of {name}") for net in lower)
    elif part.kind in TRANSISTORS and pin == "emitter":
        wanted = minus if part.kind == "npn" else plus
        yield from (Home(net, "where its emitter current flows") for net in wanted)
    elif part.kind not in TRANSISTORS and pin in _RETURNS:
        yield from (Home(net, "the return of its current") for net in minus)
    elif pin in ("anode", "plus") and part.kind not in SUPPLIES:
        yield from (Home(net, "where its current comes from") for net in plus)


def _rails(circuit: Circuit) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Nets at the plus ends of batteries and supplies, and ground with those at their minus ends."""
    sources = [part for part in circuit.parts.values() if part.kind in SUPPLIES]
    plus = {part.pins["plus"] for part in sources} - {circuit.ground}
    minus = {part.pins["minus"] for part in sources} - plus - {circuit.ground}
    return tuple(sorted(plus)), (circuit.ground, *sorted(minus))
