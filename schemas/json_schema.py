"""The published JSON Schema (2020-12) of the circuit document, made from the tree of shapes.

It says all that a JSON Schema can say.  Left to the reader are: magnitudes
given as text, members that must be in order, names that must exist elsewhere
in the document, and days of the calendar.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import deepcopy
from functools import cache, partial
from typing import Any

from schemas.circuit import FORMAT
from schemas.layout import (
    ACTION,
    AMBIENT,
    ASSUMED,
    BETA,
    BETA_OBJECT,
    DOCUMENT,
    NET_NOTE,
    PARTS_BY_KIND,
    REQUIREMENTS_BY_KIND,
    WAIVER,
)
from schemas.quantities import DECIMAL, DIMENSIONS, MAX_TEXT, NUMBER, SPACE, SUFFIXES, Dimension, accepted
from schemas.shapes import Choice, Leaf, ListOf, MapOf, Object, Shape
from schemas.values import (
    ACCEPTED_WORDS,
    DATE_PATTERN,
    EVEN_PATTERN,
    LEAKAGE_WORDS,
    LETTERS,
    LINE_PATTERN,
    MAX_LINE,
    MAX_PARAGRAPH,
    MAX_SLUG,
    NAME_PATTERN,
    NAME_WORDS,
    PAIR_PATTERN,
    PARAGRAPH_PATTERN,
    PER_CV_PATTERN,
    SLUG_PATTERN,
    TOLERANCE_WORDS,
)

Json = dict[str, Any]
DIALECT = "https://json-schema.org/draft/2020-12/schema"
IDENTIFIER = "urn:thumbrule:circuit:1"


def circuit_schema() -> Json:
    """The JSON Schema of a circuit document; a fresh copy each time, references under ``#/$defs/``."""
    copy: Json = deepcopy(_schema())
    return copy


@cache
def _schema() -> Json:
    builder = _Builder()
    body = builder.object(DOCUMENT)
    body["properties"]["format"]["description"] = "the document format"
    return {"$schema": DIALECT, "$id": IDENTIFIER, "title": f"A circuit document ({FORMAT})", **body,
            "$defs": {name: builder.definitions[name] for name in sorted(builder.definitions)}}


class _Builder:
    """Walks the shapes once; what is used in many places becomes a definition."""

    def __init__(self) -> None:
        self.definitions: Json = {}
        self.names: dict[int, str] = {
            id(AMBIENT): "ambient", id(ACTION): "action", id(WAIVER): "waiver", id(NET_NOTE): "net-note",
            id(ASSUMED): "assumptions", id(BETA): "beta", id(BETA_OBJECT): "beta-range",
            **{id(shape): f"part-{kind}" for kind, shape in PARTS_BY_KIND.items()},
            **{id(shape): f"requirement-{kind}" for kind, shape in REQUIREMENTS_BY_KIND.items()},
        }

    def schema(self, shape: Shape) -> Json:
        """The schema of a shape, or a reference to its definition."""
        if isinstance(shape, Leaf):
            return self.leaf(shape)
        name = self.names.get(id(shape))
        return self.inline(shape) if name is None else self.define(name, partial(self.inline, shape))

    def define(self, name: str, make: Callable[[], Json]) -> Json:
        if name not in self.definitions:
            self.definitions[name] = {}  # keeps the place while its members are made
            self.definitions[name] = make()
        return {"$ref": f"#/$defs/{name}"}

    def leaf(self, leaf: Leaf) -> Json:
        if leaf.type == "choice":
            return {"const": leaf.choices[0]} if len(leaf.choices) == 1 else {"enum": list(leaf.choices)}
        if leaf.type in DIMENSIONS:
            name = leaf.type if leaf.bound == "any" else f"{leaf.bound}-{leaf.type}"
            return self.define(name, partial(quantity, leaf.type, leaf.bound))
        simple = dict(_SIMPLE[leaf.type])
        return simple if leaf.type in ("flag", "format") else self.define(leaf.type, lambda: simple)

    def inline(self, shape: Shape) -> Json:
        if isinstance(shape, Object):
            return self.object(shape)
        if isinstance(shape, MapOf):
            return _bounds({"type": "object", "propertyNames": self.schema(shape.key),
                            "additionalProperties": self.schema(shape.shape)},
                           "Properties", shape.least, shape.most)
        if isinstance(shape, ListOf):
            return _bounds({"type": "array", "items": self.schema(shape.shape)}
                           | ({"uniqueItems": True} if shape.distinct else {}),
                           "Items", shape.least, shape.most)
        assert isinstance(shape, Choice)
        if shape.tag is None:
            return {"anyOf": [self.schema(option) for option in shape.options]}
        return self.tagged(shape, shape.tag)

    def tagged(self, shape: Choice, tag: str) -> Json:
        """Objects told apart by one member: one condition for each, so that complaints stay short."""
        cases = []
        for option in shape.options:
            assert isinstance(option, Object)
            kind = option.members[tag].shape
            assert isinstance(kind, Leaf)
            cases.append({"if": {"properties": {tag: {"const": kind.choices[0]}}},
                          "then": self.schema(option)})
        words = [case["if"]["properties"][tag]["const"] for case in cases]
        return {"type": "object", "required": [tag], "properties": {tag: {"enum": words}}, "allOf": cases}

    def object(self, shape: Object) -> Json:
        properties: Json = {}
        for name, member in shape.members.items():
            properties[name] = self.schema(member.shape)
            if member.meaning:
                properties[name] = {**properties[name], "description": member.meaning}
        out: Json = {"type": "object"}
        if shape.required:
            out["required"] = list(shape.required)
        out |= {"properties": properties, "additionalProperties": False}
        if shape.needs:
            out["dependentRequired"] = {name: [other] for name, other in shape.needs}
        groups = [{"anyOf": [{"required": [name]} for name in group]} for group in shape.one_of]
        if shape.limits:
            groups.append(_LIMIT)
        if groups:
            out["allOf"] = groups
        return out


