"""What a document may look like, as data, and the one walker that checks it.

A document is described by a tree of shapes (:mod:`schemas.layout`).  Three
things are made from that tree and so cannot drift apart: the walker here, the
marshmallow schemas and the published JSON Schema.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, TypeAlias

from schemas.problems import Complaint, Path, ProblemSink, listed, nearest_name, quoted, show


class Invalid:
    """The type of ``INVALID``: what the walker gives for a value that was refused."""


INVALID: Final = Invalid()
Build: TypeAlias = Callable[[dict[str, Any], str], Any]
Check: TypeAlias = Callable[[Mapping[str, Any], Mapping[str, Any]], Iterable[Complaint]]


@dataclass(frozen=True, slots=True)
class Leaf:
    """A single value: ``read`` checks it or raises a complaint.

    ``type``, ``bound`` and ``choices`` say the same as data, for the JSON Schema.
    """

    type: str
    read: Callable[[object], Any]
    bound: str = "any"
    choices: tuple[str, ...] = ()

    def walk(self, raw: object, path: Path, sink: ProblemSink) -> Any:
        try:
            return self.read(raw)
        except Complaint as complaint:
            sink.add(path, complaint)
            return INVALID


@dataclass(frozen=True, slots=True)
class Member:
    shape: Shape
    required: bool = False
    meaning: str = ""


def _plain(values: dict[str, Any], name: str) -> Any:
    return values


@dataclass(frozen=True, slots=True)
class Object:
    """An object with known members.

    ``one_of`` are groups of which at least one member must be given;
    ``needs`` are pairs of a member and another that must stand beside it;
    ``checks`` get the accepted values and the raw object and complain about
    members that do not fit together; ``build`` makes the result from the
    values and the object's own name.  ``limits`` marks objects that state a
    limit: either ``target`` with ``within``, or ``at_least`` and ``at_most``.
    """

    noun: str
    members: Mapping[str, Member]
    one_of: tuple[tuple[str, ...], ...] = ()
    checks: tuple[Check, ...] = ()
    build: Build = _plain
    limits: bool = False
    needs: tuple[tuple[str, str], ...] = ()
    required: tuple[str, ...] = field(init=False, default=())

    def __post_init__(self) -> None:
        object.__setattr__(self, "required", tuple(n for n, m in self.members.items() if m.required))

    def walk(self, raw: object, path: Path, sink: ProblemSink) -> Any:
        if not isinstance(raw, dict) and not isinstance(raw, Mapping):
            sink.add(path, self.not_an_object(raw))
            return INVALID
        before = len(sink.problems)
        values: dict[str, Any] = {}
        members = self.members
        for key, item in raw.items():
            member = members.get(key)
            if member is None:
                sink.add((*path, _token(key)), self.unknown(key))
                continue
            value = member.shape.walk(item, (*path, key), sink)
            if value is not INVALID:
                values[key] = value
        for complaint in self.after(values, raw):
            sink.add(path, complaint)
        if len(sink.problems) > before:
            return INVALID
        return self.build(values, str(path[-1]) if path else "")

    def not_an_object(self, raw: object) -> Complaint:
        return Complaint(f"{self.noun} is an object", seen=show(raw),
                         accepted=f"an object with the members {listed(self.members)}")

    def unknown(self, key: object) -> Complaint:
        """The complaint about a member that this object does not have."""
        if not isinstance(key, str):
            return Complaint("a member name is text", seen=show(key), accepted=listed(self.members))
        detail = f"{self.noun} has no member {quoted(key)}"
        if key == "<<":
            detail += "; merge keys are not read"
        elif key[:1].isdigit():
            detail += "; did a decimal comma end the value before it?"
        return Complaint(detail, seen=quoted(key), accepted=listed(self.members),
                         nearest=nearest_name(key, self.members))

    def after(self, values: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterable[Complaint]:
        """Missing members, and members that do not fit together."""
        for name in self.required:
            if name not in raw:
                missing = self.missing(name)
                missing.at = (name,)
                yield missing
        yield from self.misfits(values, raw)

    def missing(self, name: str) -> Complaint:
        """The complaint at the place of a member that must be given."""
        return Complaint(f"{self.noun} needs the member {quoted(name)}", seen="nothing",
                         accepted=self.members[name].meaning or None)

    def misfits(self, values: Mapping[str, Any], raw: Mapping[str, Any]) -> Iterable[Complaint]:
        """Groups of which none was given, and accepted members that do not fit together."""
        for group in self.one_of:
            if not any(name in raw for name in group):
                yield Complaint(f"{self.noun} needs at least one of the members {listed(group)}",
                                seen=listed(map(str, raw)) or "no members")
        for name, other in self.needs:
            if name in raw and other not in raw:
                yield Complaint(f"{self.noun} with {name} needs {other}", seen="nothing",
                                accepted=self.members[other].meaning, at=(other,))
        for check in self.checks:
            yield from check(values, raw)


@dataclass(frozen=True, slots=True)
class Choice:
    """One of several shapes; ``pick`` decides by the raw value, or raises a complaint."""

    noun: str
    options: tuple[Shape, ...]
    pick: Callable[[object], Shape]
    tag: str | None = None

    def walk(self, raw: object, path: Path, sink: ProblemSink) -> Any:
        try:
            shape = self.pick(raw)
        except Complaint as complaint:
            sink.add(path, complaint)
            return INVALID
        return shape.walk(raw, path, sink)


@dataclass(frozen=True, slots=True)
class MapOf:
    """An object whose member names are free; ``key`` checks each name."""

    noun: str
    shape: Shape
    key: Leaf
    least: int = 0
    most: int = 1000
    build: Callable[[dict[str, Any]], Any] = field(default=lambda values: values)

    def walk(self, raw: object, path: Path, sink: ProblemSink) -> Any:
        complaint = self.wrong(raw)
        if complaint is not None:
            sink.add(path, complaint)
            return INVALID
        assert isinstance(raw, Mapping)
        before = len(sink.problems)
        values: dict[str, Any] = {}
        for key, item in raw.items():
            place = (*path, _token(key))
            try:
                self.key.read(key)
            except Complaint as unfit:
                sink.add(place, unfit)
            values[key] = self.shape.walk(item, place, sink)
        return INVALID if len(sink.problems) > before else self.build(values)

    def wrong(self, raw: object) -> Complaint | None:
        """The complaint about a value that is no object or has too few or too many members."""
        if not isinstance(raw, dict) and not isinstance(raw, Mapping):
            return Complaint(f"{self.noun} are an object keyed by name", seen=show(raw), accepted="an object")
        return _count(self.noun, len(raw), self.least, self.most)


@dataclass(frozen=True, slots=True)
class ListOf:
    """A list; ``check`` gets the accepted items with their indexes.

    ``distinct`` refuses an item that stands twice.
    """

    noun: str
    shape: Shape
    least: int = 0
    most: int = 1000
    check: Callable[[Sequence[tuple[int, Any]]], Iterable[Complaint]] | None = None
    build: Callable[[list[Any]], Any] = field(default=tuple)
    distinct: bool = False

    def walk(self, raw: object, path: Path, sink: ProblemSink) -> Any:
        complaint = self.wrong(raw)
        if complaint is not None:
            sink.add(path, complaint)
            return INVALID
        assert isinstance(raw, (list, tuple))
        before = len(sink.problems)
        values = [self.shape.walk(item, (*path, index), sink) for index, item in enumerate(raw)]
        for complaint in self.after(values):
            sink.add(path, complaint)
        return INVALID if len(sink.problems) > before else self.build(values)

    def wrong(self, raw: object) -> Complaint | None:
        if not isinstance(raw, (list, tuple)):
            return Complaint(f"{self.noun} are a list", seen=show(raw), accepted="a list")
        return _count(self.noun, len(raw), self.least, self.most)

    def after(self, values: Sequence[Any]) -> Iterable[Complaint]:
        """Items that do not fit together; refused items are left out."""
        accepted = [(i, value) for i, value in enumerate(values) if value is not INVALID]
        if self.distinct:
            seen: set[Any] = set()
            for index, value in accepted:
                if value in seen:
                    yield Complaint("the same item stands twice", seen=show(value), at=(index,))
                seen.add(value)
        if self.check is not None:
            yield from self.check(accepted)


Shape: TypeAlias = Leaf | Object | Choice | MapOf | ListOf


def _token(key: object) -> str:
    return key if isinstance(key, str) else str(key)


def _count(noun: str, count: int, least: int, most: int) -> Complaint | None:
    if count < least:
        return Complaint(f"too few {noun}", seen=str(count), accepted=f"at least {least}")
    if count > most:
        return Complaint(f"too many {noun}", seen=str(count), accepted=f"at most {most}")
    return None
