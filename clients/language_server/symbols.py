"""The outline of a document: parts with their pins, nets, states, stimuli, requirements and waivers.

``document_symbols(snapshot) -> list[DocumentSymbol]`` works in any text: of a
half-typed one it shows what can be read.  ``flat_symbols(snapshot)`` is the
same for clients without nested symbols.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from lsprotocol import types as lsp

from clients.language_server.partial import Member, Node, Partial
from clients.language_server.snapshot import Snapshot, file_name

Kind = lsp.SymbolKind
MAIN_VALUES = {"resistor": "resistance", "capacitor": "capacitance", "inductor": "inductance",
               "coil": "resistance", "load": "resistance", "diode": "type", "zener": "zener",
               "led": "forward", "npn": "type", "pnp": "type", "battery": "voltage", "supply": "voltage",
               "driver": "high", "current-source": "current", "contact": "rest", "fuse": "current"}
"""The member by which people tell parts of a kind apart."""
_SECTIONS = {"parts": Kind.Namespace, "nets": Kind.Namespace, "states": Kind.Namespace,
             "stimuli": Kind.Namespace, "requirements": Kind.Namespace, "waivers": Kind.Namespace}
_PART_KINDS = {"npn": Kind.Class, "pnp": Kind.Class, "battery": Kind.Constant, "supply": Kind.Constant,
               "contact": Kind.Function, "driver": Kind.Function}
_LIMITS = ("target", "within", "at_least", "at_most")


def document_symbols(snapshot: Snapshot) -> list[lsp.DocumentSymbol]:
    """One symbol for each section that is there, in the order of the text."""
    return list(_Outline(snapshot).sections())


def flat_symbols(snapshot: Snapshot) -> list[lsp.SymbolInformation]:
    """The same without nesting; each names what it lies in."""
    found: list[lsp.SymbolInformation] = []

    def walk(symbols: Sequence[lsp.DocumentSymbol], holder: str | None) -> None:
        for symbol in symbols:
            found.append(lsp.SymbolInformation(location=lsp.Location(snapshot.uri, symbol.range),
                                               name=symbol.name, kind=symbol.kind, container_name=holder))
            walk(symbol.children or (), symbol.name)
    walk(document_symbols(snapshot), file_name(snapshot.uri) or None)
    return found


class _Outline:
    def __init__(self, snapshot: Snapshot) -> None:
        self.snapshot = snapshot
        self.partial: Partial = snapshot.partial
        self.text = snapshot.text

    def sections(self) -> Iterator[lsp.DocumentSymbol]:
        for member in self.partial.root.members:
            if member.name not in _SECTIONS:
                continue
            node = member.value
            children: list[lsp.DocumentSymbol] = []
            if node is not None and node.kind == "map":
                children = [self.entry(member.name, inner) for inner in node.members if inner.name]
            elif node is not None and node.kind == "list":
                make_item = self.requirement if member.name == "requirements" else self.waiver
                children = [make_item(item, at) for at, item in enumerate(node.items) if item.kind == "map"]
            yield self.symbol(member.name, f"{len(children)}", _SECTIONS[member.name], member.token.start,
                              self.end(member), *member.token.inner, children)

    def symbol(self, name: str, detail: str, kind: lsp.SymbolKind, start: int, end: int, from_: int, to: int,
               children: list[lsp.DocumentSymbol] | None = None) -> lsp.DocumentSymbol:
        lines = self.snapshot.lines
        to = min(max(from_, to), lines.line_of(from_)[1])
        whole = lines.range_of(start, max(end, to))
        return lsp.DocumentSymbol(name=name or "(no name)", kind=kind, range=whole,
                                  selection_range=lines.range_of(from_, to), detail=detail or None,
                                  children=children or [])

    def named(self, member: Member, detail: str, kind: lsp.SymbolKind,
              children: list[lsp.DocumentSymbol] | None = None) -> lsp.DocumentSymbol:
        return self.symbol(member.name, detail, kind, member.token.start, self.end(member),
                           *member.token.inner, children)

    def end(self, member: Member) -> int:
        """Where a member ends: of a block behind its last value, not at the start of the next member."""
        return max(member.token.end, self.node_end(member.value)) if member.value else member.token.end

    def node_end(self, node: Node | None) -> int:
        if node is None:
            return 0
        if node.kind in ("map", "list") and self.text[node.start:node.start + 1] not in ("{", "["):
            last = self.end(node.members[-1]) if node.members else 0
            return max(last, self.node_end(node.items[-1]) if node.items else 0, node.start)
        end = node.end
        while end > node.start and self.text[end - 1].isspace():
            end -= 1
        return end

    def entry(self, section: str, member: Member) -> lsp.DocumentSymbol:
        makers = {"parts": self.part, "states": self.state, "stimuli": self.stimulus}
        return makers.get(section, self.net)(member)

    # --- one of each ----------------------------------------------------------------------------------

    def part(self, member: Member) -> lsp.DocumentSymbol:
        found = self.partial.parts.get(member.name)
        kind = found.kind if found is not None else ""
        values = found.values if found is not None else {}
        main = values.get(MAIN_VALUES.get(kind, ""), "") or values.get("type", "")
        symbol = _PART_KINDS.get(kind, Kind.Object)
        return self.named(member, f"{kind} {main}".strip(), symbol, self.pins(member))

    def pins(self, member: Member) -> list[lsp.DocumentSymbol]:
        """The pins that are written here; those of an alias stand elsewhere."""
        node = member.value
        pins = node.member("pins") if node is not None and node.kind == "map" else None
        inner = pins.value if pins is not None else None
        return [self.named(pin, self.single(pin.value), Kind.Field)
                for pin in (inner.members if inner is not None else ()) if pin.name]

    def net(self, member: Member) -> lsp.DocumentSymbol:
        node = self.partial.target(member.value)
        label = node.member("label") if node is not None and node.kind == "map" else None
        return self.named(member, self.single(label.value) if label is not None else "", Kind.Variable)

    def state(self, member: Member) -> lsp.DocumentSymbol:
        node = self.partial.target(member.value)
        regions = [f"{inner.name} {self.single(inner.value)}".strip()
                   for inner in (node.members if node is not None else ())]
        return self.named(member, ", ".join(regions), Kind.EnumMember)

    def stimulus(self, member: Member) -> lsp.DocumentSymbol:
        node = self.partial.target(member.value)
        steps = [" ".join(word for word in (self.of(item, name) for name in ("part", "to")) if word)
                 for item in (node.items if node is not None else ()) if item.kind == "map"]
        return self.named(member, ", ".join(step for step in steps if step), Kind.Event)

    def requirement(self, node: Node, at: int) -> lsp.DocumentSymbol:
        kind = self.of(node, "kind") or f"requirement {at + 1}"
        subject = self.of(node, "name") or self.of(node, "net") or self.of(node, "state")
        limits = [f"{name.replace('_', ' ')} {value}" for name in _LIMITS if (value := self.of(node, name))]
        return self.item(node, f"{kind} {subject}".strip(), ", ".join(limits), Kind.Property, "kind")

    def waiver(self, node: Node, at: int) -> lsp.DocumentSymbol:
        names = [item.text for name in ("parts", "nets") if (inner := node.member(name)) is not None
                 and inner.value is not None for item in inner.value.items]
        until = self.of(node, "expires")
        detail = ", ".join(names) + (f" until {until}" if until else "")
        return self.item(node, self.of(node, "rule") or f"waiver {at + 1}", detail.strip(), Kind.Key, "rule")

    def item(self, node: Node, name: str, detail: str, kind: lsp.SymbolKind, main: str) -> lsp.DocumentSymbol:
        """An item of a list; its selection is the value that names it."""
        member = node.member(main)
        value = member.value if member is not None else None
        inside = value is not None and node.start <= value.start and value.end <= self.node_end(node)
        start, end = (value.start, value.end) if value is not None and inside else (node.start, node.start)
        return self.symbol(name, detail, kind, node.start, self.node_end(node), start, end)

    def of(self, node: Node, name: str) -> str:
        member = node.member(name)
        return self.single(member.value) if member is not None else ""

    def single(self, node: Node | None) -> str:
        found = self.partial.target(node)
        return found.text if found is not None and found.kind == "scalar" else ""


def main_value(kind: str) -> str:
    """The member by which people tell parts of a kind apart; empty for an unknown kind."""
    return MAIN_VALUES.get(kind, "")
