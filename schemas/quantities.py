"""Quantities with units: strict reading, exact scaling, plain writing.

A quantity is a number in the SI unit of its dimension, or text.  Text is
matched whole or refused.  Scaling is done in decimal, so that ``4k7`` is
exactly 4700.0.

Letter codes follow IEC 60062 (letter in place of the decimal mark): R, k/K, M,
G, T, L for resistors; p, n, u, F for capacitors.  ``V`` for voltages (``5V6``)
is common practice, no source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Context, Decimal
from functools import lru_cache
from types import MappingProxyType

from schemas.problems import Complaint, quoted, show

MAX_TEXT = 64
"""Longest quantity text in characters."""

_EXACT = Context(prec=120)
_ZERO_CELSIUS = Decimal("273.15")

# Two code points each for micro and ohm are in use; both are read.
_MICRO = ("u", "\u00b5", "\u03bc")
_PREFIXES: Mapping[str, int] = {"": 0, "p": -12, "n": -9, **dict.fromkeys(_MICRO, -6),
                                "m": -3, "k": 3, "M": 6, "G": 9, "T": 12}
_OHM = ("ohm", "ohms", "Ohm", "Ohms", "\u03a9", "\u2126")
_SPACE = " \u00a0\u2009\u202f"


@dataclass(frozen=True, slots=True)
class Dimension:
    """One dimension: its SI unit, the units and codes read, and the sane magnitudes.

    ``units`` take decimal prefixes; ``plain`` units carry their own factor and
    none.  ``codes`` are the letters that may stand for the decimal mark or
    close a bare number.  ``smallest`` bounds the magnitude of anything but
    zero, ``largest`` bounds all.
    """

    name: str
    unit: str
    units: tuple[str, ...]
    smallest: float
    largest: float
    examples: str
    plain: Mapping[str, str] = field(default_factory=dict)
    codes: Mapping[str, int] = field(default_factory=dict)
    article: str = "a"


_DAY = 86400
_ALL = (
    Dimension("resistance", "ohm", _OHM, 1e-6, 1e12, "4.7 kohm, 4k7, 4R7, 10 mohm",
              plain={"K" + ohm: "1e3" for ohm in _OHM},
              codes={"R": 0, "k": 3, "K": 3, "M": 6, "G": 9, "T": 12, "L": -3}),
    Dimension("capacitance", "F", ("F",), 1e-14, 10.0, "470 uF, 2200u, 100n, 4p7, 2.2 mF",
              codes={"p": -12, "n": -9, **dict.fromkeys((*_MICRO, "U"), -6), "F": 0}),
    Dimension("inductance", "H", ("H",), 1e-10, 1e4, "10 mH, 4u7, 100n, 1.5 H", article="an",
              codes={"n": -9, **dict.fromkeys(_MICRO, -6), "m": -3}),
    Dimension("voltage", "V", ("V",), 1e-9, 1e5, "9 V, 200 mV, 5V6", codes={"V": 0}),
    Dimension("current", "A", ("A",), 1e-15, 1e4, "200 mA, 5 uA, 50 nA"),
    Dimension("power", "W", ("W",), 1e-9, 1e6, "0.25 W, 500 mW"),
    Dimension("charge", "C", ("C", "As", "Ah"), 1e-9, 1e8, "0.5 Ah, 1200 mAh, 1800 C"),
    Dimension("time", "s", ("s",), 1e-12, 1e10, "30 s, 200 ms, 10 min, 8 h, 1 year",
              plain={"min": "60", "h": "3600", "day": f"{_DAY}", "days": f"{_DAY}",
                     "week": f"{7 * _DAY}", "weeks": f"{7 * _DAY}",
                     # the Julian year of 365.25 days (IAU style manual, 1989, section 5.15)
                     "year": "31557600", "years": "31557600"}),
    Dimension("temperature", "K", (), 150.0, 500.0, "25 degC, -10 degC, 298.15 K",
              plain={"K": "1", "degC": "1", "\u00b0C": "1", "\u2103": "1"}),
    Dimension("thermal-resistance", "K/W", (), 1e-3, 1e5, "200 K/W, 83.3 degC/W",
              plain={"K/W": "1", "degC/W": "1", "\u00b0C/W": "1"}),
    Dimension("ratio", "1", (), 1e-9, 1e6, "0.05, 5 %", plain={"%": "0.01", "": "1"}),
    Dimension("gain", "1", (), 1e-6, 1e6, "150", plain={"": "1"}),
    Dimension("length", "m", ("m",), 1e-3, 1e5, "5 m, 300 mm, 1.2 km"),
    # squares take no decimal prefix: mm2 is (mm)2
    Dimension("area", "m2", (), 1e-9, 1e-2, "0.22 mm2, 0.5 mm2", article="an",
              plain={"m2": "1", "cm2": "1e-4", "mm2": "1e-6", "m\u00b2": "1", "cm\u00b2": "1e-4",
                     "mm\u00b2": "1e-6"}),
)
DIMENSIONS: Mapping[str, Dimension] = MappingProxyType({d.name: d for d in _ALL})
UNITS: Mapping[str, str] = MappingProxyType({d.name: "" if d.unit == "1" else d.unit for d in _ALL})
"""Dimension -> SI unit symbol; empty for the dimensionless."""

_FACTORS = {"Ah": Decimal(3600)}
_CELSIUS = frozenset({"degC", "\u00b0C", "\u2103"})


def _suffixes(d: Dimension) -> dict[str, Decimal]:
    """Every unit text of a dimension with its factor to SI."""
    table = {prefix + unit: _FACTORS.get(unit, Decimal(1)).scaleb(power)
             for unit in d.units for prefix, power in _PREFIXES.items()}
    table.update({unit: Decimal(factor) for unit, factor in d.plain.items()})
    return table


SUFFIXES: Mapping[str, Mapping[str, Decimal]] = MappingProxyType(
    {d.name: MappingProxyType(_suffixes(d)) for d in _ALL})
_DIMENSION_OF = {suffix: name for name, table in reversed(list(SUFFIXES.items()))
                 for suffix in table if suffix}

NUMBER = r"(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
DECIMAL = r"(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)"
SIGN = "[+\\-\u2212]?"
SPACE = f"[{_SPACE}]*"
_TEXT = re.compile(rf"({SIGN}{NUMBER})({SPACE})([^{_SPACE}0-9+.\-\u2212][^\s]*)?\Z", re.ASCII)
_CODE = re.compile(rf"({SIGN})([0-9]*)([A-Za-z\u00b5\u03bc])([0-9]+)\Z", re.ASCII)
_BARE = re.compile(rf"({SIGN}{DECIMAL})([A-Za-z\u00b5\u03bc])\Z", re.ASCII)


_WITH_TOLERANCE = re.compile(r"\S[ ,;]+(?:\u00b1|\+/-|\+-)?[0-9.]+ ?%\Z")
_CODED = re.compile(rf"(?:{_BARE.pattern}|{_CODE.pattern})", re.ASCII)
TOLERANCE_LETTERS = frozenset("BCDFGJKMNQSTZ")


def parse(value: object, dimension: str, bound: str = "any") -> float:
    """The quantity in its SI unit (temperatures in kelvin, ratios as fractions).

    ``value`` is a number in the SI unit or text; ``bound`` is ``positive``
    (> 0), ``nonnegative`` (>= 0) or ``any``.  Raises :class:`Complaint` naming
    what was seen and what is accepted.  ``KeyError`` for an unknown dimension.
    """
    if isinstance(value, str):
        return _parse_text(value, dimension, bound)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        d = DIMENSIONS[dimension]
        raise Complaint(f"{d.article} {_word(d)} is needed", seen=show(value), accepted=accepted(dimension))
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    return _bounded(number, dimension, bound, value)


@lru_cache(maxsize=4096)
def _parse_text(text: str, dimension: str, bound: str) -> float:
    d = DIMENSIONS[dimension]
    if len(text) > MAX_TEXT:
        raise Complaint(f"a quantity has at most {MAX_TEXT} characters", seen=quoted(text),
                        accepted=accepted(dimension))
    exact = _exact(text, d)
    if exact is None:
        raise _refusal(text, d)
    number = float(exact)
    if exact and not number:
        number = math.copysign(math.ulp(0.0), exact)  # too small for a float, but not zero: out of range
    return _bounded(number, dimension, bound, text)


def _exact(text: str, d: Dimension) -> Decimal | None:
    """The exact SI value of a text, or ``None`` when it does not match."""
    match = _TEXT.match(text)
    if match:
        number, space, suffix = match.groups()
        suffix = suffix or ""
        factor = SUFFIXES[d.name].get(suffix)
        if factor is not None and not (space and not suffix):
            exact = _EXACT.multiply(_decimal(number), factor)
            return _EXACT.add(exact, _ZERO_CELSIUS) if suffix in _CELSIUS else exact
    code = _CODE.match(text)
    if code:
        sign, whole, letter, fraction = code.groups()
        number = f"{sign}{whole or 0}.{fraction}"
    else:
        bare = _BARE.match(text)
        if not bare:
            return None
        number, letter = bare.groups()
    power = d.codes.get(letter)
    return None if power is None else _decimal(number).scaleb(power, _EXACT)


def _decimal(number: str) -> Decimal:
    return Decimal(number.replace("\u2212", "-"))


def _bounded(number: float, dimension: str, bound: str, raw: str | float) -> float:
    """``number``, read from ``raw``, when it is finite, of the right sign and of a sane magnitude."""
    d = DIMENSIONS[dimension]
    if d.smallest <= number <= d.largest:
        return number
    if number == 0.0 and bound != "positive" and dimension != "temperature":
        return 0.0  # also for minus zero
    if bound == "any" and dimension != "temperature" and d.smallest <= -number <= d.largest:
        return number
    raise _out_of_bounds(number, d, bound, raw)


def _out_of_bounds(number: float, d: Dimension, bound: str, raw: str | float) -> Complaint:
    word, seen = _word(d), show(raw)
    if not math.isfinite(number):
        return Complaint(f"the {word} is not a finite number", seen=seen, accepted=accepted(d.name))
    bare = not isinstance(raw, str)
    if d.name == "temperature":
        likely = f"{number:.15g} degC" if bare and -123.15 <= number < 150.0 else None
        return Complaint("the temperature is out of range" + ("; a bare number is in kelvin" if bare else ""),
                         seen=seen, accepted=f"{d.smallest:g} K to {d.largest:g} K, such as {d.examples}",
                         nearest=likely)
    if number < 0.0 and bound != "any":
        return Complaint(f"the {word} must not be negative", seen=seen, accepted=accepted(d.name))
    if number == 0.0:
        return Complaint(f"the {word} must be greater than zero", seen=seen, accepted=accepted(d.name))
    unit = f"; a bare number is in {d.unit}" if bare and UNITS[d.name] else ""
    return Complaint(f"the {word} is out of range{unit}", seen=seen,
                     accepted=f"{format_quantity(d.smallest, d.name)} to "
                              f"{format_quantity(d.largest, d.name)}, such as {d.examples}")


def _word(d: Dimension) -> str:
    return d.name.replace("-", " ")


def accepted(dimension: str) -> str:
    """What is accepted for a dimension, in words."""
    d = DIMENSIONS[dimension]
    unit = f"a number in {d.unit}" if UNITS[dimension] else "a number"
    return f"{unit}, or text such as {d.examples}"


def _refusal(text: str, d: Dimension) -> Complaint:
    """Why a text was refused, as helpfully as can be said without guessing."""
    what = f"{d.article} {_word(d)} is needed"
    seen, takes = quoted(text), accepted(d.name)
    if not text.isascii() and any(c.isdigit() and not c.isascii() for c in text):
        return Complaint(f"{what}; only the digits 0 to 9 are read", seen=seen, accepted=takes)
    if text != text.strip():
        return Complaint(f"{what}; blanks before or after it are not read", seen=seen, accepted=takes,
                         nearest=_retry(text.strip(), d))
    if _WITH_TOLERANCE.search(text):
        return Complaint(f"{what}; a tolerance is a member of its own", seen=seen, accepted=takes,
                         nearest=_retry(text.split()[0], d))
    if "," in text:
        return Complaint(f"{what}; the decimal mark is a point, and digits are not grouped", seen=seen,
                         accepted=takes)
    if "_" in text:
        return Complaint(f"{what}; digits are not grouped", seen=seen, accepted=takes)
    bare = _BARE.match(text) or _CODE.match(text)
    if bare and "m" in text and d.name == "capacitance":
        return Complaint("a bare m is ambiguous here: milli by the letter code, often typed for micro",
                         seen=seen, accepted="with its unit, such as 2.2 mF or 2200 uF")
    if bare and "m" in text and d.name == "resistance":
        return Complaint("a bare m is ambiguous here: milli, often typed for mega", seen=seen,
                         accepted="with its unit, such as 10 mohm or 10 Mohm")
    if text[-1:] in TOLERANCE_LETTERS and d.codes and _CODED.match(text[:-1]):
        return Complaint(f"{what}; a tolerance letter belongs in the member tolerance", seen=seen,
                         accepted=takes, nearest=_retry(text[:-1], d))
    match = _TEXT.match(text)
    if match:
        suffix = match.group(3) or ""
        if not suffix:
            return Complaint(f"{what}; the text has no unit", seen=seen, accepted=takes)
        other = _DIMENSION_OF.get(suffix)
        if other is not None and suffix not in d.codes:
            o = DIMENSIONS[other]
            return Complaint(f"{what}, not {o.article} {_word(o)}", seen=seen, accepted=takes)
        if match.group(2) and suffix in d.codes:
            return Complaint(f"{what}; a letter code has no blank in it", seen=seen, accepted=takes,
                             nearest=match.group(1) + suffix)
        same_case = [s for s in SUFFIXES[d.name] if s.lower() == suffix.lower() and s.isascii()]
        return Complaint(f"{what}; the unit {quoted(suffix)} is not known", seen=seen, accepted=takes,
                         nearest=f"{match.group(1)} {same_case[0]}" if len(same_case) == 1 else None)
    return Complaint(f"{what}; the text is not one", seen=seen, accepted=takes)


def _retry(text: str, d: Dimension) -> str | None:
    return text if _exact(text, d) is not None else None


# --- writing ---------------------------------------------------------------------------------------------

_SCALES: Mapping[str, tuple[tuple[str, int], ...]] = {
    # (prefix, power), largest first: what people write for each dimension
    "resistance": (("T", 12), ("G", 9), ("M", 6), ("k", 3), ("", 0), ("m", -3), ("u", -6)),
    "capacitance": (("", 0), ("u", -6), ("n", -9), ("p", -12)),
    "inductance": (("", 0), ("m", -3), ("u", -6), ("n", -9)),
    "time": (("", 0), ("m", -3), ("u", -6), ("n", -9), ("p", -12)),
    "charge": (("", 0), ("m", -3), ("u", -6), ("n", -9)),
    "length": (("k", 3), ("", 0), ("m", -3)),
}
_DEFAULT_SCALE = (("G", 9), ("M", 6), ("k", 3), ("", 0), ("m", -3), ("u", -6), ("n", -9), ("p", -12))
_UNSCALED = frozenset({"K", "degC", "K/W", "1/s", "%", "", "h", "day", "year"})
_LARGE_UNITS = (("s", 31557600.0, "year", 31557600), ("s", 2.0 * _DAY, "day", _DAY), ("s", 7200.0, "h", 3600),
                ("C", 3.6, "Ah", 3600))
"""Unit, magnitude from which another unit is printed, that unit, its size."""
_BY_UNIT = {d.unit: d.name for d in _ALL if d.unit != "1"}


def _unit_and_scale(what: str) -> tuple[str, tuple[tuple[str, int], ...]]:
    """Unit symbol and scale for a dimension name or a unit symbol."""
    unit = UNITS.get(what, "" if what == "1" else what)
    if unit in _UNSCALED:
        return unit, (("", 0),)
    return unit, _SCALES.get(_BY_UNIT.get(unit, ""), _DEFAULT_SCALE)


def format_quantity(value: float, what: str, digits: int = 4) -> str:
    """A quantity for people: plain ASCII, ``digits`` significant figures, a fitting prefix.

    ``what`` is a dimension or a unit symbol (any symbol is taken as it is;
    ``1`` and ``""`` print no unit).  A temperature is printed in degC, a ratio
    in per cent, an area in mm2, long times in hours, days and years, charge in Ah.  NaN and
    infinities print as ``undefined`` and ``infinite``.
    """
    if math.isnan(value):
        return "undefined"
    if math.isinf(value):
        return "-infinite" if value < 0 else "infinite"
    if what == "temperature":
        return f"{_figures(Decimal(repr(value)) - _ZERO_CELSIUS, digits)} degC"
    if what == "ratio":
        return f"{_figures(Decimal(repr(value)).scaleb(2), digits)} %"
    unit, scale = _unit_and_scale(what)
    exact = Decimal(repr(float(value)))
    if unit == "m2":
        return f"{_figures(exact.scaleb(6), digits)} mm2"
    for from_unit, least, symbol, size in _LARGE_UNITS:
        if unit == from_unit and abs(value) >= least:
            exact, unit = exact / size, symbol
            break
    rounded = Decimal(_figures(exact, digits))
    prefix, power = _fitting(rounded, scale) if unit not in _UNSCALED else ("", 0)
    number = _figures(rounded.scaleb(-power), digits)
    plural = "s" if unit in ("day", "year") and number != "1" else ""
    return f"{number} {prefix}{unit}{plural}".rstrip()


def _fitting(value: Decimal, scale: tuple[tuple[str, int], ...]) -> tuple[str, int]:
    if not value:
        return ("", 0)
    size = abs(value)
    for prefix, power in scale:
        if size >= Decimal(1).scaleb(power):
            return prefix, power
    return scale[-1]


def _figures(value: Decimal, digits: int) -> str:
    """Rounded to significant figures, half to even, without exponent or trailing zeros."""
    if not value:
        return "0"
    return _plain(Context(prec=digits).plus(value))


def _plain(value: Decimal) -> str:
    text = f"{value:f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


def document_text(value: float, dimension: str) -> str:
    """Text for a document that reads back as exactly the same float.

    The unit prefix is the one people write (``4.7 kohm``, ``470 uF``).
    Raises ``ValueError`` for a value the dimension does not take.
    """
    parse(value, dimension)
    exact = Decimal(repr(float(value)))
    if dimension == "temperature":
        return f"{_plain(_EXACT.subtract(exact, _ZERO_CELSIUS))} degC"
    if dimension == "ratio":
        return f"{_plain(exact.scaleb(2))} %"
    if dimension == "area":
        return f"{_plain(exact.scaleb(6))} mm2"
    if dimension == "charge":
        hours = exact / 3600
        if hours >= Decimal("1e-4") and len(_plain(hours)) <= 8:
            return f"{_plain(hours)} Ah"
    unit, scale = _unit_and_scale(dimension)
    prefix, power = _fitting(exact, scale)
    return f"{_plain(exact.scaleb(-power))} {prefix}{unit}".rstrip()
