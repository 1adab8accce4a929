"""YAML 1.2 (core schema) read strictly, with the place of every value and member name.

PyYAML tells the events of the text; plain data is made of them here, one
value after the other, so that a text is parsed no further than the limits
allow.  PyYAML speaks YAML 1.1 (``on`` is true, ``1e5`` is text, ``12:30`` is
750, U+2028 ends a line): what a plain scalar means and where lines end is
decided here.

An alias reads the events of its anchor once more, so that every use counts
against the limits.  Merge keys (``<<``, YAML 1.1) and tags are refused.
"""

from __future__ import annotations

import re
from typing import Any

import yaml

from schemas.intake import Intake
from schemas.problems import Complaint, escape, quoted
from schemas.yaml_events import Event
from schemas.yaml_spans import (
    after_properties,
    block_scalar_end,
    missing_value,
    one_to_one,
    tag_text,
    text_of,
)
from schemas.yaml_words import check_characters, stopped

_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

_PLAIN = re.compile(
    r"(?P<null>null|Null|NULL|~|)\Z"
    r"|(?P<bool>true|True|TRUE|false|False|FALSE)\Z"
    r"|(?P<number>[-+]?[0-9]+|[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?)\Z"
    r"|(?P<infinite>[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z", re.ASCII)
"""Plain scalars of the YAML 1.2 core schema that are no text; 0o17 and 0x1F are left as text."""
_FIRST = frozenset("nN~tTfF-+.0123456789")
_GLUED = re.compile(r"[A-Za-z_]\w*:(?=[^\s:/])")
"""A member name with a colon that no space follows."""
_AS_TOLD = -1
"""For a value without a member name: where nothing is written, the parser's place is right."""


def read_yaml(intake: Intake) -> Any:
    """The plain data of ``intake.text``.

    Notes duplicate names, tags, merge keys, names that are not text, aliases
    that lead nowhere and numbers that are not finite and reads on; raises
    ``Unreadable``, after noting why, where the text is no YAML or holds
    several documents.
    """
    check_characters(intake)
    reader = _Reader(intake)
    if reader.event(1).kind == "StreamEnd":
        raise intake.stop("", 0, Complaint("the document is empty", seen="no value",
                                           accepted="a circuit document"))
    data, after, _ = reader.value(2, "", 0, _AS_TOLD)
    following = reader.event(after + 1)
    if following.kind == "DocumentStart":
        raise intake.stop("", following.start, Complaint(
            "the text holds several documents", seen="---", accepted="one document"))
    return data


