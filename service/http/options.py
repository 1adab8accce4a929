"""Query parameters as data: one table feeds the reading, the refusals and the OpenAPI document."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from types import MappingProxyType
from typing import Any

from werkzeug.datastructures import MultiDict

from schemas.problems import Complaint, Problem, listed, nearest_name, quoted
from schemas.quantities import parse
from schemas.values import read_date
from service.bench.asked import METER_FORM
from service.facade import BETAS, OptionRefused
from service.http.problems import Refused
from service.lessons import DEPTHS
from service.spreads import MOST_SAMPLES, MOST_SEED
from service.timelines import LEAKAGES, MODELS


@dataclass(frozen=True, slots=True)
class Option:
    """One query parameter; ``read`` gets every text given for it and raises :class:`Complaint`."""

    name: str
    read: Callable[[list[str]], Any]
    schema: Mapping[str, Any]
    description: str
    repeated: bool = False


def _choice(*names: str) -> Callable[[list[str]], str]:
    def read(texts: list[str]) -> str:
        if texts[0] not in names:
            raise Complaint(
                "the value is not known",
                seen=quoted(texts[0]),
                accepted=", ".join(names),
                nearest=nearest_name(texts[0], names),
            )
        return texts[0]

    return read


def _flag(texts: list[str]) -> bool:
    return _choice("true", "false")(texts) == "true"


def _integer(least: int, most: int) -> Callable[[list[str]], int]:
    def read(texts: list[str]) -> int:
        text = texts[0]
        if not (text.isascii() and text.isdigit() and len(text) <= 12 and least <= int(text) <= most):
            raise Complaint("a whole number is needed", seen=quoted(text), accepted=f"{least} to {most}")
        return int(text)

    return read


MEASURED_FORM = "source and voltage, such as BT1:9.1 V or BT1:9.1 V,V2:4.97 V"
HOLD_FORM = "capacitor and voltage, such as C1:0 V or C1:0 V,C2:3.2 V"


def read_hold(texts: list[str]) -> dict[str, float]:
    """``C1:0 V`` texts, one or several in each, as volts per capacitor.  Raises :class:`Complaint`."""
    return read_volts(texts, HOLD_FORM, "a held capacitor", "held")


def read_volts(texts: list[str], form: str, what: str, done: str) -> dict[str, float]:
    """``NAME:VOLTAGE`` texts as volts per name.  Raises :class:`Complaint`."""
    found: dict[str, float] = {}
    for item in (piece for text in texts for piece in text.split(",")):
        name, colon, voltage = item.strip().rpartition(":")
        if not colon or not name:
            raise Complaint(
                f"{what} is written as its name, a colon and a voltage", seen=quoted(item), accepted=form
            )
        if name in found:
            raise Complaint(f"{name} is {done} twice", seen=quoted(item), accepted=form)
        found[name] = parse(voltage.strip(), "voltage")
    return found


def _one_of(name: str, names: tuple[str, ...], default: str, description: str) -> Option:
    schema = {"type": "string", "enum": list(names), "default": default}
    return Option(name, _choice(*names), schema, description)


def _yes_no(name: str, default: str, description: str) -> Option:
    return replace(_one_of(name, ("true", "false"), default, description), read=_flag)


def _count(name: str, least: int, most: int, description: str, **more: int) -> Option:
    schema = {"type": "integer", "minimum": least, "maximum": most, **more}
    return Option(name, _integer(least, most), schema, description)


def _free(name: str, longest: int, description: str, **more: Any) -> Option:
    return Option(
        name, lambda texts: texts[0], {"type": "string", "maxLength": longest, **more}, description
    )


def _volts(name: str, read: Callable[[list[str]], Any], description: str) -> Option:
    items = {"type": "string", "pattern": "^[^,]+:[^,:]+$"}
    words = f"{description}; repeat it, or separate several by commas."
    return Option(name, read, {"type": "array", "items": items, "maxItems": 64}, words, repeated=True)


BETA = _one_of("beta", BETAS, "typical", "Corner of the current gains at which the states are computed.")
HOLD = _volts("hold", read_hold, "A capacitor held at a voltage, `C1:0 V`")
STIMULUS = _free(
    "stimulus", 64, "Name of a declared stimulus; may be left out where there is at most one."
)
STATE = _free("state", 200, "Only the states of this name; every state unless given.")
LEAKAGE = _one_of(
    "leakage", LEAKAGES, "none", "`limit` lets every capacitor leak as much as its grade allows."
)
START = _free(
    "start",
    200,
    "`rest`, `power-up` (nothing stored) or the name of a state; `rest` with a stimulus, else `power-up`.",
)
MODEL = _one_of(
    "model",
    MODELS,
    "hand",
    "`hand`: ideal junctions with fixed drops, exact; `junction`: exponential junctions, integrated.",
)
UNTIL = Option(
    "until",
    lambda texts: parse(texts[0].strip(), "time", "positive"),
    {"type": "string", "maxLength": 64, "examples": ["10 s"]},
    "Where the curves end, such as `10 s`; a sensible end unless given.",
)
SAMPLES = _count("samples", 1, MOST_SAMPLES, "How many random circuits are drawn.", default=1000)
SEED = _count(
    "seed", 0, MOST_SEED, "Where the random numbers begin: the same seed draws the same circuits.", default=1
)
BUDGET = _count(
    "budget", 1, MOST_SAMPLES, "At most so many of them are worked out; the answer says how many were."
)
TODAY = Option(
    "today",
    lambda texts: date.fromisoformat(read_date(texts[0])),
    {"type": "string", "format": "date"},
    "The date at which waivers are judged, the day of expiry included; without it none is in force.",
)
WORSE_BY = Option(
    "worse_by",
    lambda texts: parse(texts[0].strip(), "ratio", "nonnegative"),
    {"type": "string", "maxLength": 64, "default": "1 %", "examples": ["2 %", "0.02"]},
    "By how much of its limit a margin may fall before a finding is worsened.",
)
REMEDIES = _yes_no("remedies", "true", "`false` leaves out the search for proven remedies.")

METER = _free(
    "meter", 64, f"Resistance of the meter: {METER_FORM}.", default="10 Mohm", examples=["20 kohm/V"]
)
MEASURED = _volts(
    "measured",
    lambda texts: read_volts(texts, MEASURED_FORM, "a measured source", "measured"),
    "A source at the voltage that was measured, `BT1:9.1 V`",
)

DEPTH = _one_of(
    "depth",
    DEPTHS,
    "lesson",
    "How much is told: the rule of thumb, when it holds, or all of it with the derivation.",
)
PROVE = _yes_no("prove", "false", "`true` proves each step of the derivation anew.")

BY_RESOURCE: Mapping[str, tuple[Option, ...]] = MappingProxyType(
    {
        "reviews": (REMEDIES, TODAY),
        "comparisons": (TODAY, WORSE_BY, REMEDIES),
        "states": (BETA, HOLD),
        "timelines": (STIMULUS, BETA, LEAKAGE, START, MODEL, UNTIL),
        "spreads": (SAMPLES, SEED, BUDGET),
        "bench-sheets": (METER, MEASURED),
        "sheets": (STATE, BETA),
        "remedies": (TODAY,),
        "lesson": (DEPTH, PROVE),
    }
)


def read_options(arguments: MultiDict[str, str], options: tuple[Option, ...] = ()) -> dict[str, Any]:
    """The options that were given.  Raises :class:`Refused` (400) with every fault at once."""
    known = {option.name: option for option in options}
    found: dict[str, Any] = {}
    errors: list[dict[str, Any]] = []
    for name in sorted(arguments):
        texts = arguments.getlist(name)
        option = known.get(name)
        if option is None:
            errors.append(
                query_error(
                    name,
                    Complaint(
                        "this resource has no such query parameter",
                        seen=quoted(name),
                        accepted=listed(sorted(known)) or "no query parameters",
                        nearest=nearest_name(name, known),
                    ),
                )
            )
        elif len(texts) > 1 and not option.repeated:
            errors.append(
                query_error(
                    name,
                    Complaint(
                        "the parameter is given more than once", seen=f"{len(texts)} times", accepted="once"
                    ),
                )
            )
        else:
            try:
                found[name] = option.read(texts)
            except Complaint as complaint:
                errors.append(query_error(name, complaint))
    if errors:
        raise Refused(400, "The query string was not understood.", errors)
    return found


def query_error(name: str, complaint: Complaint) -> dict[str, Any]:
    """One error with its place: ``?beta`` is a query parameter, never a place in the body."""
    return Problem.of(f"?{name}", complaint).as_dict()


def refused_option(refused: OptionRefused) -> Refused:
    return Refused(
        400, "The query string does not fit the circuit.", [query_error(refused.option, refused.complaint)]
    )
