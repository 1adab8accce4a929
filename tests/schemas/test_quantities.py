"""Quantities: exact scaling, nothing read that is not fully understood, writing that reads back."""

from __future__ import annotations

import json
import math
import re
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from schemas.json_schema import quantity_pattern, whole
from schemas.problems import Complaint
from schemas.quantities import DIMENSIONS, MAX_TEXT, SUFFIXES, UNITS, document_text, format_quantity, parse

NAMES = sorted(DIMENSIONS)
# SI brochure, 9th edition, table 7
SI_PREFIXES = {
    "p": -12,
    "n": -9,
    "u": -6,
    "m": -3,
    "": 0,
    "k": 3,
    "M": 6,
    "G": 9,
    "T": 12,
}


def in_range(dimension: str) -> st.SearchStrategy[float]:
    d = DIMENSIONS[dimension]
    return st.floats(d.smallest, d.largest, allow_nan=False)


# --- reading ---------------------------------------------------------------------------------------------


@given(
    st.integers(0, 999_999),
    st.integers(0, 6),
    st.sampled_from(sorted(SI_PREFIXES)),
    st.sampled_from(["ohm", "V", "A", "s", "W", "F", "H"]),
)
def test_scaling_is_exact(digits: int, places: int, prefix: str, unit: str) -> None:
    """The float is the one nearest to the exact decimal value (checked with rational numbers)."""
    dimension = next(name for name, symbol in UNITS.items() if symbol == unit)
    mantissa = f"{Decimal(digits).scaleb(-places):f}"
    exact = Fraction(mantissa) * Fraction(10) ** SI_PREFIXES[prefix]
    d = DIMENSIONS[dimension]
    assume(exact == 0 or d.smallest <= float(exact) <= d.largest)
    assert parse(f"{mantissa} {prefix}{unit}", dimension) == float(exact)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("1 min", 60), ("1 h", 3600), ("1 day", 86400), ("1 week", 604800), ("1 year", 365.25 * 86400)],
)
def test_calendar_units(text: str, seconds: float) -> None:
    # SI brochure, table 8 (min, h, d); Julian year: IAU style manual 1989, section 5.15
    assert parse(text, "time") == seconds


def test_celsius_is_kelvin_less_273_15() -> None:
    # SI brochure, section 2.3.1, unit of thermodynamic temperature
    assert parse("0 degC", "temperature") == 273.15
    assert parse("-10 degC", "temperature") == 263.15
    assert parse("0.01 degC", "temperature") == 273.16  # triple point of water


def test_a_number_is_taken_as_it_is() -> None:
    assert parse(4700, "resistance") == 4700.0
    assert parse(0.1 + 0.2, "voltage") == 0.1 + 0.2
    assert math.copysign(1.0, parse(-0.0, "voltage")) == 1.0


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 10**400, -(10**400)])
def test_numbers_that_are_not_finite_are_refused(value: float) -> None:
    with pytest.raises(Complaint, match="not a finite number") as caught:
        parse(value, "voltage")
    assert caught.value.seen
    assert len(caught.value.seen) < 70


@pytest.mark.parametrize("value", [True, None, [], {}, (), b"4k7", Decimal("4700"), 4700j])
def test_other_types_are_refused(value: object) -> None:
    with pytest.raises(Complaint, match="a resistance is needed"):
        parse(value, "resistance")


@pytest.mark.parametrize("bound", ["any", "nonnegative", "positive"])
def test_bounds(bound: str) -> None:
    for value, taken in ((5.0, True), (0.0, bound != "positive"), (-5.0, bound == "any")):
        for raw in (value, f"{value} V"):
            if taken:
                assert parse(raw, "voltage", bound) == value
            else:
                with pytest.raises(Complaint):
                    parse(raw, "voltage", bound)


@pytest.mark.parametrize("dimension", NAMES)
def test_the_ends_of_each_range_are_taken_and_what_lies_beyond_is_not(dimension: str) -> None:
    d = DIMENSIONS[dimension]
    for limit, beyond in ((d.smallest, math.nextafter(d.smallest, 0)), (d.largest, d.largest * 1.000001)):
        assert parse(limit, dimension) == limit
        with pytest.raises(Complaint, match="out of range"):
            parse(beyond, dimension)


def test_an_unknown_dimension_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(KeyError):
        parse("1 kg", "mass")


ALPHABET = [
    *"0123456789.,-+eE kKMGTmunpRLFVHCAWJ%/\u00b5\u03bc\u2126\u03a9\u2212\u00a0_\u0664\uff19\n\t",
    *("ohm", "degC", "K/W", "year", "min", "Ah", "s", "k7", "0", "1", " ", " "),
]


def complaint_about(text: str, dimension: str, bound: str = "any") -> Complaint | None:
    try:
        assert math.isfinite(parse(text, dimension, bound))
    except Complaint as complaint:
        return complaint
    return None


@given(
    st.lists(st.sampled_from(ALPHABET), max_size=8).map("".join),
    st.sampled_from(NAMES),
    st.sampled_from(["any", "nonnegative", "positive"]),
)
def test_reader_and_published_pattern_take_the_same_texts(text: str, dimension: str, bound: str) -> None:
    """Two grammars written apart: the reader's tables and one regular expression."""
    matches = re.search(whole(quantity_pattern(DIMENSIONS[dimension], bound)), text) is not None
    complaint = complaint_about(text, dimension, bound)
    if complaint is None:
        assert matches
        return
    assert complaint.seen == json.dumps(text, ensure_ascii=not text.isprintable())
    assert complaint.accepted
    if matches:
        assert re.search("out of range|not a finite", complaint.detail)


