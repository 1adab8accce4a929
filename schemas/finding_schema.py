"""marshmallow schemas of findings, outcomes and reviews, made from their dataclasses.

``dump`` gives JSON-ready data: a number that is undefined or infinite becomes
``null``, never NaN (marshmallow's own number field would let it pass).
``load`` checks data from elsewhere strictly and gives it back plain; unknown
members, NaN, numeric text and words outside their list are refused.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from marshmallow import RAISE, Schema, ValidationError, fields

from schemas.finding import Finding, Outcome, Review

_WITHHELD: Mapping[type, frozenset[str]] = {Outcome: frozenset({"finding", "proposals", "evidence"})}
"""Members that stay inside the program; an outcome names its finding by identity instead."""


class _Strict(fields.Field[Any]):
    """A field that takes one JSON type and nothing that resembles it."""

    def check(self, value: Any) -> Any:
        raise NotImplementedError

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None,
                     **kwargs: Any) -> Any:
        return self.check(value)

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return None if value is None else self.check(value)


class Text(_Strict):
    def check(self, value: Any) -> str:
        if not isinstance(value, str):
            raise ValidationError("text is needed")
        return value


class Flag(_Strict):
    def check(self, value: Any) -> bool:
        if not isinstance(value, bool):
            raise ValidationError("true or false is needed")
        return value


class Word(_Strict):
    """One of a few words."""

    def __init__(self, words: Sequence[str], **options: Any) -> None:
        super().__init__(**options)
        self.words = tuple(words)

    def check(self, value: Any) -> str:
        if not isinstance(value, str) or value not in self.words:
            raise ValidationError(f"one of {', '.join(self.words)} is needed")
        return value


class Number(_Strict):
    """A finite number; dumps what is undefined or infinite as ``None``."""

    def check(self, value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
            raise ValidationError("a finite number is needed")
        return float(value)

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return plain(value) if isinstance(value, float) else super()._serialize(value, attr, obj, **kwargs)


class Plain(_Strict):
    """Any JSON data without NaN and infinity."""

    def check(self, value: Any) -> Any:
        if plain(value) != value:
            raise ValidationError("plain JSON data with finite numbers is needed")
        return value

    def _serialize(self, value: Any, attr: str | None, obj: Any, **kwargs: Any) -> Any:
        return plain(value)


class NumberOrText(Plain):
    def check(self, value: Any) -> Any:
        if isinstance(value, bool) or not isinstance(value, (int, float, str)):
            raise ValidationError("a number or text is needed")
        return super().check(value)


class _FindingIdentity(Text):
    """The identity of the finding that an outcome carries."""

    def serialize(self, attr: str, obj: Any, accessor: Any = None, **kwargs: Any) -> Any:
        finding: Finding | None = obj.finding
        return None if finding is None else finding.identity


def plain(value: Any) -> Any:
    """JSON-ready copy: mappings and sequences made plain, undefined and infinite numbers ``None``."""
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [plain(item) for item in value]
    return value


class _Record(Schema):
    class Meta:
        unknown = RAISE


@cache
def schema_of(record: type) -> type[Schema]:
    """The schema class of a dataclass of :mod:`schemas.finding`, every member required."""
    hints = get_type_hints(record)
    withheld = _WITHHELD.get(record, frozenset())
    members: dict[str, fields.Field[Any]] = {
        f.name: _field(hints[f.name]) for f in dataclasses.fields(record) if f.name not in withheld}
    if record is Finding:
        members["identity"] = Text(required=True)
    if record is Outcome:
        members["identity"] = _FindingIdentity(required=True, allow_none=True)
    return type(f"{record.__name__}Schema", (_Record,), dict(members))


def review_schema() -> Schema:
    """The schema of the answer of a review."""
    return schema_of(Review)()


def _field(hint: Any, *, optional: bool = False) -> fields.Field[Any]:
    options: dict[str, Any] = {"required": True, "allow_none": optional}
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        rest = [choice for choice in inner if choice is not types.NoneType]
        if len(rest) == 1:
            return _field(rest[0], optional=True)
        return NumberOrText(required=True, allow_none=True)
    if origin is Literal:
        return Word(inner, **options)
    if origin is tuple:
        return fields.List(_field(inner[0]), **options)
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return fields.Nested(schema_of(hint), **options)
    if hint is float:
        return Number(required=True, allow_none=True)
    simple = {str: Text, bool: Flag}.get(hint)
    return simple(**options) if simple is not None else Plain(**options)
