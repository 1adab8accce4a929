"""The circuit document as a tree of shapes, made from the table of part kinds."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from itertools import pairwise
from types import MappingProxyType
from typing import Any

from schemas.circuit import (
    FORMAT,
    Action,
    Ambient,
    Beta,
    Circuit,
    NetNote,
    Part,
    Ratings,
    Requirement,
    Waiver,
    frozen_map,
)
from schemas.kinds import ASSUMPTIONS, KINDS, USES, Kind, Parameter
from schemas.problems import Complaint, listed, nearest_name, show
from schemas.quantities import DIMENSIONS, format_quantity, parse
from schemas.shapes import Choice, Leaf, ListOf, MapOf, Member, Object, Shape
from schemas.values import (
    ABSOLUTE_LETTERS,
    read_accepted,
    read_choice,
    read_date,
    read_flag,
    read_leakage,
    read_line,
    read_name,
    read_paragraph,
    read_slug,
    read_tolerance,
    read_within,
)

MAX_PARTS = 500
MAX_NETS = 1000
MAX_STATES = 100
MAX_STIMULI = 100
MAX_ACTIONS = 500
MAX_REQUIREMENTS = 200
MAX_WAIVERS = 500

NAME = Leaf("name", read_name)
SLUG = Leaf("slug", read_slug)
LINE = Leaf("line", read_line)
PARAGRAPH = Leaf("paragraph", read_paragraph)
FLAG = Leaf("flag", read_flag)
TOLERANCE = Leaf("tolerance", read_tolerance)
WITHIN = Leaf("within", read_within)
LEAKAGE = Leaf("leakage", read_leakage)
DATE = Leaf("date", read_date)
ACCEPTED = Leaf("accepted", read_accepted)


def quantity(dimension: str, bound: str = "positive") -> Leaf:
    return Leaf(dimension, partial(parse, dimension=dimension, bound=bound), bound)


def choice(*words: str) -> Leaf:
    return Leaf("choice", partial(read_choice, choices=words), choices=words)


def _order(dimension: str, *names: str, strict: bool = False) -> Callable[..., Iterable[Complaint]]:
    """A check that the members ``names``, where given, do not fall (or rise, when strict)."""
    def check(values: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterable[Complaint]:
        given = [name for name in names if name in values]
        for below, above in pairwise(given):
            if values[below] > values[above] or (strict and values[below] == values[above]):
                word = "must be below" if strict else "must not exceed"
                yield Complaint(
                    f"{below} {word} {above}",
                    seen=f"{below} {format_quantity(values[below], dimension)}, "
                         f"{above} {format_quantity(values[above], dimension)}",
                    accepted=listed(names) + " in rising order", at=(above,))
    return check


# --- compound values -------------------------------------------------------------------------------------

BETA_OBJECT = Object(
    "beta", {name: Member(quantity("gain")) for name in ("min", "typical", "max")},
    one_of=(("min", "typical", "max"),), checks=(_order("gain", "min", "typical", "max"),),
    build=lambda v, _: Beta(v.get("min"), v.get("typical"), v.get("max")))


def _read_beta_number(raw: object) -> Beta:
    try:
        gain = parse(raw, "gain", "positive")
    except Complaint as complaint:
        raise Complaint(complaint.detail, seen=complaint.seen,
                        accepted="a number, or an object with the members min, typical, max") from None
    return Beta(gain, gain, gain)


BETA_NUMBER = Leaf("gain", _read_beta_number, "positive")
BETA = Choice("beta", (BETA_NUMBER, BETA_OBJECT),
              lambda raw: BETA_OBJECT if isinstance(raw, Mapping) else BETA_NUMBER)

_RATING_DIMENSIONS = {"vceo": "voltage", "vcbo": "voltage", "vebo": "voltage", "reverse": "voltage",
                      "current": "current", "surge": "current", "power": "power", "junction": "temperature",
                      "thermal": "thermal-resistance"}
_TRANSISTOR_RATINGS = tuple(name for name in _RATING_DIMENSIONS if name not in ("reverse", "surge"))


def _ratings(names: tuple[str, ...]) -> Object:
    chosen = names or _TRANSISTOR_RATINGS
    return Object("ratings", {name: Member(quantity(_RATING_DIMENSIONS[name])) for name in chosen},
                  one_of=(chosen,), build=lambda values, _: Ratings(**values))


# --- parts -----------------------------------------------------------------------------------------------


_SINGLE: Mapping[str, Shape] = {"tolerance": TOLERANCE, "flag": FLAG, "beta": BETA, "leakage": LEAKAGE,
                                "type": NAME}


def _parameter(p: Parameter) -> Shape:
    if p.type in DIMENSIONS:
        return quantity(p.type, p.bound)
    if p.type == "choice":
        return choice(*p.choices)
    if p.type == "ratings":
        return _ratings(p.choices)
    return _SINGLE[p.type]


def _with_article(kind: str) -> str:
    return f"{'an' if kind in ('npn', 'led', 'inductor') else 'a'} {kind}"


def _pins(kind: Kind) -> Shape:
    sets = tuple(Object(f"the pin set of {_with_article(kind.name)}",
                        {pin: Member(NAME, required=True, meaning="the name of a net") for pin in pins},
                        build=lambda values, _: frozen_map(values)) for pins in kind.pins)
    if len(sets) == 1:
        return sets[0]

    def pick(raw: object) -> Object:
        """The pin set that shares most pins with the raw object; the usual one when in doubt."""
        if not isinstance(raw, Mapping):
            return sets[0]
        return max(sets, key=lambda s: (len(s.members.keys() & raw.keys())))
    return Choice(sets[0].noun, sets, pick)


def _small_letter_tolerance(values: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterable[Complaint]:
    letter = raw.get("tolerance")
    if isinstance(letter, str) and letter in ABSOLUTE_LETTERS and values.get("capacitance", 1.0) < 10e-12:
        yield Complaint("below 10 pF this letter means picofarads, not per cent", seen=show(letter),
                        accepted="a tolerance in per cent, such as 5 %", at=("tolerance",))


_PART_CHECKS: Mapping[str, tuple[Callable[..., Iterable[Complaint]], ...]] = {
    "capacitor": (_small_letter_tolerance,),
    "coil": (_order("voltage", "pick_up", "nominal"),),
    "battery": (_order("voltage", "low", "voltage", "high"),),
    "supply": (_order("voltage", "low", "voltage", "high"),),
    "driver": (_order("voltage", "low", "high", strict=True),),
}


def _part(kind: Kind) -> Object:
    members: dict[str, Member] = {
        "kind": Member(choice(kind.name), required=True),
        "pins": Member(_pins(kind), required=True, meaning="an object from pin to net with the pins "
                       + " or ".join(listed(pins) for pins in kind.pins)),
    }
    for p in kind.parameters:
        members[p.name] = Member(_parameter(p), p.required, p.meaning or p.name.replace("_", " "))

    def build(values: dict[str, Any], name: str) -> Part:
        pins = values.pop("pins")
        del values["kind"]
        return Part(name, kind.name, pins, frozen_map(values))
    return Object(_with_article(kind.name), members, kind.one_of, _PART_CHECKS.get(kind.name, ()), build)


def variants(noun: str, options: Mapping[str, Object]) -> Choice:
    """One of several objects, told apart by their member ``kind``."""
    def pick(raw: object) -> Object:
        if not isinstance(raw, Mapping):
            raise Complaint(f"{noun} is an object", seen=show(raw), accepted="an object with the member kind")
        if "kind" not in raw:
            raise Complaint(f'{noun} needs the member "kind"', seen="nothing", accepted=listed(options),
                            at=("kind",))
        kind = raw["kind"]
        if isinstance(kind, str) and kind in options:
            return options[kind]
        raise Complaint(f"the kind of {noun} is not known", seen=show(kind), accepted=listed(options),
                        nearest=nearest_name(kind, options) if isinstance(kind, str) else None, at=("kind",))
    return Choice(noun, tuple(options.values()), pick, tag="kind")


PARTS_BY_KIND: Mapping[str, Object] = MappingProxyType({name: _part(kind) for name, kind in KINDS.items()})

# --- the other sections ----------------------------------------------------------------------------------


def _assumed_bound(name: str) -> str:
    """A spread or a tolerance may be nothing; a drop or a gain may not."""
    return "nonnegative" if name.endswith(("_spread", "_tolerance")) else "positive"


def _assumed_order(values: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterable[Complaint]:
    """The drops of a junction must leave vce_sat < vbe_on and vbe_off <= vbe_on, defaults counted."""
    def value(name: str) -> float:
        return float(values.get(name, ASSUMPTIONS[name][1]))
    for name, strict in (("vce_sat", True), ("vbe_off", False)):
        if value(name) > value("vbe_on") or (strict and value(name) == value("vbe_on")):
            given = name if name in values else "vbe_on"
            yield Complaint(f"{name} must {'be below' if strict else 'not exceed'} vbe_on",
                            seen=f"{name} {value(name):g} V, vbe_on {value('vbe_on'):g} V",
                            accepted=f"{name} up to vbe_on", at=(given,))


def _one_limit(noun: str, members: Mapping[str, Member]) -> Callable[..., Iterable[Complaint]]:
    """A check of the ways to state a limit: ``target`` with ``within``, or ``at_least``, ``at_most``."""
    def check(values: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterable[Complaint]:
        for name, other in (("target", "within"), ("within", "target")):
            if name in raw and other not in raw:
                yield Complaint(f"{noun} with {name} needs {other}", seen="nothing",
                                accepted=members[other].meaning, at=(other,))
        bounds = [name for name in ("at_least", "at_most") if name in raw]
        if "target" in raw and bounds:
            yield Complaint(f"{noun} has either target and within, or at_least and at_most",
                            seen=listed(["target", *bounds]), at=(bounds[0],))
        if "target" not in raw and "within" not in raw and not bounds:
            yield Complaint(f"{noun} needs a limit", seen="nothing",
                            accepted="target with within, or at_least, or at_most")
        if values.get("target") == 0.0 and "within" in raw:
            yield Complaint("a relative band around zero is empty", seen=show(raw["target"]),
                            accepted="at_least and at_most", at=("target",))
    return check


def _requirement(kind: str, members: Mapping[str, Member], *, limit: str = "",
                 bound: str = "positive") -> Object:
    """A requirement of one kind; ``limit`` is the dimension of what it limits in several ways."""
    def build(values: dict[str, Any], _: str) -> Requirement:
        del values["kind"]
        name = values.pop("name", None)
        return Requirement(kind, name, frozen_map(values))
    every = {"kind": Member(choice(kind), required=True), "name": Member(LINE), **members}
    noun = f"the requirement {kind}"
    if not limit:
        return Object(noun, every, build=build)
    value = quantity(limit, bound)
    every |= {"target": Member(value, meaning="the wanted value"),
              "within": Member(WITHIN, meaning="the accepted deviation, such as 5 %"),
              "at_least": Member(value), "at_most": Member(value)}
    checks = (_one_limit(noun, every), _order(limit, "at_least", "at_most"))
    return Object(noun, every, checks=checks, build=build, limits=True)


_STATE = Member(NAME, required=True, meaning="the name of a state from states")
_STIMULUS = Member(NAME, required=True, meaning="the name of a stimulus from stimuli")
_NET = Member(NAME, required=True, meaning="the name of a net")


def _limit(dimension: str, meaning: str) -> Member:
    return Member(quantity(dimension), required=True, meaning=meaning)


REQUIREMENTS_BY_KIND: Mapping[str, Object] = MappingProxyType({
    "delay": _requirement("delay", {"stimulus": _STIMULUS, "state": _STATE}, limit="time"),
    "re-arm": _requirement("re-arm", {"stimulus": Member(NAME), "state": Member(NAME),
                                      "at_most": _limit("time", "the longest accepted time")}),
    "net-voltage": _requirement("net-voltage", {"net": _NET, "state": _STATE}, limit="voltage", bound="any"),
    "standing-current": _requirement("standing-current", {
        "state": _STATE, "at_most": _limit("current", "the largest accepted current")}),
    "battery-life": _requirement("battery-life", {
        "state": _STATE, "at_least": _limit("time", "the shortest accepted life")}),
})


def _time_order(actions: Sequence[tuple[int, Action]]) -> Iterable[Complaint]:
    moved: dict[tuple[str, float], int] = {}
    for (_, before), (index, action) in pairwise(actions):
        if action.at < before.at:
            yield Complaint("the actions of a stimulus are in order of time",
                            seen=f"{format_quantity(action.at, 'time')} after "
                                 f"{format_quantity(before.at, 'time')}", at=(index, "at"))
    for index, action in actions:
        first = moved.setdefault((action.part, action.at), index)
        if first != index:
            yield Complaint("one part has two actions at the same time", seen=show(action.part),
                            accepted="one action of a part at a time", at=(index,))


def _names(noun: str) -> ListOf:
    return ListOf(noun, NAME, 1, MAX_NETS, distinct=True)


def _read_format(raw: object) -> str:
    if raw == FORMAT and isinstance(raw, str):
        return raw
    raise Complaint("the format is not known", seen=show(raw), accepted=FORMAT,
                    nearest=nearest_name(raw, [FORMAT]) if isinstance(raw, str) else None)


ACTION = Object("an action", {
    "at": Member(quantity("time", "nonnegative"), required=True, meaning="a time such as 0.2 s"),
    "part": Member(NAME, required=True, meaning="the name of a contact or driver"),
    "to": Member(choice("open", "closed", "low", "high"), required=True,
                 meaning="open or closed for a contact, low or high for a driver"),
}, build=lambda values, _: Action(**values))

WAIVER = Object("a waiver", {
    "rule": Member(SLUG, required=True, meaning="the name of a rule"),
    "parts": Member(_names("parts")), "nets": Member(_names("nets")),
    "reason": Member(PARAGRAPH, required=True, meaning="why the finding is accepted"),
    "owner": Member(LINE, required=True, meaning="who answers for it"),
    "expires": Member(DATE, required=True, meaning="a date as YYYY-MM-DD"),
    "accepted": Member(ACCEPTED, meaning="the number that was accepted, such as 2.1 mA"),
}, one_of=(("parts", "nets"),), build=lambda v, _: Waiver(
    v["rule"], v.get("parts", ()), v.get("nets", ()), v["reason"], v["owner"], v["expires"],
    v.get("accepted")))

AMBIENT = Object("the ambient", {
    name: Member(quantity("temperature"), required=True, meaning="a temperature such as 25 degC")
    for name in ("low", "nominal", "high")
}, checks=(_order("temperature", "low", "nominal", "high"),), build=lambda values, _: Ambient(**values))

NET_NOTE = Object("the note on a net", {
    "terminal": Member(FLAG), "label": Member(LINE),
    "wire": Member(quantity("length"), meaning="the length of a wire that leaves the box, such as 5 m"),
    "wire_area": Member(quantity("area"), meaning="the area of its copper, such as 0.22 mm2"),
}, needs=(("wire_area", "wire"),), build=lambda values, _: NetNote(**values))

ASSUMED = Object("assumptions", {name: Member(quantity(dimension, _assumed_bound(name)))
                                 for name, (dimension, _) in ASSUMPTIONS.items()},
                 checks=(_assumed_order,), build=lambda values, _: frozen_map(values))


def _build(v: dict[str, Any], _: str) -> Circuit:
    empty: Mapping[str, Any] = MappingProxyType({})
    return Circuit(
        name=v["name"], ground=v["ground"], parts=v["parts"], title=v.get("title"), use=v.get("use"),
        format=v["format"],
        ambient=v.get("ambient"), nets=v.get("nets", empty), assumptions=v.get("assumptions", empty),
        states=v.get("states", empty), stimuli=v.get("stimuli", empty),
        requirements=v.get("requirements", ()), waivers=v.get("waivers", ()))


DOCUMENT = Object("a circuit", {
    "format": Member(Leaf("format", _read_format), required=True, meaning=FORMAT),
    "name": Member(LINE, required=True, meaning="a short name for the circuit"),
    "title": Member(LINE),
    "use": Member(choice(*USES), meaning="what the circuit is for"),
    "ground": Member(NAME, required=True, meaning="the name of the reference net"),
    "ambient": Member(AMBIENT),
    "parts": Member(MapOf("parts", variants("a part", PARTS_BY_KIND), NAME, 1, MAX_PARTS, frozen_map),
                    required=True, meaning="an object from part name to part"),
    "nets": Member(MapOf("nets", NET_NOTE, NAME, 0, MAX_NETS, frozen_map)),
    "assumptions": Member(ASSUMED),
    "states": Member(MapOf("states", MapOf("regions", NAME, NAME, 1, MAX_PARTS, frozen_map),
                           NAME, 0, MAX_STATES, frozen_map)),
    "stimuli": Member(MapOf("stimuli", ListOf("actions", ACTION, 1, MAX_ACTIONS,
                                              check=_time_order),
                            NAME, 0, MAX_STIMULI, frozen_map)),
    "requirements": Member(ListOf("requirements", variants("a requirement", REQUIREMENTS_BY_KIND), 0,
                                  MAX_REQUIREMENTS)),
    "waivers": Member(ListOf("waivers", WAIVER, 0, MAX_WAIVERS)),
}, build=_build)
