"""The value that a policy gives a limit, checked against the unit of the limit."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from schemas.finding import Limit
from schemas.problems import Complaint, quoted, show
from schemas.quantities import NUMBER, UNITS, format_quantity, parse
from service.policy.model import plain_name
from service.policy.profiles import SHARES

_BY_UNIT = {unit: dimension for dimension, unit in UNITS.items() if unit}
_ABSOLUTE = 150.0  # K; a temperature limit below it is a difference
_PER_CENT = re.compile(rf"\s*({NUMBER})\s*(%?)\s*\Z", re.ASCII)
_KELVIN = re.compile(rf"\s*([+-]?{NUMBER})\s*K\Z", re.ASCII)


def find_limit(plain: str, names: Iterable[str]) -> str | None:
    """The name of a limit that reads ``plain`` (see :func:`plain_name`)."""
    return next((name for name in names if plain_name(name) == plain), None)


def limit_text(value: float, unit: str) -> str:
    """The value of a limit for a sentence; a temperature in degC."""
    absolute = unit == "K" and value >= _ABSOLUTE
    return format_quantity(value, "temperature" if absolute else unit)


def limit_value(raw: float | str, slug: str, limit: Limit) -> float:
    """The value in the SI unit of the limit.  Raises :class:`Complaint` for another unit or out of range."""
    value = _number(raw, limit)
    share = (slug, limit.name) in SHARES or (not limit.unit and plain_name(limit.name).split()[-1] == "share")
    if share and not 0.0 < value <= 1.0:
        wanted = "above 0, at most 1 (100 %)"
        raise Complaint("a share of a rating is out of range", seen=show(raw), accepted=wanted)
    if limit.value > 0.0 and not value > 0.0:
        raise Complaint("the limit is out of range", seen=show(raw), accepted="a value above zero")
    return value


def accepted(limit: Limit) -> str:
    """What may be written for this limit."""
    if not limit.unit:
        return 'a plain number, or text such as "75 %"'
    dimension = _BY_UNIT.get(limit.unit)
    if dimension is None:
        return f"a plain number in {limit.unit}"
    if _is_difference(limit):
        return 'a difference: a plain number in K, or text such as "15 K"'
    text = limit_text(limit.value, limit.unit)
    return f'a plain number in {limit.unit}, or text with a unit such as "{text}"'


def _is_difference(limit: Limit) -> bool:
    """True for a limit of temperature that is no temperature but a difference of two."""
    return limit.unit == "K" and limit.value < _ABSOLUTE


def _number(raw: float | str, limit: Limit) -> float:
    wanted = accepted(limit)
    if isinstance(raw, (int, float)):
        try:
            number = float(raw)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            raise Complaint("the limit is not a finite number", seen=show(raw), accepted=wanted)
        dimension = _BY_UNIT.get(limit.unit)
        return parse(number, dimension) if dimension and number and not _is_difference(limit) else number
    if not limit.unit:
        match = _PER_CENT.match(raw)
        if match:
            return float(match.group(1)) / (100.0 if match.group(2) else 1.0)
        raise Complaint("the limit has no unit", seen=quoted(raw), accepted=wanted)
    dimension = _BY_UNIT.get(limit.unit)
    if dimension is None:
        raise Complaint("this limit is no text", seen=quoted(raw), accepted=wanted)
    if _is_difference(limit):
        match = _KELVIN.match(raw)
        if match:
            return float(match.group(1))
        raise Complaint("a difference of temperatures in K is needed", seen=quoted(raw), accepted=wanted)
    try:
        return parse(raw.strip(), dimension)
    except Complaint as complaint:
        raise Complaint(
            f"the limit is in {limit.unit}: {complaint.detail}",
            seen=complaint.seen,
            accepted=wanted,
            nearest=complaint.nearest,
        ) from None
