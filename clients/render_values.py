"""How single values, changes and places are written in text output."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from clients.layout import clean
from schemas.quantities import format_quantity

Locate = Callable[[str], int | None]
"""From a JSON Pointer to the line in the file (from 1), or ``None`` when it is not known."""

UNDEFINED = "undefined"


def nowhere(pointer: str) -> int | None:
    """A :data:`Locate` for circuits without a text."""
    return None


def quantity(value: Any, unit: str = "") -> str:
    """A number with its unit; ``None`` is an undefined number, any other thing stands as it is."""
    if value is None:
        return UNDEFINED
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return clean(str(value))
    if unit.startswith("1/"):  # a rate takes no prefix
        return f"{float(value):.4g} {unit}"
    return format_quantity(float(value), unit)


def finding_value(value: Any, unit: str) -> str:
    """A number of a finding, where only the infinite has no JSON number."""
    if value is None:
        return "without end" if unit == "s" else "infinite"
    return quantity(value, unit)


def valued(item: Mapping[str, Any]) -> str:
    """The ``value`` of an item with its ``unit``."""
    return quantity(item.get("value"), str(item.get("unit", "")))


def place(pointer: str | None, locate: Locate) -> str:
    """``/parts/R1/resistance, line 12``."""
    if not pointer:
        return ""
    line = locate(pointer)
    return pointer if line is None else f"{pointer}, line {line}"


def short_name(pointer: str) -> str:
    """``R1 resistance`` for ``/parts/R1/resistance``."""
    for section in ("/parts/", "/assumptions/", "/"):
        if pointer.startswith(section):
            pointer = pointer.removeprefix(section)
            break
    return pointer.replace("/", " ")


def short_place(pointer: str | None, locate: Locate) -> str:
    """``R1 resistance, line 12``."""
    full = place(pointer, locate)
    return short_name(full) if pointer and "~" not in full else full


def literal(value: Any) -> str:
    """A document value as a person would write it: text bare, the rest as compact JSON."""
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{clean(str(key))}: {literal(item)}" for key, item in value.items()) + "}"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return json.dumps(value)


def changes(patch: Iterable[Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Pointer and wording of every real change in a patch; ``test`` operations give the old values."""
    guards: dict[str, Any] = {}
    found = []
    for operation in patch:
        pointer = str(operation.get("path", ""))
        match operation.get("op"):
            case "test":
                guards[pointer] = operation.get("value")
            case "replace":
                new = literal(operation.get("value"))
                found.append((pointer, f"{literal(guards[pointer])} -> {new}" if pointer in guards else new))
            case "add":
                found.append((pointer, f"add {literal(operation.get('value'))}"))
            case "remove":
                old = f" {literal(guards[pointer])}" if pointer in guards else ""
                found.append((pointer, f"remove{old}"))
            case other:
                found.append((pointer, str(other)))
    return found


def duration(seconds: Any) -> str:
    """A time in words; ``None`` is a time without end."""
    return "no end" if seconds is None else quantity(seconds, "s")
