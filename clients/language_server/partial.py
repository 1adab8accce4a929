"""What can be read of any text, half-typed or whole: where one is in it, and what it names.

``read_partial(text, spelling, recover=...) -> Partial`` never raises and takes
time in proportion to the text.  ``Partial.at(offset) -> Spot`` tells the
pointer path, whether a member name or a value is being typed, the word and the
range that a completion replaces.  ``Partial.parts``, ``nets``, ``states`` and
``stimuli`` are the names that are there; :func:`known` adds those of the last
snapshot that was a circuit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from clients.language_server.partial_block import Block
from clients.language_server.partial_flow import Flow
from clients.language_server.partial_tree import Level, Member, Node, Path, Region, Regions, Role

if TYPE_CHECKING:
    from schemas.circuit import Circuit

__all__ = ["Known", "Member", "Node", "Partial", "PartialPart", "Path", "Spot", "known", "read_partial"]

_MAX_NAMES = 20_000
"""Members that are looked at for names; aliases could make them many."""
MOST_READ = 250_000
"""Characters that are read, twice the largest circuit there may be; what is beyond is left alone."""
_TAIL = re.compile(r"[^,:{}\[\]\"'#\r\n]*")


@dataclass(frozen=True, slots=True)
class Spot:
    """Where a cursor is.

    ``role`` is ``key`` (a member name of the object at ``path``), ``value``
    (the value at ``path``), ``item`` (a new list item of ``path`` may begin on
    this line), ``after`` (behind a value, before the next comma) or ``none``.
    ``before`` is what stands between the start of the word and the cursor;
    ``start`` to ``end`` is what a completion replaces, without quotes.
    """

    role: Role
    path: Path
    before: str
    start: int
    end: int
    quote: str = ""
    closed: bool = True
    flow: bool = True


@dataclass(frozen=True, slots=True)
class PartialPart:
    """A part as far as it was read; ``values`` has every single value as text, ``kind`` and ``type`` too."""

    name: str
    kind: str = ""
    pins: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Known:
    """Names to offer: part name -> kind, and nets (the ground first), states, stimuli in order of name."""

    parts: Mapping[str, str]
    nets: tuple[str, ...]
    states: tuple[str, ...]
    stimuli: tuple[str, ...]


@dataclass(frozen=True)
class Partial:
    text: str
    root: Node
    anchors: Mapping[str, Node]
    regions: Regions

    def at(self, offset: int) -> Spot:
        """Where the cursor at ``offset`` is; clamped to the text."""
        offset = min(max(offset, 0), len(self.text))
        region = self.regions.at(offset)
        if region is None:
            return Spot("key", (), "", offset, offset, flow=False)
        if region.role == "blank":
            return _blank(region, offset)
        return self._spot(region, offset)

    def _spot(self, region: Region, offset: int) -> Spot:
        token = region.token
        if token is None or offset < token.start:
            return Spot(region.role, region.path, "", offset, offset, flow=region.flow)
        start, end = token.inner
        if token.quote and (offset < start or (token.closed and offset > end)):
            return Spot("after", region.path, "", offset, offset, flow=region.flow)
        before = self.text[start:offset]
        if "\n" in before or "\r" in before:
            return Spot(region.role, region.path, "", offset, offset, flow=region.flow)
        tail = _TAIL.match(self.text, offset)
        reach = tail.end() if tail else offset
        end = min(max(end, offset), reach) if token.closed and token.quote else max(offset, min(end, reach))
        return Spot(region.role, region.path, before, start, end, token.quote, token.closed, region.flow)

    def node(self, path: Path) -> Node | None:
        """The value at a path, aliases followed; ``None`` where nothing was read."""
        here: Node | None = self.root
        for step in path:
            here = self.target(here)
            if here is None:
                return None
            if isinstance(step, int):
                here = here.items[step] if here.kind == "list" and step < len(here.items) else None
            else:
                member = here.member(step) if here.kind == "map" else None
                here = member.value if member is not None else None
        return self.target(here)

    def target(self, node: Node | None) -> Node | None:
        """The node itself, or what an alias stands for."""
        for _ in range(8):
            if node is None or node.kind != "alias":
                return node
            node = self.anchors.get(node.text)
        return None

    def names(self, path: Path) -> tuple[str, ...]:
        """The member names of the object at a path, in the order of the text."""
        node = self.node(path)
        return tuple(m.name for m in node.members) if node is not None and node.kind == "map" else ()

    def text_at(self, path: Path) -> str | None:
        """The single value at a path as text."""
        node = self.node(path)
        return node.text if node is not None and node.kind == "scalar" else None

    @cached_property
    def parts(self) -> Mapping[str, PartialPart]:
        found: dict[str, PartialPart] = {}
        looked = 0
        node = self.node(("parts",))
        for member in (node.members if node is not None else ()):
            part = self.target(member.value)
            if part is None or part.kind != "map":
                found.setdefault(member.name, PartialPart(member.name))
                continue
            values: dict[str, str] = {}
            pins: dict[str, str] = {}
            for inner in part.members:
                value = self.target(inner.value)
                if value is None:
                    continue
                if value.kind == "scalar":
                    values.setdefault(inner.name, value.text)
                elif inner.name == "pins":
                    for pin in value.members:
                        net = self.target(pin.value)
                        if net is not None and net.kind == "scalar":
                            pins.setdefault(pin.name, net.text)
                    looked += len(value.members)
            looked += len(part.members) + 1
            if values or pins or member.name not in found:
                found[member.name] = PartialPart(member.name, values.get("kind", ""), pins, values)
            if looked > _MAX_NAMES:
                break
        return found

    @cached_property
    def nets(self) -> tuple[str, ...]:
        """The nets that pins name, sorted, the ground first."""
        ground = self.text_at(("ground",))
        every = {net for part in self.parts.values() for net in part.pins.values() if net}
        return tuple(sorted(every | ({ground} if ground else set()), key=lambda net: (net != ground, net)))

    @property
    def states(self) -> tuple[str, ...]:
        return self.names(("states",))

    @property
    def stimuli(self) -> tuple[str, ...]:
        return self.names(("stimuli",))


def read_partial(text: str, spelling: str, *, recover: bool = True) -> Partial:
    """What can be read; ``recover`` is false for a text that is known to be well-formed.

    Of a text beyond :data:`MOST_READ` the beginning is read; nothing is known of any place behind that.
    """
    if len(text) > MOST_READ:
        made = read_partial(text[:MOST_READ], spelling)
        made.regions.add(MOST_READ, "none", ())
        return made
    regions = Regions()
    if spelling == "json":
        start = next((at for at, char in enumerate(text) if char in "{["), None)
        anchors: dict[str, Node] = {}
        if start is None:
            return Partial(text, Node("map", 0, len(text)), anchors, regions)
        regions.add(0, "none", ())
        line = max(text.rfind("\n", 0, start), text.rfind("\r", 0, start)) + 1
        root, _ = Flow(text, regions, anchors, yaml=False, recover=recover).read(start, (), start - line)
        return Partial(text, root, anchors, regions)
    block = Block(text, regions, recover=recover)
    root = block.read()
    return Partial(text, root, block.anchors, regions)


def known(partial: Partial, good: Circuit | None = None) -> Known:
    """The names to offer; ``good`` is the last circuit that the text was, for what cannot be read now."""
    parts = {name: part.kind for name, part in partial.parts.items() if name}
    nets, states, stimuli = set(partial.nets), set(partial.states), set(partial.stimuli)
    ground = partial.text_at(("ground",))
    if good is not None:
        for name, part in good.parts.items():
            parts[name] = parts.get(name) or part.kind
        nets |= set(good.net_names)
        states |= set(good.states)
        stimuli |= set(good.stimuli)
        ground = ground or good.ground
    return Known({name: parts[name] for name in sorted(parts)},
                 tuple(sorted(nets - {""}, key=lambda net: (net != ground, net))),
                 tuple(sorted(states - {""})), tuple(sorted(stimuli - {""})))


def _blank(region: Region, offset: int) -> Spot:
    """A place before the first word of a line of YAML: the column tells the block."""
    column = offset - region.start
    if region.open is not None and column > region.open[0]:
        return Spot("key", region.open[1], "", offset, offset, flow=False)
    level: Level | None = None
    for level in reversed(region.levels):
        if level.column <= column:
            break
    if level is None:
        return Spot("key", (), "", offset, offset, flow=False)
    if level.is_list:
        return Spot("item", level.path, "", offset, offset, flow=False)
    return Spot("key", level.path, "", offset, offset, flow=False)
