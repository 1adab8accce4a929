"""What a capacitor is allowed to leak, and which other part would be allowed to leak less."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rules.analysis.formulas.timing import (
    GRADES,
    LOW_LEAKAGE,
    LeakageLimit,
    leakage_limit,
    leakage_limit_of_grade,
    leakage_temperature_factor,
)
from rules.analysis.frozen import capacitor_voltage
from rules.analysis.preferred import RATED_VOLTAGES
from rules.analysis.resolve import SUPPLIES, dielectric_of, part_pointer
from schemas.finding import Change, Origin
from schemas.quantities import document_text

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Part

VOLTAGE_SHARE = 0.8  # of the rating in use, aluminium (70 to 80 % in part derating tables); from memory
FILM_LARGEST = 10e-6  # F; larger film capacitors are rare and bulky; common practice, no source
FILM_RATING = 63.0  # V, the lowest usual rating of film capacitors; common practice, no source
STATED = "as stated"
SHEET_TEMPERATURE = 293.15  # K; aluminium limits are stated at 20 degC (Panasonic series SU)
HOTTEST = 398.15  # K, up to which the temperature factors are known


@dataclass(frozen=True, slots=True)
class Promise:
    """The leakage limit of one capacitor.

    ``sheet`` (A) is as stated at 20 or 25 degC, ``factor`` applies at ``temperature`` (K).

    ``grade`` (1/s) is the k of its k*C*V_R, ``None`` for a stated current or
    without a rated voltage (V, ``rated``); ``by_charge`` is false where the
    floor of the grade, not k*C*V_R, is the limit.
    """

    sheet: float
    factor: float
    temperature: float
    grade: float | None
    by_charge: bool
    rated: float | None
    wording: str
    source: str
    origin: Origin
    pointer: str

    @property
    def limit(self) -> float:
        """The limit at the temperature judged, A."""
        return self.sheet * self.factor


@dataclass(frozen=True, slots=True)
class Choice:
    """Another capacitor of the same value: the changes, and its limit (A) at the temperature judged."""

    summary: str
    changes: tuple[Change, ...]
    limit: float
    rated: float


def promise_of(study: Study, capacitor: str, voltage: float) -> Promise | str:
    """The limit at the highest ambient temperature; the pointer of what is missing where it cannot be known.

    ``voltage`` (V) stands in for a missing rating of a dielectric that is
    promised as a resistance.
    """
    part = study.circuit.parts[capacitor]
    rated = part.number("voltage")
    sheet = _sheet(study, part, rated, abs(voltage))
    if sheet is None:
        return part_pointer(capacitor, "voltage")
    limit, grade, wording, declared = sheet
    # a circuit that never gets warm still has the limit of the sheet, not a lower one
    temperature = min(max(study.resolved.ambient.high, SHEET_TEMPERATURE), HOTTEST)
    factor = max(1.0, leakage_temperature_factor(dielectric_of(part), temperature))
    pointer = part_pointer(capacitor, "leakage")
    return Promise(
        sheet=limit.current,
        factor=factor,
        temperature=temperature,
        grade=None if rated is None else grade,
        by_charge=rated is not None and grade is not None and limit.per_cv <= grade * (1.0 + 1e-9),
        rated=rated,
        wording=wording,
        source=limit.source,
        origin="declared" if declared else "assumed",
        pointer=pointer,
    )


def _sheet(
    study: Study, part: Part, rated: float | None, voltage: float
) -> tuple[LeakageLimit, float | None, str, bool] | None:
    """(limit, k of its grade, its wording, stated in the document); ``None`` where a rating is needed."""
    dielectric = dielectric_of(part)
    farads = study.value(part.name, "capacitance")
    stated, per_cv = study.known(part.name, "leakage"), study.known(part.name, "leakage_per_cv")
    if stated is not None:
        limit = LeakageLimit(stated.value, stated.value / (farads * (rated or 1.0)), "document")
        return limit, None, STATED, True
    if per_cv is not None:
        if rated is None:
            return None
        limit = leakage_limit_of_grade(per_cv.value, farads, rated)
        return limit, per_cv.value, _by_charge(per_cv.value, limit, rated), True
    if dielectric in ("film", "ceramic"):
        across = max(voltage, 1e-3) if rated is None else rated
        limit = leakage_limit(dielectric, farads, across)
        return limit, GRADES[dielectric].per_cv, f"insulation at {across:.3g} V", False
    if rated is None:
        return None
    limit = leakage_limit(dielectric, farads, rated)
    if dielectric == "aluminium" and rated > 100.0:
        return limit, 0.06, f"0.06CV + 10 uA at {rated:g} V", False
    grade = GRADES[dielectric].per_cv
    return limit, grade, _by_charge(grade, limit, rated), False


def _by_charge(per_cv: float, limit: LeakageLimit, rated: float) -> str:
    if limit.per_cv <= per_cv * (1.0 + 1e-9):
        return f"{per_cv:g}CV at {rated:g} V"
    return f"{per_cv:g}CV at {rated:g} V, but no less than {limit.current * 1e6:.3g} uA"


def highest_voltage(study: Study, capacitor: str) -> float:
    """The largest voltage (V) on a capacitor in any state or phase at any corner, at the highest supply."""
    found = [0.0]
    for corner in study.corners:
        for sets in study.state_sets(corner):
            found.extend(abs(capacitor_voltage(study.resolved, s, capacitor) or 0.0) for s in sets.stable)
        for timed in study.timing(corner):
            for phase in (timed.phase, *timed.after) if timed.capacitor == capacitor else ():
                found.extend(abs(end) for s in phase.segments for end in (s.start, s.end))
    return max(found) * supply_span(study)


def supply_span(study: Study) -> float:
    """Highest over nominal supply voltage, at least 1."""
    spans = [
        study.value(p.name, "high") / study.value(p.name, "voltage")
        for p in study.circuit.parts.values()
        if p.kind in SUPPLIES and study.value(p.name, "voltage")
    ]
    return max([1.0, *spans])


def choices(study: Study, capacitor: str, promise: Promise) -> tuple[Choice, ...]:
    """Capacitors of the same value that are promised to leak less, the least change first."""
    farads = study.value(capacitor, "capacitance")
    dielectric = dielectric_of(study.circuit.parts[capacitor])
    low_k = LOW_LEAKAGE.per_cv
    rated = promise.rated
    if rated is None or dielectric not in ("aluminium", "tantalum"):
        return ()
    made: list[Choice] = []
    needed = highest_voltage(study, capacitor) / VOLTAGE_SHARE
    lower = next((v for v in RATED_VOLTAGES if v >= needed), None)
    smaller = lower if lower is not None and lower < rated else None
    to_rating = _change(
        capacitor,
        "voltage",
        document_text(rated, "voltage"),
        None if smaller is None else document_text(smaller, "voltage"),
    )
    grade = _change(capacitor, "leakage", _leakage_text(study, capacitor), f"{low_k:g}CV")
    own_k = study.known(capacitor, "leakage_per_cv")
    by_charge = study.known(capacitor, "leakage") is None
    low_grade = dielectric == "aluminium" and rated <= 100.0 and (own_k is None or own_k.value > low_k)
    if low_grade:
        limit = leakage_limit_of_grade(low_k, farads, rated).current * promise.factor
        made.append(Choice(f"{capacitor}: low-leakage grade, {low_k:g}CV", (grade,), limit, rated))
    if smaller is not None and by_charge:
        same = (
            leakage_limit_of_grade(own_k.value, farads, smaller)
            if own_k is not None
            else leakage_limit(dielectric, farads, smaller)
        ).current * promise.factor
        made.append(
            Choice(f"{capacitor}: rated {smaller:g} V instead of {rated:g} V", (to_rating,), same, smaller)
        )
    if smaller is not None and low_grade:
        both = leakage_limit_of_grade(low_k, farads, smaller).current * promise.factor
        made.append(
            Choice(
                f"{capacitor}: low-leakage grade, {low_k:g}CV, rated {smaller:g} V",
                (grade, to_rating),
                both,
                smaller,
            )
        )
    if farads <= FILM_LARGEST * (1.0 + 1e-9):
        made.append(_film(study, capacitor, farads, rated, promise))
    return tuple(choice for choice in made if choice.limit < 0.999 * promise.limit)


def _film(study: Study, capacitor: str, farads: float, rated: float, promise: Promise) -> Choice:
    part = study.circuit.parts[capacitor]
    rating = max(FILM_RATING, rated)
    changes = [_change(capacitor, "dielectric", part.text("dielectric"), "film")]
    if rating != rated:
        changes.append(
            _change(capacitor, "voltage", document_text(rated, "voltage"), document_text(rating, "voltage"))
        )
    old = _leakage_text(study, capacitor)
    if old is not None:
        changes.append(_change(capacitor, "leakage", old, None))
    limit = film_limit(farads, promise.temperature)
    return Choice(f"{capacitor}: film of the same value, {rating:g} V", tuple(changes), limit, rating)


def film_limit(farads: float, temperature: float) -> float:
    """Leakage limit (A) of a film capacitor at ``temperature`` (K) and its usual rating."""
    factor = max(1.0, leakage_temperature_factor("film", temperature))
    return leakage_limit("film", farads, FILM_RATING).current * factor


def _leakage_text(study: Study, capacitor: str) -> str | None:
    stated, per_cv = study.known(capacitor, "leakage"), study.known(capacitor, "leakage_per_cv")
    if stated is not None:
        return document_text(stated.value, "current")
    return None if per_cv is None else f"{per_cv.value:g}CV"


def _change(capacitor: str, member: str, old: str | None, new: str | None) -> Change:
    return Change(part_pointer(capacitor, member), old, new)
