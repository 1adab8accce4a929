"""The parts list: what each part is, what it has to stand at the worst corner, and what to buy for that."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from rules.analysis.needs import Extreme, Need, needs
from rules.analysis.preferred import RATED_VOLTAGES, RATED_WATTS, SERIES, is_preferred
from rules.analysis.resolve import TRANSISTORS, dielectric_of
from schemas.kinds import KINDS
from schemas.quantities import document_text, format_quantity
from service.ruleset import Ruleset, installed

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

SHARES: Mapping[str, tuple[str, str]] = {
    # what is needed -> the rule whose limit is the share of a rating that may be in use, and its name
    "resistor watts": ("resistor-dissipation", "share"),
    "aluminium volts": ("capacitor-voltage", "aluminium"),
    "tantalum volts": ("capacitor-voltage", "tantalum"),
    "film volts": ("capacitor-voltage", "film"),
    "ceramic volts": ("capacitor-voltage", "ceramic"),
    "transistor volts": ("collector-voltage", "share"),
    "transistor amperes": ("collector-current", "share"),
    "transistor watts": ("transistor-dissipation", "share"),
    "transistor reverse": ("base-emitter-reverse", "share"),
    "diode amperes": ("diode-ratings", "current_share"),
    "diode volts": ("diode-ratings", "reverse_share"),
    "diode watts": ("diode-ratings", "power_share"),
}
_DIODES = ("diode", "led", "zener")
_MEMBERS = {
    # (group, need) -> member of the document or of its ratings that states it
    ("resistor", "watts"): "power",
    ("capacitor", "volts"): "voltage",
    ("transistor", "volts"): "vceo",
    ("transistor", "amperes"): "current",
    ("transistor", "watts"): "power",
    ("transistor", "reverse"): "vebo",
    ("diode", "amperes"): "current",
    ("diode", "volts"): "reverse",
    ("diode", "watts"): "power",
    ("load", "watts"): "power",
    ("contact", "amperes"): "current",
    ("fuse", "amperes"): "current",
}
_SOLD = {("resistor", "watts"): RATED_WATTS, ("capacitor", "volts"): RATED_VOLTAGES}
_NOTHING = {"volts": 1e-3, "reverse": 1e-2, "amperes": 1e-9, "watts": 1e-9}  # less needs no rating
_UNITS = {"volts": "V", "reverse": "V", "amperes": "A", "watts": "W"}
_WORDS = {
    "volts": "voltage",
    "reverse": "reverse base-emitter voltage",
    "amperes": "current",
    "watts": "power",
}


@dataclass(frozen=True, slots=True)
class Rating:
    """One thing a part has to stand: the worst of it, where, the share of a rating in use, what to buy.

    ``stated`` is the rating that the document or the part type gives; ``enough`` whether that will do.
    """

    what: str
    unit: str
    worst: Extreme
    share: float
    least: float
    buy: float
    stated: float | None
    source: str

    @property
    def enough(self) -> bool | None:
        return None if self.stated is None else self.stated >= self.least


@dataclass(frozen=True, slots=True)
class Line:
    """Parts of one kind and value: bought together, with the ratings that the worst of them needs."""

    parts: tuple[str, ...]
    kind: str
    value: str
    details: tuple[str, ...]
    series: str
    ratings: tuple[Rating, ...]
    alternative: str


def group_of(part: Part) -> str:
    """``transistor``, ``diode`` (of every sort) or the kind itself."""
    return "transistor" if part.kind in TRANSISTORS else "diode" if part.kind in _DIODES else part.kind


def parts_list(study: Study, ruleset: Ruleset) -> tuple[Line, ...]:
    """Every part but the sources, those of one kind and value on one line, sorted by kind and name."""
    needed = needs(study)
    groups: dict[tuple[str, str, tuple[str, ...]], list[str]] = {}
    for name in sorted(needed):
        part = study.circuit.parts[name]
        groups.setdefault((part.kind, _value(part), _details(study, part)), []).append(name)
    lines = [_line(study, ruleset, names, needed) for names in groups.values()]
    return tuple(sorted(lines, key=lambda line: (line.kind, line.parts)))


def _line(study: Study, ruleset: Ruleset, names: list[str], needed: Mapping[str, Need]) -> Line:
    parts = [study.circuit.parts[name] for name in names]
    first = parts[0]
    ratings = []
    for what in ("volts", "reverse", "amperes", "watts"):
        found = [(part, getattr(needed[part.name], what)) for part in parts]
        known = [(part, extreme) for part, extreme in found if extreme is not None]
        if known:
            made = _rating(study, ruleset, what, *max(known, key=lambda each: each[1].value))
            if made is not None:
                ratings.append(made)
    return Line(
        tuple(names),
        first.kind,
        _value(first),
        _details(study, first),
        _series(first),
        tuple(ratings),
        _alternative(study, first, ratings),
    )


def _rating(study: Study, ruleset: Ruleset, what: str, part: Part, worst: Extreme) -> Rating | None:
    group = group_of(part)
    if (group, what) not in _MEMBERS or worst.value < _NOTHING[what]:
        return None
    share, source = _share(ruleset, part, what)
    least = worst.value / share
    known = study.known(part.name, _MEMBERS[group, what])
    buy = _next(group, what, least)
    return Rating(
        _WORDS[what], _UNITS[what], worst, share, least, buy, None if known is None else known.value, source
    )


def _share(ruleset: Ruleset, part: Part, what: str) -> tuple[float, str]:
    """The share of a rating that may be in use, as the rules have it; all of it where none says."""
    group = dielectric_of(part) if part.kind == "capacitor" else group_of(part)
    named = SHARES.get(f"{group} {what}")
    if named is None:
        return 1.0, "no share is kept back"
    slug, name = named
    # a rule that a policy keeps from running still knows how much of a rating may be in use
    entry = ruleset.find(slug) or installed().find(slug)
    limit = None if entry is None else entry.rule.limits.get(name)
    return (1.0, "no share is known") if limit is None else (limit.value, limit.source)


def _next(group: str, what: str, least: float) -> float:
    """The next rating that is sold; the need itself, to two figures up, where none is usual."""
    steps = _SOLD.get((group, what), ())
    for step in steps:
        if step >= least:
            return step
    return _two_figures_up(least)


def _two_figures_up(value: float) -> float:
    if value <= 0.0:
        return 0.0
    scale = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / scale - 1e-9) * scale


_VALUES = {
    "resistor": "resistance",
    "capacitor": "capacitance",
    "inductor": "inductance",
    "coil": "resistance",
    "load": "resistance",
    "zener": "zener",
    "fuse": "current",
}


def _value(part: Part) -> str:
    member = _VALUES.get(part.kind)
    number = part.number(member) if member else None
    if member is None or number is None:
        return part.text("type") or ""
    parameter = KINDS[part.kind].parameter(member)
    return document_text(number, "" if parameter is None else parameter.type)


def _details(study: Study, part: Part) -> tuple[str, ...]:
    found = []
    low, high = (study.known(part.name, f"tolerance_{end}") for end in ("low", "high"))
    if low is not None and high is not None and part.kind in ("resistor", "capacitor", "zener", "inductor"):
        same = low.value == -high.value
        found.append(f"{100 * high.value:g} %" if same else f"{100 * low.value:+g}/{100 * high.value:+g} %")
    if part.kind == "capacitor":
        found.append(dielectric_of(part))
    if part.kind in ("led", "diode") and part.number("forward") is not None:
        found.append(f"{format_quantity(part.number('forward') or 0.0, 'V', 3)} forward")
    if part.kind == "coil" and part.number("nominal") is not None:
        found.append(f"{format_quantity(part.number('nominal') or 0.0, 'V', 3)} nominal")
    if part.kind == "contact":
        found.append(f"{part.text('rest') or 'open'} at rest")
        if part.text("material"):
            found.append(f"{part.text('material')} contacts")
    if part.kind == "fuse":
        found.append("quick or slow as the load asks")
    return tuple(found)


def _series(part: Part) -> str:
    member = {"resistor": "resistance", "capacitor": "capacitance"}.get(part.kind)
    number = None if member is None else part.number(member)
    if number is None:
        return ""
    return next((name for name in SERIES if is_preferred(number, name)), "no preferred value")


def _alternative(study: Study, part: Part, ratings: list[Rating]) -> str:
    """What else would do, in words, for parts that are bought by type."""
    by = {rating.what: rating for rating in ratings}

    def at_least(what: str, symbol: str) -> str:
        rating = by[what]
        return f"{symbol} at least {format_quantity(_two_figures_up(rating.least), rating.unit, 2)}"

    if part.kind in TRANSISTORS:
        words = [f"gain at least {study.value(part.name, 'beta_min'):.3g}"]
        for what, symbol in (("voltage", "V_CEO"), ("reverse base-emitter voltage", "V_EBO"),
                             ("current", "I_C"), ("power", "P")):  # fmt: skip
            if what in by:
                words.append(at_least(what, symbol))
        return f"any small-signal {part.kind.upper()} with " + ", ".join(words)
    if part.kind == "diode":
        asked = (("voltage", "V_R"), ("current", "I_F"))
        words = [at_least(what, symbol) for what, symbol in asked if what in by]
        return "any diode with " + " and ".join(words) if words else ""
    return ""


def shape(line: Line) -> dict[str, Any]:
    """One line as JSON-ready data, SI units."""
    return {
        "parts": list(line.parts),
        "quantity": len(line.parts),
        "kind": line.kind,
        "value": line.value,
        "details": list(line.details),
        "series": line.series,
        "ratings": [
            {
                "what": rating.what,
                "unit": rating.unit,
                "worst": rating.worst.value,
                "state": rating.worst.state,
                "corner": rating.worst.corner,
                "at": rating.worst.at,
                "share": rating.share,
                "least": rating.least,
                "buy": rating.buy,
                "stated": rating.stated,
                "enough": rating.enough,
                "source": rating.source,
            }
            for rating in line.ratings
        ],
        "alternative": line.alternative,
    }
