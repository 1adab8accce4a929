"""marshmallow schemas of the circuit document, made from the tree of shapes.

For applications that take a circuit in as one field of a larger marshmallow
schema.  :func:`schemas.document.load` walks the same shapes by itself,
several times faster and without importing marshmallow; a test holds both to
the same answers.  Own strict fields throughout: marshmallow's number fields
take numeric text, full-width digits and ``1_000``, its booleans take ``on``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from functools import cache, cached_property
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, post_load, validates_schema

from schemas.circuit import Circuit
from schemas.document import Checked, dump
from schemas.layout import DOCUMENT
from schemas.problems import MAX_PROBLEMS, Complaint, Path, Problem, pointer
from schemas.references import references
from schemas.shapes import INVALID, Choice, Leaf, ListOf, MapOf, Object, Shape

_HERE = "_schema"  # marshmallow's own name for complaints about an object as a whole


class Message(str):
    """The text of a complaint, as marshmallow wants it, with the complaint itself."""

    complaint: Complaint
    place: Path
    __slots__ = ("complaint", "place")

    def __new__(cls, complaint: Complaint, place: Path = ()) -> Message:
        message = super().__new__(cls, complaint.detail)
        message.complaint = complaint
        message.place = place
        return message


class _Strict(fields.Field[Any]):
    """A field that hands every raw value, ``None`` too, to ``take``."""

    def __init__(self, **options: Any) -> None:
        super().__init__(allow_none=True, **options)

    def deserialize(self, value: Any, attr: str | None = None, data: Mapping[str, Any] | None = None,
                    **kwargs: Any) -> Any:
        if value is None:
            return self.take(None, attr or "")
        return super().deserialize(value, attr, data, **kwargs)

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None,
                     **kwargs: Any) -> Any:
        return self.take(value, attr or "")

    def take(self, raw: Any, name: str) -> Any:
        raise NotImplementedError


class LeafField(_Strict):
    """A single value."""

    def __init__(self, leaf: Leaf, **options: Any) -> None:
        super().__init__(**options)
        self.leaf = leaf

    def take(self, raw: Any, name: str) -> Any:
        try:
            return self.leaf.read(raw)
        except Complaint as complaint:
            raise ValidationError([Message(complaint)]) from None


class ObjectField(_Strict):
    """An object with known members, built into its dataclass."""

    def __init__(self, shape: Object, **options: Any) -> None:
        super().__init__(**options)
        self.shape = shape

    @cached_property
    def schema(self) -> Schema:
        return object_schema(self.shape)()

    def take(self, raw: Any, name: str) -> Any:
        return self.shape.build(dict(self.schema.load(raw)), name)


class ChoiceField(_Strict):
    """One of several shapes."""

    def __init__(self, shape: Choice, **options: Any) -> None:
        super().__init__(**options)
        self.shape = shape
        self.options = {id(option): field_of(option) for option in shape.options}

    def take(self, raw: Any, name: str) -> Any:
        try:
            picked = self.shape.pick(raw)
        except Complaint as complaint:
            raise ValidationError(_tree([complaint])) from None
        return self.options[id(picked)].deserialize(raw, name)


class MapField(_Strict):
    """An object whose member names are free."""

    def __init__(self, shape: MapOf, **options: Any) -> None:
        super().__init__(**options)
        self.shape = shape
        self.each = field_of(shape.shape)

    def take(self, raw: Any, name: str) -> Any:
        _refuse(self.shape.wrong(raw))
        values: dict[str, Any] = {}
        errors: dict[str, Any] = {}
        for key, item in raw.items():
            found: list[Any] = []
            try:
                self.shape.key.read(key)
            except Complaint as complaint:
                found.append(Message(complaint))
            try:
                values[key] = self.each.deserialize(item, str(key))
            except ValidationError as error:
                found.append(error.messages)
            if found:
                errors[str(key)] = _merged(found)
        if errors:
            raise ValidationError(_unambiguous(errors))
        return self.shape.build(values)


class ListField(_Strict):
    """A list."""

    def __init__(self, shape: ListOf, **options: Any) -> None:
        super().__init__(**options)
        self.shape = shape
        self.each = field_of(shape.shape)

    def take(self, raw: Any, name: str) -> Any:
        _refuse(self.shape.wrong(raw))
        values: list[Any] = []
        errors: dict[Any, Any] = {}
        for index, item in enumerate(raw):
            try:
                values.append(self.each.deserialize(item, str(index)))
            except ValidationError as error:
                values.append(INVALID)
                errors[index] = error.messages
        found = [errors] if errors else []
        complaints = list(self.shape.after(values))
        if complaints:
            found.append(_tree(complaints))
        if found:
            raise ValidationError(_merged(found))
        return self.shape.build(values)


class _ObjectSchema(Schema):
    """The schema of one object; loads to a plain mapping of checked values."""

    shape: Object

    class Meta:
        unknown = RAISE

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def fit(self, data: Mapping[str, Any], original: Any, **kwargs: Any) -> None:
        """Members that do not fit together, and groups of which none was given."""
        if isinstance(original, Mapping):
            complaints = list(self.shape.misfits(data, original))
            if complaints:
                raise ValidationError(_tree(complaints))

    def handle_error(self, error: ValidationError, data: Any, *, many: bool, **kwargs: Any) -> None:
        """Say which members there are where a member is unknown, and what an object is."""
        messages = error.messages
        if not isinstance(data, Mapping):
            error.messages = [Message(self.shape.not_an_object(data))]
        elif isinstance(messages, dict):
            here = list(_placed(messages.pop(_HERE, []), ()))  # without the words about an unknown "_schema"
            for key in data:
                if key not in self.shape.members:
                    messages[key] = [Message(self.shape.unknown(key))]
            found = [_unambiguous(messages), {_HERE: here}] if here else [_unambiguous(messages)]
            error.messages = _merged(found)


class CircuitSchema(_ObjectSchema):
    """The schema of a whole circuit document: loads to :class:`~schemas.circuit.Circuit`, dumps to SI."""

    shape = DOCUMENT
    part_types: Mapping[str, str] | None = None

    @validates_schema(pass_original=True, skip_on_field_errors=False)
    def refer(self, data: Mapping[str, Any], original: Any, **kwargs: Any) -> None:
        """Names that must be defined elsewhere in the document."""
        if isinstance(original, Mapping):
            complaints = list(references(original, self.part_types))
            if complaints:
                raise ValidationError(_tree(complaints))

    @post_load
    def build(self, data: dict[str, Any], **kwargs: Any) -> Circuit:
        circuit = DOCUMENT.build(data, "")
        assert isinstance(circuit, Circuit)
        return circuit

    def dump(self, obj: Any, *, many: bool | None = None) -> Any:
        """Canonical plain data of one circuit, or of many."""
        return [dump(item) for item in obj] if many else dump(obj)


def _members(shape: Object) -> dict[str, fields.Field[Any]]:
    return {name: field_of(member.shape, required=member.required, metadata={"description": member.meaning},
                           error_messages={"required": [Message(shape.missing(name))]})
            for name, member in shape.members.items()}


def field_of(shape: Shape, **options: Any) -> fields.Field[Any]:
    """The field for a shape."""
    if isinstance(shape, Leaf):
        return LeafField(shape, **options)
    if isinstance(shape, Object):
        return ObjectField(shape, **options)
    if isinstance(shape, MapOf):
        return MapField(shape, **options)
    if isinstance(shape, ListOf):
        return ListField(shape, **options)
    return ChoiceField(shape, **options)


_CLASSES: dict[int, type[Schema]] = {}


def object_schema(shape: Object) -> type[Schema]:
    """The schema class for an object shape; one class for each shape."""
    if id(shape) not in _CLASSES:
        name = "".join(word.capitalize() for word in shape.noun.split())
        _CLASSES[id(shape)] = type(name, (_ObjectSchema,), {"shape": shape, **_members(shape)})
    return _CLASSES[id(shape)]


@cache
def circuit_schema_class() -> type[Schema]:
    """:class:`CircuitSchema` with its fields."""
    return type("CircuitSchema", (CircuitSchema,), _members(DOCUMENT))


def check_raw(raw: Any, part_types: Mapping[str, str] | None) -> Checked:
    """Plain data judged by these schemas; the same answers as :func:`schemas.document.check_raw`."""
    schema = circuit_schema_class()()
    assert isinstance(schema, CircuitSchema)
    schema.part_types = part_types
    try:
        circuit = schema.load(raw)
    except ValidationError as error:
        problems = list(problems_of(error))
        return None, problems[:MAX_PROBLEMS], len(problems) < MAX_PROBLEMS
    assert isinstance(circuit, Circuit)
    return circuit, [], True


# --- errors ----------------------------------------------------------------------------------------------


def _refuse(complaint: Complaint | None) -> None:
    if complaint is not None:
        raise ValidationError([Message(complaint)])


def _tree(complaints: Iterable[Complaint]) -> dict[Any, Any]:
    """Complaints as marshmallow's tree of messages, by the place each one names."""
    return _merged([_branch(complaint) for complaint in complaints])