@given(st.text(max_size=MAX_TEXT + 5), st.sampled_from(NAMES))
def test_any_text_is_read_or_complained_about(text: str, dimension: str) -> None:
    complaint = complaint_about(text, dimension)
    assert complaint is None or complaint.detail.isprintable()


def test_unit_symbols_hold_no_character_that_means_something_in_a_pattern() -> None:
    symbols = {symbol for table in SUFFIXES.values() for symbol in table}
    assert not [symbol for symbol in symbols if set(symbol) & set("\\^$.|?*+()[]{}")]


@pytest.mark.parametrize(
    ("text", "dimension", "nearest"),
    [
        ("12 KV", "voltage", "12 kV"),
        ("47 k", "resistance", "47k"),
        (" 5 V", "voltage", "5 V"),
        ("4k7 5 %", "resistance", "4k7"),
        ("4k7K", "resistance", "4k7"),
        ("0.5 AH", "charge", "0.5 Ah"),
        ("10 MOHM", "resistance", None),
        ("5 kV", "resistance", None),
    ],
)
def test_what_was_likely_meant(text: str, dimension: str, nearest: str | None) -> None:
    with pytest.raises(Complaint) as caught:
        parse(text, dimension)
    assert caught.value.nearest == nearest
    if nearest is not None:
        parse(nearest, dimension)


# --- writing ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("dimension", NAMES)
@given(data=st.data())
def test_document_text_reads_back_as_the_same_float(dimension: str, data: st.DataObject) -> None:
    value = data.draw(in_range(dimension))
    for signed in (value, -value) if dimension != "temperature" else (value,):
        text = document_text(signed, dimension)
        assert parse(text, dimension) == signed
        assert text.isascii()
        assert "e" not in text.split()[0]


@pytest.mark.parametrize(
    ("value", "dimension", "text"),
    [
        (4700.0, "resistance", "4.7 kohm"),
        (0.47, "resistance", "470 mohm"),
        (1e6, "resistance", "1 Mohm"),
        (0.00047, "capacitance", "470 uF"),
        (0.0022, "capacitance", "2200 uF"),
        (1e-7, "capacitance", "100 nF"),
        (4.7e-12, "capacitance", "4.7 pF"),
        (0.2, "current", "200 mA"),
        (263.15, "temperature", "-10 degC"),
        (0.05, "ratio", "5 %"),
        (1800.0, "charge", "0.5 Ah"),
        (0.002, "charge", "2 mC"),
        (150.0, "gain", "150"),
        (45.0, "time", "45 s"),
        (0.0, "voltage", "0 V"),
        (200.0, "thermal-resistance", "200 K/W"),
    ],
)
def test_document_text_is_what_people_write(value: float, dimension: str, text: str) -> None:
    assert document_text(value, dimension) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, 1e30])
def test_document_text_refuses_what_no_document_may_hold(value: float) -> None:
    with pytest.raises(ValueError, match="voltage"):
        document_text(value, "voltage")


@pytest.mark.parametrize(
    ("value", "what", "text"),
    [
        (4700.0, "resistance", "4.7 kohm"),
        (4700.0, "ohm", "4.7 kohm"),
        (1.23456e-5, "A", "12.35 uA"),
        (0.00047, "F", "470 uF"),
        (999.96, "ohm", "1 kohm"),
        (0.0, "V", "0 V"),
        (-0.0, "V", "0 V"),
        (-0.0042, "V", "-4.2 mV"),
        (263.15, "temperature", "-10 degC"),
        (0.1234567, "ratio", "12.35 %"),
        (83.25, "K/W", "83.25 K/W"),
        (150.0, "gain", "150"),
        (150.0, "", "150"),
        (1.5, "1", "1.5"),
        (3e-15, "A", "0.003 pA"),
        (2.5e12, "ohm", "2.5 Tohm"),
        (31557600.0, "time", "1 year"),
        (7200.0, "time", "2 h"),
        (90.0, "s", "90 s"),
        (259200.0, "s", "3 days"),
        (math.nan, "V", "undefined"),
        (math.inf, "A", "infinite"),
        (-math.inf, "A", "-infinite"),
        (1800.0, "charge", "500 mAh"),
        (31557600.0 * 1.5, "s", "1.5 years"),
    ],
)
def test_format_for_people(value: float, what: str, text: str) -> None:
    assert format_quantity(value, what) == text


@given(
    st.floats(-1e12, 1e12), st.sampled_from(["V", "A", "ohm", "F", "s", "W", "", "K/W"]), st.integers(2, 6)
)
def test_format_is_near_the_value_and_plain(value: float, unit: str, digits: int) -> None:
    text = format_quantity(value, unit, digits)
    number, _, symbol = text.partition(" ")
    assert text.isascii()
    assert "e" not in number.lower()
    scale = {"year": 31557600.0, "years": 31557600.0, "days": 86400.0, "h": 3600.0}.get(symbol)
    if scale is None:
        scale = 10.0 ** SI_PREFIXES[symbol.removesuffix(unit)]
    assert float(number) * scale == pytest.approx(value, rel=0.6 * 10.0 ** (1 - digits), abs=1e-300)
