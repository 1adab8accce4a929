"""What every form of a sheet of hand working has in common: order, wording, rounding."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from clients.render_values import UNDEFINED
from schemas.quantities import format_quantity

Json = Mapping[str, Any]
KINDS = {
    "source": "source", "capacitor": "capacitor", "contact": "contact", "coil": "coil",
    "junction": "junction", "saturation": "saturation", "ohm": "Ohm", "beta": "beta", "sum": "sum",
    "kcl": "node sum", "idle": "idle", "sharing": "sharing", "series": "string", "parallel": "parallel",
    "divider": "divider", "thevenin": "Thevenin", "together": "together", "course": "course",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """One numbered step with the helping numbers that only it needs."""

    number: int
    step: Json
    helpers: tuple[Json, ...]


def kind_of(step: Json) -> str:
    kind = str(step.get("kind"))
    return KINDS.get(kind, kind)


def figure(value: Any, unit: str) -> str:
    """A number with four figures; a drop of 0.7 V stays 0.7 V."""
    if not isinstance(value, (int, float)):
        return UNDEFINED
    if unit == "V" and 0.01 <= abs(value) < 1.0:
        return f"{value:.4g} V"
    return format_quantity(float(value), unit, 4)


def working(step: Json) -> list[str]:
    """Formula, formula with numbers, value: as many of them as say something new."""
    value = figure(step.get("value"), str(step.get("unit", "")))
    formula, numbers = str(step.get("formula")), str(step.get("numbers"))
    found = [] if formula == "0" else [formula]
    # a symbol alone, and a nought, are the value already
    if formula != "0" and numbers.strip("()") != value and numbers != f"-{value}":
        found.append(numbers)
    return [*found, value]


def percent(difference: Any) -> str:
    """A relative difference with its sign; what rounds to nothing says so."""
    if not isinstance(difference, (int, float)):
        return UNDEFINED
    if abs(difference) < 5e-7:
        return "0 %"
    text = f"{100.0 * difference:+.2g}" if abs(difference) < 0.1 else f"{100.0 * difference:+.0f}"
    return f"{text} %"


def lines(steps: Sequence[Json]) -> Iterable[Line]:
    waiting: list[Json] = []
    number = 0
    for step in steps:
        if step.get("helping"):
            waiting.append(step)
            continue
        number += 1
        yield Line(number, step, tuple(waiting))
        waiting = []


def place(sheet: Json) -> str:
    """Contact positions and driver levels."""
    named = {**(sheet.get("contacts") or {}), **(sheet.get("drivers") or {})}
    return ", ".join(f"{part} {position}" for part, position in named.items())


def heading(sheet: Json) -> str:
    where = place(sheet)
    name = str(sheet.get("state", ""))
    notes = [] if sheet.get("stable") or name.endswith("(unstable)") else ["unstable"]
    if sheet.get("timed"):
        notes.append("only while a capacitor holds its voltage")
    return name + (f", {where}" if where else "") + (f" ({'; '.join(notes)})" if notes else "")


def rough_words(step: Json) -> list[str]:
    """The rule-of-thumb twin of a step as sentences."""
    rough = step.get("approximate")
    if not isinstance(rough, Mapping):
        return []
    unit = str(step.get("unit", ""))
    found = [f"quick: without {rough.get('neglects')}, {step['id']} = {rough['formula']} ="
             f" {figure(rough.get('value'), unit)}, {percent(rough.get('difference'))}"]
    ratio, shift = rough.get("ratio"), rough.get("shift")
    if isinstance(ratio, Mapping):
        found.append(stiffness(ratio.get("value")))
    if isinstance(shift, Mapping):
        volts = figure(shift.get("value"), "V")
        found.append(f"the base current shifts the tap by {shift['formula']} = {volts}")
    return found


def stiffness(times: Any) -> str:
    """What the divider current over the base current says (ten to one is stiff, common practice)."""
    if not isinstance(times, (int, float)):
        return f"the divider current over the base current is {UNDEFINED}"
    lead = f"the divider carries {times:.3g} times the base current: "
    if times >= 10.0:
        return lead + "stiff enough"
    return lead + ("not stiff" if times >= 3.0 else "soft, the quick value is only a guess")


def check_words(check: Json) -> tuple[str, str]:
    """The sentence of a check and what it came to."""
    holds = check.get("holds")
    if holds is None:
        return str(check.get("says")), f"{UNDEFINED}, the circuit does not say"
    unit = str(check.get("unit", ""))
    left, right = figure(check.get("left"), unit), figure(check.get("right"), unit)
    relation = str(check.get("relation"))
    formula = str(check.get("formula")).split(f" {relation} ")[0]
    lead = "" if formula in ("0", "") else f"{formula} = "
    return str(check.get("says")), f"{lead}{left} {relation} {right}: {'yes' if holds else 'NO'}"


def split_checks(sheet: Json) -> tuple[list[Json], list[str]]:
    """Those to show, on regions and what fails; and what else had to come out by itself, and did."""
    checks = list(sheet.get("checks") or ())
    regions = [check for check in checks if check.get("kind") == "region"]
    sums = [check for check in checks if check.get("kind") != "region"]
    met = [str(check.get("subject")) for check in sums if check.get("holds")]
    return [*regions, *(check for check in sums if check.get("holds") is False)], met
