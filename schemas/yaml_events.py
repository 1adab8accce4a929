"""What the YAML parser tells, event by event, as plain facts."""

from __future__ import annotations

from typing import Any, NamedTuple


class Event(NamedTuple):
    """One event; ``kind`` is Scalar, Alias, MappingStart, MappingEnd, SequenceStart and so on.

    ``start`` and ``end`` are offsets in code points, an anchor or tag
    included; ``style`` is the quote or block sign of a scalar, empty for a
    plain one; ``flow`` tells braces and brackets from indented blocks.
    """

    kind: str
    start: int
    end: int
    value: str
    style: str
    flow: bool
    anchor: str | None
    tag: str | None

    @classmethod
    def of(cls, event: Any) -> Event:
        """The facts of an event of PyYAML, whose two builds differ in what they leave out."""
        return cls(type(event).__name__.removesuffix("Event"), event.start_mark.index, event.end_mark.index,
                   str(getattr(event, "value", None) or ""), getattr(event, "style", None) or "",
                   bool(getattr(event, "flow_style", None)), getattr(event, "anchor", None),
                   getattr(event, "tag", None))
