"""The single values of a document that are more than a plain quantity.

Each reader takes the raw JSON value and returns the checked value or raises
:class:`~schemas.problems.Complaint`; each writer gives canonical raw data that
reads back to the same value.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from types import MappingProxyType

from schemas.circuit import Beta, Leakage, Ratings, Tolerance, Value
from schemas.problems import Complaint, listed, nearest_name, quoted, show
from schemas.quantities import DECIMAL, DIMENSIONS, MAX_TEXT, NUMBER, SPACE, UNITS, parse

NAME_PATTERN = r"[A-Za-z0-9_+\-][A-Za-z0-9_.+\-]{0,63}"
"""Names of circuits, parts, nets, states, stimuli and part types.

ASCII only: two look-alike letters of different alphabets would silently make two nets.
"""
SLUG_PATTERN = r"[a-z][a-z0-9]*(?:-[a-z0-9]+){0,15}"
DATE_PATTERN = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
MAX_SLUG = 64
MAX_LINE = 200
MAX_PARAGRAPH = 2000

_NAME = re.compile(NAME_PATTERN + r"\Z")
_SLUG = re.compile(SLUG_PATTERN + r"\Z")
_DATE = re.compile(DATE_PATTERN + r"\Z")
NAME_WORDS = "1 to 64 letters, digits, _ + - . (no blank, not starting with a point)"

# Characters that steer a terminal or reorder the text around them; as escapes of a regular expression.
_STEERING = r"\u007f-\u009f\u2028\u2029\u202a-\u202e\u2066-\u2069"
_BLANK = r" \u00a0\u1680\u2000-\u200a\u202f\u205f\u3000"
_HIDDEN_IN_LINE = rf"\u0000-\u001f{_STEERING}"
_HIDDEN_IN_PARAGRAPH = rf"\u0000-\u0008\u000b-\u001f{_STEERING}"
LINE_PATTERN = rf"[^{_HIDDEN_IN_LINE}]*[^{_BLANK}{_HIDDEN_IN_LINE}][^{_HIDDEN_IN_LINE}]*"
PARAGRAPH_PATTERN = (rf"[^{_HIDDEN_IN_PARAGRAPH}]*[^{_BLANK}\u0009\u000a{_HIDDEN_IN_PARAGRAPH}]"
                     rf"[^{_HIDDEN_IN_PARAGRAPH}]*")
_HIDDEN = {False: re.compile(rf"[{_HIDDEN_IN_LINE}\ud800-\udfff]"),
           True: re.compile(rf"[{_HIDDEN_IN_PARAGRAPH}\ud800-\udfff]")}
_VISIBLE = re.compile(rf"[^{_BLANK}\u0009\u000a]")

# --- tolerances ------------------------------------------------------------------------------------------

LETTERS: Mapping[str, tuple[str, str]] = MappingProxyType({
    # IEC 60062 tolerance letters in per cent, from memory
    "B": ("-0.1", "0.1"), "C": ("-0.25", "0.25"), "D": ("-0.5", "0.5"), "F": ("-1", "1"),
    "G": ("-2", "2"), "J": ("-5", "5"), "K": ("-10", "10"), "M": ("-20", "20"), "N": ("-30", "30"),
    "Q": ("-10", "30"), "T": ("-10", "50"), "S": ("-20", "50"), "Z": ("-20", "80"),
})
ABSOLUTE_LETTERS = frozenset("BCDF")
"""Letters that mean picofarads, not per cent, on capacitors below 10 pF (IEC 60062, from memory)."""

_PLUS_MINUS = rf"(?:\u00b1|\+/-|\+-)?{SPACE}"
_MINUS = "[\\-\u2212]"
_SIDE = rf"{DECIMAL}{SPACE}%?{SPACE}"
EVEN_PATTERN = rf"{_PLUS_MINUS}{DECIMAL}{SPACE}%"
"""Symmetrical limits in per cent."""
PAIR_PATTERN = (rf"(?:{_MINUS}{_SIDE}/{SPACE}\+{DECIMAL}{SPACE}%|\+{_SIDE}/{SPACE}{_MINUS}{DECIMAL}{SPACE}%)")
"""A lower and an upper limit in per cent, in either order."""
_EVEN = re.compile(rf"{_PLUS_MINUS}({DECIMAL}){SPACE}%\Z")
_PAIR = re.compile(rf"(.)({DECIMAL})[^/]*/{SPACE}.({DECIMAL}){SPACE}%\Z")
_PAIR_FORM = re.compile(PAIR_PATTERN + r"\Z")
MAX_TOLERANCE = 10.0
_LARGEST = sys.float_info.max
TOLERANCE_WORDS = "a fraction such as 0.05, or text such as 5 %, \u00b15 %, -20/+50 %, or a letter such as J"


def read_tolerance(raw: object) -> Tolerance:
    """Relative limits; a plain number is a symmetrical fraction."""
    if isinstance(raw, str):
        low, high = _tolerance_text(raw)
    elif isinstance(raw, bool) or not isinstance(raw, (int, float)):
        raise Complaint("a tolerance is needed", seen=show(raw), accepted=TOLERANCE_WORDS)
    else:
        if not 0 <= raw < 1:
            raise Complaint("a bare number is a fraction, from 0 to below 1", seen=show(raw),
                            accepted=TOLERANCE_WORDS,
                            nearest=f"{raw} %" if 1 <= raw <= 100 else None)
        return Tolerance(0.0 - float(raw), float(raw) + 0.0)
    if not -1 < low <= 0 <= high <= MAX_TOLERANCE:
        raise Complaint("the tolerance is out of range", seen=quoted(raw),
                        accepted=f"a lower limit above -100 % up to 0, an upper limit from 0 to "
                                 f"{100 * MAX_TOLERANCE:g} %")
    return Tolerance(float(low) + 0.0, float(high) + 0.0)


def _tolerance_text(text: str) -> tuple[Decimal, Decimal]:
    if len(text) <= MAX_TEXT:
        if text in LETTERS:
            low, high = LETTERS[text]
            return Decimal(low).scaleb(-2), Decimal(high).scaleb(-2)
        even = _EVEN.match(text)
        if even:
            limit = Decimal(even.group(1)).scaleb(-2)
            return -limit, limit
        pair = _PAIR.match(text) if _PAIR_FORM.match(text) else None
        if pair:
            first, a, b = pair.groups()
            plus, minus = (a, b) if first == "+" else (b, a)
            return -Decimal(minus).scaleb(-2), Decimal(plus).scaleb(-2)
    bare = re.match(rf"{DECIMAL}\Z", text, re.ASCII) if len(text) <= MAX_TEXT else None
    raise Complaint("a tolerance is needed" + ("; the text has no % sign" if bare else ""),
                    seen=quoted(text), accepted=TOLERANCE_WORDS, nearest=f"{text} %" if bare else None)


def write_tolerance(value: Tolerance) -> float | str:
    """A symmetrical tolerance below 100 % as a fraction, any other as text."""
    if value.low == -value.high and value.high < 1:
        return value.high
    low, high = (f"{Decimal(repr(abs(limit))).scaleb(2):f}" for limit in (value.low, value.high))
    return f"-{low}/+{high} %"


def read_within(raw: object) -> float:
    """A symmetrical relative band as a fraction between 0 and 1."""
    if not isinstance(raw, str) or (len(raw) <= MAX_TEXT and _EVEN.match(raw)):
        high = read_tolerance(raw).high
        if high > 0.0:
            return high
    raise Complaint("a symmetrical band greater than zero is needed", seen=show(raw),
                    accepted="a fraction such as 0.3, or text such as 30 %")


# --- leakage ---------------------------------------------------------------------------------------------

PER_CV_PATTERN = f"(?:{NUMBER}){SPACE}CV"
_PER_CV = re.compile(rf"({NUMBER}){SPACE}CV\Z", re.ASCII)
LEAKAGE_WORDS = "a current such as 3 uA or a number in A, or 0.01CV (rated voltage meant)"
PER_CV_RANGE = (1e-9, 100.0)


def read_leakage(raw: object) -> Leakage:
    """A leakage limit: a current (zero allowed), or ``0.01CV`` with C in uF, V in V, result in uA.

    The factor is the same in SI: A per (F times V), which is 1/s.
    """
    if isinstance(raw, str) and len(raw) <= MAX_TEXT:
        match = _PER_CV.match(raw)
        if match:
            factor = float(match.group(1))
            low, high = PER_CV_RANGE
            if not low <= factor <= high:
                raise Complaint("the leakage factor is out of range", seen=quoted(raw),
                                accepted=f"{low:g}CV to {high:g}CV")
            return Leakage(per_cv=factor)
    try:
        return Leakage(current=parse(raw, "current", "nonnegative"))
    except Complaint as complaint:
        raise Complaint(complaint.detail, seen=complaint.seen, accepted=LEAKAGE_WORDS,
                        nearest=complaint.nearest) from None


# --- words -----------------------------------------------------------------------------------------------


def read_choice(raw: object, choices: tuple[str, ...]) -> str:
    if isinstance(raw, str) and raw in choices:
        return raw
    raise Complaint("one of a few words is needed", seen=show(raw), accepted=listed(choices),
                    nearest=nearest_name(raw, choices) if isinstance(raw, str) else None)


def read_flag(raw: object) -> bool:
    if isinstance(raw, bool):
        return raw
    likely = {"yes": "true", "on": "true", "no": "false", "off": "false"}
    raise Complaint("true or false is needed", seen=show(raw), accepted="true, false",
                    nearest=likely.get(raw.lower()) if isinstance(raw, str) else None)


def is_name(word: object) -> bool:
    return isinstance(word, str) and _NAME.match(word) is not None


def read_name(raw: object) -> str:
    """A name; refused when it is not text, with a hint at quotes."""
    if isinstance(raw, str):
        if _NAME.match(raw):
            return raw
        raise Complaint("the name is not well formed", seen=quoted(raw), accepted=NAME_WORDS)
    plain = isinstance(raw, (int, float, bool)) or raw is None
    raise Complaint("a name is needed" + ("; put it in quotes" if plain and raw is not None else ""),
                    seen=show(raw), accepted=NAME_WORDS,
                    nearest=f'"{raw}"' if isinstance(raw, int) and not isinstance(raw, bool)
                    and raw.bit_length() < 64 else None)


def read_slug(raw: object) -> str:
    if isinstance(raw, str) and len(raw) <= MAX_SLUG and _SLUG.match(raw):
        return raw
    raise Complaint("the name of a rule is needed", seen=show(raw),
                    accepted="lower-case words joined by hyphens, such as divider-stiffness")


def read_line(raw: object) -> str:
    return _text(raw, MAX_LINE, lines=False)


def read_paragraph(raw: object) -> str:
    return _text(raw, MAX_PARAGRAPH, lines=True)


def _text(raw: object, limit: int, *, lines: bool) -> str:
    what = f"text of 1 to {limit} characters" + ("" if lines else " on one line")
    if not isinstance(raw, str):
        raise Complaint("text is needed", seen=show(raw), accepted=what)
    if len(raw) > limit:
        raise Complaint(f"the text is too long: {len(raw)} characters", seen=quoted(raw), accepted=what)
    if not _VISIBLE.search(raw):
        raise Complaint("text is needed, not only blanks", seen=quoted(raw), accepted=what)
    hidden = _HIDDEN[lines].search(raw)
    if hidden:
        character = hidden.group()
        kind = "a line break" if character == "\n" else f"the control character U+{ord(character):04X}"
        raise Complaint(f"the text holds {kind}", seen=quoted(raw), accepted=what)
    return raw


def read_date(raw: object) -> str:
    if isinstance(raw, str) and _DATE.match(raw):
        try:
            date.fromisoformat(raw)
        except ValueError:
            raise Complaint("there is no such day in the calendar", seen=quoted(raw),
                            accepted="a date as YYYY-MM-DD") from None
        return raw
    raise Complaint("a date is needed", seen=show(raw), accepted="a date as YYYY-MM-DD")


ACCEPTED_WORDS = "a number in the unit of the finding's test, or text such as 2.1 mA"


def read_accepted(raw: object) -> float | str:
    """The number that a waiver accepts: a number, or text of any dimension, kept as it is written.

    Only the finding knows the dimension: :func:`accepted_number` reads the text once that is known.
    """
    if isinstance(raw, str):
        if any(_reads(raw, dimension) for dimension in DIMENSIONS):
            return raw
    elif isinstance(raw, (int, float)) and not isinstance(raw, bool) and abs(raw) <= _LARGEST:
        return float(raw)
    raise Complaint("the number that was accepted is needed", seen=show(raw), accepted=ACCEPTED_WORDS)


def accepted_number(value: float | str, unit: str) -> float:
    """``accepted`` of a waiver in ``unit``, an SI unit symbol (empty for a ratio).

    Raises :class:`Complaint` for text of another dimension.
    """
    if not isinstance(value, str):
        return value
    found = [name for name, symbol in UNITS.items() if symbol == unit and _reads(value, name)]
    if not found:
        needed = f"in {unit}" if unit else "that is a plain number or in per cent"
        raise Complaint(f"the number that was accepted has to be one {needed}, as in the finding's test",
                        seen=quoted(value), accepted=f"a number {needed}")
    return parse(value, found[0])


def _reads(text: str, dimension: str) -> bool:
    try:
        parse(text, dimension)
    except Complaint:
        return False
    return True


# --- writing ---------------------------------------------------------------------------------------------


def write(value: Value) -> object:
    """Canonical raw data for a checked value: SI numbers where there is one."""
    if isinstance(value, Tolerance):
        return write_tolerance(value)
    if isinstance(value, Leakage):
        return f"{value.per_cv!r}CV" if value.per_cv is not None else value.current
    if isinstance(value, Beta):
        if value.minimum is not None and value.minimum == value.typical == value.maximum:
            return value.minimum
        members = {"min": value.minimum, "typical": value.typical, "max": value.maximum}
        return {key: number for key, number in members.items() if number is not None}
    if isinstance(value, Ratings):
        every = {name: getattr(value, name) for name in Ratings.__slots__}
        return {key: number for key, number in every.items() if number is not None}
    return value