def _branch(complaint: Complaint) -> dict[Any, Any]:
    at = complaint.at
    clear = at.index(_HERE) if _HERE in at else len(at)  # up to a member called like marshmallow's own key
    branch: Any = [Message(complaint, at[clear:])]
    for token in reversed(at[:clear]):
        branch = {token: branch}
    return branch if clear else {_HERE: branch}


def _merged(found: Iterable[Any]) -> dict[Any, Any]:
    """Several messages, lists or trees about one value as one tree."""
    merged: dict[Any, Any] = {}
    for item in found:
        tree = item if isinstance(item, dict) else {_HERE: item if isinstance(item, list) else [item]}
        for key, value in tree.items():
            if key not in merged:
                merged[key] = value
            elif isinstance(merged[key], list) and isinstance(value, list):
                merged[key] = merged[key] + value
            else:
                merged[key] = _merged([merged[key], value])
    return merged


def _unambiguous(errors: dict[Any, Any]) -> dict[Any, Any]:
    """A tree in which a member that is really called ``_schema`` is told apart from the object.

    Its complaints move to the object and carry their place with them.
    """
    if _HERE not in errors:
        return errors
    rest = {key: value for key, value in errors.items() if key != _HERE}
    moved = list(_placed(errors[_HERE], (_HERE,)))
    return _merged([rest, {_HERE: moved}])


def _placed(messages: Any, path: Path) -> Iterator[Message]:
    if isinstance(messages, dict):
        for key, value in messages.items():
            yield from _placed(value, path if key == _HERE else (*path, key))
        return
    for message in messages:
        if isinstance(message, Message):
            yield Message(message.complaint, path + message.place)


def problems_of(error: ValidationError) -> tuple[Problem, ...]:
    """The problems in an error of these schemas, sorted as in ``DocumentProblems``."""
    return tuple(sorted(_problems(error.messages, ()), key=lambda p: (p.pointer, p.detail)))


def _problems(messages: Any, path: Path) -> Iterator[Problem]:
    if isinstance(messages, dict):
        for key, value in messages.items():
            yield from _problems(value, path if key == _HERE else (*path, key))
        return
    for message in messages if isinstance(messages, list) else [messages]:
        if isinstance(message, Message):
            yield Problem.of(pointer(path + message.place), message.complaint)
        else:
            yield Problem(pointer(path), str(message))