_LIMIT: Json = {"oneOf": [
    {"required": ["target", "within"],
     "properties": {"at_least": False, "at_most": False}},
    {"properties": {"target": False, "within": False},
     "anyOf": [{"required": ["at_least"]}, {"required": ["at_most"]}]},
]}


def _bounds(schema: Json, what: str, least: int, most: int) -> Json:
    return schema | ({f"min{what}": least} if least else {}) | {f"max{what}": most}


# --- single values ---------------------------------------------------------------------------------------


def whole(pattern: str) -> str:
    """A pattern for all of a text; some engines let a plain ``$`` pass a last line break."""
    return f"^(?:{pattern})$(?!\\n)"


def _text(pattern: str, limit: int | None = MAX_TEXT) -> Json:
    return {"type": "string"} | ({} if limit is None else {"maxLength": limit}) | {"pattern": whole(pattern)}


def quantity(dimension: str, bound: str) -> Json:
    """A number in SI, or text with a unit."""
    d = DIMENSIONS[dimension]
    return {"description": accepted(dimension),
            "anyOf": [_number(d, bound), _text(quantity_pattern(d, bound))]}


def _number(d: Dimension, bound: str) -> Json:
    span: Json = {"type": "number", "minimum": d.smallest, "maximum": d.largest}
    if d.name == "temperature" or bound == "positive":
        return span
    if bound == "nonnegative":
        return {"anyOf": [{"const": 0}, span]}
    return {"anyOf": [{"const": 0}, span, {"type": "number", "minimum": -d.largest, "maximum": -d.smallest}]}


def quantity_pattern(d: Dimension, bound: str) -> str:
    """The texts of a dimension as a regular expression (ECMA-262 and Python)."""
    sign = "[+\\-\u2212]?" if bound == "any" or d.name == "temperature" else "[+]?"
    units = "|".join(sorted((s for s in SUFFIXES[d.name] if s), key=lambda s: (-len(s), s)))
    forms = [f"{NUMBER}{SPACE}(?:{units})"] if units else []
    if "" in SUFFIXES[d.name]:
        forms.append(NUMBER)
    if d.codes:
        letters = "".join(sorted(d.codes))
        forms += [f"[0-9]*[{letters}][0-9]+", f"{DECIMAL}[{letters}]"]
    nonzero = "(?=[^1-9eE]*[1-9])" if bound == "positive" and d.name != "temperature" else ""
    return f"{nonzero}{sign}(?:{'|'.join(forms)})"


_TOLERANCE = f"{EVEN_PATTERN}|{PAIR_PATTERN}|[{''.join(LETTERS)}]"
_NONZERO = "(?=[^1-9]*[1-9])"
_SIMPLE: Mapping[str, Json] = {
    "format": {"const": FORMAT},
    "flag": {"type": "boolean"},
    "name": {"description": NAME_WORDS, **_text(NAME_PATTERN, None)},
    "slug": _text(SLUG_PATTERN, MAX_SLUG),
    "line": {"description": "text on one line", **_text(LINE_PATTERN, MAX_LINE)},
    "paragraph": {"description": "text", **_text(PARAGRAPH_PATTERN, MAX_PARAGRAPH)},
    "date": {"format": "date", **_text(DATE_PATTERN, None)},
    "accepted": {"description": ACCEPTED_WORDS, "anyOf": [
        {"type": "number"}, *(_text(quantity_pattern(d, "any")) for d in DIMENSIONS.values())]},
    "tolerance": {"description": TOLERANCE_WORDS, "anyOf": [
        {"type": "number", "minimum": 0, "exclusiveMaximum": 1}, _text(_TOLERANCE)]},
    "within": {"description": "a symmetrical band: a fraction such as 0.3, or text such as 30 %", "anyOf": [
        {"type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1}, _text(_NONZERO + EVEN_PATTERN)]},
    "leakage": {"description": LEAKAGE_WORDS, "anyOf": [
        *quantity("current", "nonnegative")["anyOf"], _text(_NONZERO + PER_CV_PATTERN)]},
}
