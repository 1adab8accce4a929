"""What could stand at a place of a circuit document: the shapes of :mod:`schemas.layout`, looked up.

``shape_at(partial, path)`` is the shape of the value at a path, the kind of a
part or requirement read from what is typed already.  The other functions list
:class:`Word` candidates; all tables are those that the checks use.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from clients.language_server.partial import Partial, Path
from rules.analysis.part_types import PART_TYPES
from rules.analysis.preferred import SERIES, USUAL
from schemas.kinds import KINDS
from schemas.layout import BETA_OBJECT, DOCUMENT, PARTS_BY_KIND, REQUIREMENTS_BY_KIND
from schemas.problems import Complaint
from schemas.quantities import DIMENSIONS, SUFFIXES, document_text, format_quantity, parse
from schemas.shapes import Choice, Leaf, ListOf, MapOf, Object, Shape


@dataclass(frozen=True, slots=True)
class Word:
    """One candidate: the text of the value or member name, and what it is.

    ``snippet`` is the same with fields to fill in, for clients that take
    snippets; ``raw`` says that the text is no text to be quoted (a number, a
    flag, brackets).
    """

    text: str
    detail: str = ""
    meaning: str = ""
    sort: str = "member"
    snippet: str = ""
    raw: bool = False
    filter: str = ""


DESIGNATORS = {"resistor": "R", "capacitor": "C", "inductor": "L", "coil": "K", "load": "LS",
               "diode": "D", "zener": "D", "led": "D", "npn": "Q", "pnp": "Q", "battery": "BT",
               "supply": "PS", "driver": "U", "current-source": "I", "contact": "S", "fuse": "F"}
"""Letters that names of parts begin with.  Common practice, no source."""
_USUAL_SIZE = {"resistance": 2e3, "capacitance": 1e-6, "inductance": 1e-2, "voltage": 9.0, "current": 1e-2,
               "power": 0.25, "charge": 1800.0, "time": 1.0, "temperature": 298.15, "length": 1.0,
               "area": 2e-7}
"""The size in SI by which units are put in order, the likeliest first."""
_TOLERANCES = ("1 %", "2 %", "5 %", "10 %", "20 %", "-20/+50 %")
_WITHIN = ("5 %", "10 %", "20 %", "30 %")
_NUMBER = re.compile(r"([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))\s*(\S*)\Z")
_MOST_VALUES = 48


def shape_at(partial: Partial, path: Path) -> Shape | None:
    """The shape of the value at a path; ``None`` where nothing is known."""
    shape: Shape | None = DOCUMENT
    for depth, step in enumerate(path):
        shape = settled(partial, path[:depth], shape)
        if isinstance(shape, Object) and isinstance(step, str):
            member = shape.members.get(step)
            shape = member.shape if member else None
        elif (isinstance(shape, MapOf) and isinstance(step, str)) or (
                isinstance(shape, ListOf) and isinstance(step, int)):
            shape = shape.shape
        else:
            return None
        if shape is None:
            return None
    return settled(partial, path, shape)


def settled(partial: Partial, path: Path, shape: Shape | None) -> Shape | None:
    """A choice of shapes settled by what is typed already."""
    if not isinstance(shape, Choice):
        return shape
    if shape.tag is not None:
        kind = partial.text_at((*path, shape.tag))
        table = PARTS_BY_KIND if path[:1] == ("parts",) else REQUIREMENTS_BY_KIND
        return table.get(kind or "", shape)
    node = partial.node(path)
    if shape.noun == BETA_OBJECT.noun:
        return BETA_OBJECT if node is not None and node.kind == "map" else shape.options[0]
    given = set(partial.names(path))
    sets = [option for option in shape.options if isinstance(option, Object)]
    return max(sets, key=lambda option: len(option.members.keys() & given)) if sets else None


def members(partial: Partial, path: Path, shape: Shape | None, given: set[str]) -> Iterator[Word]:
    """The members that an object may have beside those ``given``, those that it needs first."""
    if isinstance(shape, Choice) and shape.tag is not None:  # a part or requirement without a known kind
        if shape.tag not in given:
            yield Word(shape.tag, "needed", f"what {shape.noun} is")
        return
    if not isinstance(shape, Object):
        return
    barred: set[str] = set()
    if shape.limits:
        bounds, target = {"at_least", "at_most"}, {"target", "within"}
        barred = bounds if given & target else target if given & bounds else set()
    if _is_pins(shape) and not given:  # every pin set, as long as none was begun
        kind = KINDS.get(partial.text_at((*path[:-1], "kind")) or "")
        for pins in (kind.pins if kind else ()):
            yield from (Word(pin, "pin", f"a pin of {_a(kind.name)}") for pin in pins if kind)
        return
    wanted = sorted(shape.members, key=lambda name: (name != "kind", name not in shape.required))
    for name in wanted:
        if name not in given and name not in barred:
            member = shape.members[name]
            yield Word(name, "needed" if member.required else _about(member.shape),
                       member.meaning or name.replace("_", " "))


def _is_pins(shape: Object) -> bool:
    return shape.noun.startswith("the pin set of")


def _a(kind: str) -> str:
    return PARTS_BY_KIND[kind].noun


def _about(shape: Shape) -> str:
    if isinstance(shape, Leaf):
        return shape.type
    return "" if isinstance(shape, Choice) else "list" if isinstance(shape, ListOf) else "object"


def kinds() -> Iterator[Word]:
    for kind in KINDS.values():
        pins = " or ".join(", ".join(pins) for pins in kind.pins)
        yield Word(kind.name, f"pins {pins}", kind.meaning, "kind")


def requirement_kinds() -> Iterator[Word]:
    for name, shape in REQUIREMENTS_BY_KIND.items():
        needs = [member for member in shape.required if member != "kind"]
        yield Word(name, "requirement", f"needs {', '.join(needs)}" if needs else "", "kind")


def part_types(kind: str) -> Iterator[Word]:
    """The published types of a kind, with what their makers promise."""
    for name, part in PART_TYPES.items():
        if part.kind == kind:
            promises = [f"{rating} {_rating(sourced.value, sourced.unit)}"
                        for rating, sourced in part.ratings.items() if rating != "thermal"]
            gains = [point.minimum for point in part.beta if point.minimum is not None]
            if gains:
                promises.append(f"gain from {min(gains):g}")
            yield Word(name, f"published {kind}", ", ".join(promises), "type")


def _rating(value: float, unit: str) -> str:
    return format_quantity(value, "temperature" if unit == "K" else unit, 3)


def leaf_values(shape: Leaf, typed: str, dielectric: str = "", kind: str = "") -> Iterator[Word]:
    """Values of a single member; ``typed`` is what stands before the cursor."""
    if shape.choices:
        yield from (Word(word, "", "", "value") for word in shape.choices)
    elif shape.type == "flag":
        yield from (Word(word, "", "", "value", raw=True) for word in ("true", "false"))
    elif shape.type == "format":
        from schemas.circuit import FORMAT

        yield Word(FORMAT, "the format of this document", "", "value")
    elif shape.type in ("tolerance", "within"):
        yield from (Word(word, shape.type, "", "value") for word in
                    (_TOLERANCES if shape.type == "tolerance" else _WITHIN))
    elif shape.type == "leakage":
        yield Word("0.01CV", "a multiple of C times rated voltage, in uA", "", "value")
        yield Word("0.002CV", "a multiple of C times rated voltage, in uA", "", "value")
        yield from quantities("current", typed, shape.bound)
    elif shape.type in DIMENSIONS:
        yield from quantities(shape.type, typed, shape.bound, dielectric, kind)


def quantities(dimension: str, typed: str, bound: str, dielectric: str = "",
               kind: str = "") -> Iterator[Word]:
    """The number that was typed with each unit, then preferred values that begin with it."""
    match = _NUMBER.match(typed.strip())
    if match is None:
        if not typed.strip():
            yield from (Word(example, f"such as: {dimension.replace('-', ' ')}", "", "value")
                        for example in DIMENSIONS[dimension].examples.split(", "))
        return
    number, begun = match.groups()
    seen: set[str] = set()
    usual = math.log(_USUAL_SIZE.get(dimension, 1.0))
    options: list[tuple[float, str, float]] = []
    for unit in units(dimension):
        if not unit.lower().startswith(begun.lower()):
            continue
        text = f"{number.rstrip('.')} {unit}"
        try:
            value = parse(text, dimension, bound)
        except Complaint:
            continue
        options.append((abs(math.log(abs(value)) - usual) if value else 0.0, text, value))
    for _, text, value in sorted(options):
        seen.add(text)
        yield Word(text, format_quantity(value, dimension), "", "unit")
    for text, series in preferred(dimension, number, begun, dielectric, kind):
        if text not in seen:
            seen.add(text)
            yield Word(text, f"preferred value, {series}", "", "value")


def units(dimension: str) -> tuple[str, ...]:
    """The units of a dimension, each in its plain ASCII spelling."""
    return tuple(unit for unit in SUFFIXES[dimension]
                 if unit and unit.isascii() and unit[:1] not in ("K" if dimension == "resistance" else "")
                 and not re.search(r"Ohm|ohms|days|weeks|years|As", unit))


def preferred(dimension: str, number: str, begun: str, dielectric: str,
              kind: str) -> Iterator[tuple[str, str]]:
    """Values of the usual series (IEC 60063) that begin with the digits typed, in the units typed so far."""
    if dimension == "resistance" and kind in ("resistor", ""):
        series = USUAL.resistor
    elif dimension == "capacitance":
        series = USUAL.capacitor(dielectric)
    else:
        return
    count = 0
    decades = range(-1, 7) if dimension == "resistance" else range(-13, -3)
    for power in decades:
        for mantissa in SERIES[series]:
            value = float(f"{mantissa}e{power}")
            text = document_text(value, dimension)
            if text.startswith(number) and text.partition(" ")[2].lower().startswith(begun.lower()):
                yield text, series
                count += 1
                if count >= _MOST_VALUES:
                    return


def whole_parts(names: Iterable[str], spelling: str) -> Iterator[Word]:
    """A whole part of each kind under the next free name."""
    taken = set(names)
    for kind in KINDS.values():
        letters = DESIGNATORS[kind.name]
        number = next(n for n in range(1, len(taken) + 2) if f"{letters}{n}" not in taken)
        name = f"{letters}{number}"
        yield Word(name, kind.name, kind.meaning, "part", part_body(kind.name, spelling),
                   filter=f"{name} {kind.name}")


def part_body(kind_name: str, spelling: str) -> str:
    """A part in brackets as a snippet: what it needs, and its pins, as fields."""
    kind = KINDS[kind_name]
    field = 1
    q = '"' if spelling == "json" else ""
    rows = [f"{q}kind{q}: {q}{kind.name}{q}"]
    needed = [p.name for p in kind.parameters if p.required] + [group[0] for group in kind.one_of]
    for name in needed:
        rows.append(f"{q}{name}{q}: {q}${{{field}}}{q}")
        field += 1
    pins = []
    for pin in kind.pins[0]:
        pins.append(f"{q}{pin}{q}: {q}${{{field}}}{q}")
        field += 1
    rows.append(f"{q}pins{q}: {{{', '.join(pins)}\\}}")
    return f"{{{', '.join(rows)}\\}}"
