"""Proposals as RFC 6902 patches with ``test`` guards, and their size."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

from rules.analysis.resolve import escape
from schemas.circuit import Circuit, Value
from schemas.finding import Change

MISSING = object()
Operation = dict[str, Any]


class CannotPatch(Exception):
    """The changes do not fit the document; the text says why."""


def split(pointer: str) -> list[str]:
    """Reference tokens of a JSON Pointer (RFC 6901, section 4)."""
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def value_at(raw: Any, pointer: str) -> Any:
    """What stands at ``pointer``, or :data:`MISSING`."""
    here = raw
    for token in split(pointer):
        if isinstance(here, Mapping):
            here = here.get(token, MISSING)
        elif isinstance(here, list):
            here = here[int(token)] if token.isdecimal() and int(token) < len(here) else MISSING
        else:
            return MISSING
        if here is MISSING:
            return MISSING
    return here


def compose(*steps: Iterable[Change]) -> tuple[Change, ...]:
    """Changes made one after the other as one set: per place the first old and the last new value.

    A change inside something that an earlier step put there goes into that
    step's new value; a change of something larger swallows earlier ones inside it.
    """
    found: dict[str, Change] = {}
    for change in (change for step in steps for change in step):
        holder = next((key for key in found if change.pointer.startswith(key + "/")), None)
        if holder is not None:
            outer = found[holder]
            inner = split(change.pointer[len(holder) :])
            found[holder] = Change(holder, outer.old, _with(outer.new, inner, change.new))
            continue
        first = found.get(change.pointer, change)
        for swallowed in [key for key in found if key.startswith(change.pointer + "/")]:
            del found[swallowed]
        found[change.pointer] = Change(change.pointer, first.old, change.new)
    return tuple(found[pointer] for pointer in sorted(found))


def _with(value: Any, tokens: list[str], new: Any) -> Any:
    """A copy of ``value`` with ``new`` at the place that ``tokens`` lead to; ``None`` removes."""
    if not isinstance(value, Mapping):
        raise CannotPatch("a step changes something inside a value that an earlier step took away")
    changed = dict(value)
    if len(tokens) > 1:
        changed[tokens[0]] = _with(changed.get(tokens[0]), tokens[1:], new)
    elif new is None:
        changed.pop(tokens[0], None)
    else:
        changed[tokens[0]] = new
    return changed


def patch_for(raw: Mapping[str, Any], changes: Iterable[Change]) -> tuple[Operation, ...]:
    """The guarded patch that makes ``changes`` in ``raw``.

    Every part that is touched is guarded by its kind, every value that is
    replaced by the value that stands there now, as it is written.  Raises
    :class:`CannotPatch` where the place does not exist or nothing would change.
    """
    guards: list[Operation] = []
    edits: list[Operation] = []
    guarded: set[str] = set()
    for change in sorted(changes, key=lambda change: change.pointer):
        tokens = split(change.pointer)
        parent = change.pointer.rpartition("/")[0]
        if not isinstance(value_at(raw, parent), Mapping):
            raise CannotPatch(f"{parent or 'the document'} is not there to be changed")
        if len(tokens) > 2 and tokens[0] == "parts":
            kind = "/".join([*change.pointer.split("/")[:3], "kind"])
            if kind not in guarded:
                guarded.add(kind)
                guards.append({"op": "test", "path": kind, "value": value_at(raw, kind)})
        now = value_at(raw, change.pointer)
        if now is not MISSING and change.old is None and len(tokens) == 2 and tokens[0] == "parts":
            raise CannotPatch(f"{tokens[1]} is already the name of a part")
        if now is MISSING:
            if change.new is None:
                raise CannotPatch(f"{change.pointer} is not there to be removed")
            edits.append({"op": "add", "path": change.pointer, "value": change.new})
            continue
        guards.append({"op": "test", "path": change.pointer, "value": now})
        if change.new is None:
            edits.append({"op": "remove", "path": change.pointer})
        elif now != change.new:
            edits.append({"op": "replace", "path": change.pointer, "value": change.new})
    if not edits:
        raise CannotPatch("nothing would change")
    return (*guards, *edits)


def apply(raw: Mapping[str, Any], patch: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """``raw`` with ``patch`` applied, the original untouched.  Raises :class:`CannotPatch`."""
    import jsonpatch
    import jsonpointer

    try:
        # both libraries raise their own base class
        patched = jsonpatch.apply_patch(raw, list(patch))
    except (jsonpatch.JsonPatchException, jsonpointer.JsonPointerException) as error:
        raise CannotPatch(str(error)) from error
    if not isinstance(patched, dict):
        raise CannotPatch("the patch replaces the whole document")
    return patched


def difference(before: Mapping[str, Any], after: Mapping[str, Any], at: str = "") -> tuple[Change, ...]:
    """The changes that lead from one document to another, as deep down as they go."""
    found: list[Change] = []
    for key in sorted(set(before) | set(after)):
        pointer = f"{at}/{escape(key)}"
        old, new = before.get(key, MISSING), after.get(key, MISSING)
        if old is MISSING:
            found.append(Change(pointer, None, new))
        elif new is MISSING:
            found.append(Change(pointer, old, None))
        elif isinstance(old, Mapping) and isinstance(new, Mapping):
            found.extend(difference(old, new, pointer))
        elif old != new:
            found.append(Change(pointer, old, new))
    return tuple(found)


def size(before: Circuit, after: Circuit) -> tuple[int, float]:
    """How much a patch changes: the number of parts touched, and the sum of |ln(new/old)| of their values.

    A change that has no ratio (a type, a pin, a value through zero) counts as a factor of ten.
    """
    touched = 0
    distance = 0.0
    for name in sorted(set(before.parts) | set(after.parts)):
        old, new = before.parts.get(name), after.parts.get(name)
        if old == new:
            continue
        touched += 1
        if old is None or new is None or old.kind != new.kind or old.pins != new.pins:
            distance += math.log(10.0)
        if old is not None and new is not None:
            keys = set(old.values) | set(new.values)
            distance += math.fsum(_step(old.values.get(key), new.values.get(key)) for key in keys)
    return touched, distance


def _step(old: Value | None, new: Value | None) -> float:
    if old == new:
        return 0.0
    if isinstance(old, float) and isinstance(new, float) and old * new > 0.0:
        return abs(math.log(new / old))
    return math.log(10.0)