class _Reader:
    """Makes values of the list of events; ``at`` is always an index into that list."""

    def __init__(self, intake: Intake) -> None:
        self.intake = intake
        self.text = intake.text
        try:
            text, self.back = one_to_one(intake.text)
        except Complaint as c:
            raise intake.stop("", 0, c) from None
        self.parser = _Base(text)
        self.events: list[Event] = []
        self.scalars: dict[int, tuple[str, str, int, int]] = {}
        self.anchors: dict[str, int] = {}
        self.targets: dict[int, int | None] = {}  # alias -> the value it repeats
        self.places: dict[int, str] = {}  # anchored value -> where it stands first
        self.open: set[int] = set()  # collections that are being read

    def event(self, at: int) -> Event:
        while len(self.events) <= at:
            try:
                self.events.append(Event.of(self.parser.get_event()))
            except yaml.MarkedYAMLError as error:
                raise stopped(self.intake, error, self.events) from None
        return self.events[at]

    def value(self, at: int, place: str, depth: int, before: int) -> tuple[Any, int, int]:
        """The value that starts at ``at``, the index after it, and the offset after its text.

        ``before`` is the offset behind the member name, which tells where a value is missing.
        """
        event = self.event(at)
        if event.kind == "Alias":
            return self.alias(event, at, place, depth), at + 1, event.end
        start, stop = event.start, event.end
        self.intake.enter(place, depth, start)
        self.note(event, at, place)
        if event.kind == "Scalar":
            text, kind, start, stop = self.scalar(event, at, before)
            self.intake.values[place] = (start, stop)
            return self.plain(text, kind, place, start), at + 1, stop
        if event.anchor is not None or event.tag is not None:
            start = after_properties(self.text, start, stop)
        self.intake.values[place] = (start, start)  # keeps document order; the end follows
        self.open.add(at)
        read = self.mapping if event.kind == "MappingStart" else self.list
        data, after, end = read(at + 1, place, depth + 1, start)
        self.open.discard(at)
        if self.text[start:start + 1] in ("{", "[") and event.flow:
            end = self.events[after].end
        # Else it ends with its last value; the parser ends a block where the next token starts.
        self.intake.values[place] = (start, end)
        return data, after + 1, end

    def note(self, event: Event, at: int, place: str) -> None:
        """Take down the anchor of a value or name; complain about its tag."""
        if event.anchor is not None and at not in self.places:  # not again when an alias repeats it
            self.places[at] = place
            self.anchors[event.anchor] = at
        if event.tag is not None:
            start, stop = event.start, event.end
            self.intake.complain(place, start, Complaint(
                "tags are not read", seen=quoted(tag_text(self.text, start, stop)),
                accepted="the value without a tag"))

    def alias(self, event: Event, at: int, place: str, depth: int) -> Any:
        """What an alias stands for, read again from its anchor."""
        intake, start = self.intake, event.start
        target = self.targets.setdefault(at, self.anchors.get(event.anchor or ""))
        if target is None or target in self.open:
            intake.enter(place, depth, start)
            intake.values[place] = (start, event.end)
            detail, accepted = (
                ("the alias has no anchor before it", "an anchor of the same name (&) further up")
                if target is None else
                ("the alias stands inside the value that it repeats", "the value written out"))
            intake.complain(place, start, Complaint(detail, seen=quoted(f"*{event.anchor}"),
                                                    accepted=accepted))
            return None
        intake.shared.update((self.places[target], place))
        return self.value(target, place, depth, _AS_TOLD)[0]

    def scalar(self, event: Event, at: int, before: int) -> tuple[str, str, int, int]:
        """Text, kind and span of a scalar, found out once however often aliases repeat it."""
        known = self.scalars.get(at)
        if known is not None:
            return known
        start, stop = event.start, event.end
        value = event.value
        if event.anchor is not None or event.tag is not None:
            start = after_properties(self.text, start, stop)
        elif not value and not event.style and before >= 0:
            start = stop = missing_value(self.text, before, start)
        if event.style in ("|", ">"):
            stop = block_scalar_end(self.text, start, stop, value)
        kind = "text"
        if not event.style and event.tag is None and (not value or value[0] in _FIRST):
            match = _PLAIN.match(value)
            kind = (match.lastgroup or kind) if match else kind
        self.scalars[at] = known = (text_of(value, self.back), kind, start, stop)
        return known

    def plain(self, text: str, kind: str, place: str, start: int) -> Any:
        """The value that a scalar stands for."""
        if kind == "text":
            return text  # without surrogates: the parser refuses their escapes
        if kind == "null":
            return None
        if kind == "bool":
            return text.lower() == "true"
        if kind == "infinite":
            self.intake.not_finite(text, place, start)
            return None
        return self.intake.number(text, place, start)

    def mapping(self, at: int, place: str, depth: int, end: int) -> tuple[Any, int, int]:
        members: dict[str, Any] = {}
        while self.event(at).kind != "MappingEnd":
            key, inner, at, start, end = self.name(at, place, depth)
            if key is not None and self.intake.member(key, members, inner, start, end):
                members[key], at, end = self.value(at, inner, depth, end)
            else:
                at, end = self.over(at, inner, depth, end)
        return members, at, end

    def name(self, at: int, place: str, depth: int) -> tuple[str | None, str, int, int, int]:
        """A member name, or ``None`` after a complaint; its pointer, the index after it, and its span."""
        event = self.event(at)
        start = event.start
        if event.kind != "Scalar":
            seen = ("an alias" if event.kind == "Alias" else
                    "a list" if event.kind == "SequenceStart" else "an object")
            self.intake.complain(place, start, Complaint("a member name is text", seen=seen,
                                                        accepted="a name"))
            after, end = self.over(at, place, depth, _AS_TOLD)
            return None, place, after, start, end
        key, kind, start, stop = self.scalar(event, at, _AS_TOLD)
        inner = f"{place}/{escape(key)}"
        self.note(event, at, inner)
        wrong: Complaint | None = None
        if kind != "text":
            wrong = Complaint("a member name is text; put it in quotes", seen=key or "nothing",
                              accepted="a name", nearest=quoted(key) if key else None)
        elif key == "<<" and not event.style:
            wrong = Complaint("merge keys are not read", seen="<<", accepted="the members written out, or "
                              "an alias in the place of a whole value")
        elif not event.style and _GLUED.match(key) and self.nothing(at + 1):
            name, _, value = key.partition(":")
            inner = f"{place}/{escape(name)}"
            wrong = Complaint("a space is missing after the colon", seen=quoted(key),
                              accepted=quoted(f"{name}: {value}"))
        if wrong is not None:
            self.intake.complain(inner, start, wrong)
        return None if wrong else key, inner, at + 1, start, stop

    def nothing(self, at: int) -> bool:
        """No value is written there, nor a colon before it."""
        event = self.event(at)
        before = self.events[at - 1].end
        return (event.kind == "Scalar" and not event.value and not event.style
                and missing_value(self.text, before, event.start) == before)

    def over(self, at: int, place: str, depth: int, before: int) -> tuple[int, int]:
        """Read over a value that is left out, keeping the places of others."""
        intake = self.intake
        kept = intake.values, intake.keys, intake.shared
        intake.values, intake.keys, intake.shared = {}, {}, set()
        try:
            return self.value(at, place, depth, before)[1:]
        finally:
            intake.values, intake.keys, intake.shared = kept

    def list(self, at: int, place: str, depth: int, end: int) -> tuple[Any, int, int]:
        items: list[Any] = []
        while self.event(at).kind != "SequenceEnd":
            item, at, end = self.value(at, f"{place}/{len(items)}", depth, _AS_TOLD)
            items.append(item)
        return items, at, end
