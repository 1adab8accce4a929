"""YAML in every layout that people use, written with the place of each value."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from schemas.problems import escape
from tests.schemas.layouts import Writer, fold, is_plain, is_raw, number


@dataclass
class YamlWriter(Writer):
    """Blocks, flow, remarks, quotes, block scalars, anchors and aliases, at random."""

    anchors: dict[str, tuple[str, str]] = field(default_factory=dict)  # data as JSON -> anchor, pointer

    def document(self, data: Any) -> None:
        if self.maybe(0.3):
            self.remark_lines(0)
        directive = self.maybe(0.15)
        if directive:
            self.put("%YAML 1.2")
            self.line()
        if directive or self.maybe(0.2):
            self.put("---")
            self.put(" # start" if self.maybe(0.5) else "")
            self.line()
        self.block(data, "", 0, -1)
        self.end_of_line()
        if self.maybe(0.2):
            self.put("...")
            self.line()

    # --- what stands between -----------------------------------------------------------------------------

    def end_of_line(self) -> None:
        if not self.bare and self.maybe(0.2):
            blank = "   " if self.behind_sign() else " \t"
            self.put(self.rng.choice(("  # a remark: {not} read", blank, "   ", " #")))
        self.line()

    def behind_sign(self) -> bool:
        """Behind a dash, or a colon in its own line: the parser takes no tab there."""
        return self.pieces[-1] == "-" or (self.pieces[-1] == ":" and self.explicit)

    def remark_lines(self, indent: int) -> None:
        for _ in range(self.rng.randrange(3)):
            blank = "" if self.bare else "   "
            self.put(self.rng.choice(("", " " * indent + "# remark\u2028still: remark", "#", blank)))
            self.line()

    def gap(self) -> None:
        """Blanks between a colon or dash and a value."""
        self.put(self.rng.choice((" ", "  ") if self.behind_sign() else (" ", " ", " ", "  ", "\t", " \t ")))

    # --- blocks ------------------------------------------------------------------------------------------

    def block(self, data: Any, place: str, indent: int, outer: int) -> None:
        """A value at the start of a line that is not indented yet; ``outer`` is the indent around it."""
        if not isinstance(data, (dict, list)) or not data or self.maybe(0.15):
            self.put(" " * max(indent, outer + 1))
            self.inline(data, place, outer)
        elif isinstance(data, dict):
            self.members(data, place, indent)
        else:
            self.items(data, place, indent)

    def members(self, data: dict[str, Any], place: str, indent: int, started: bool = False) -> None:
        start = self.length if started else None
        self.values[place] = (0, 0)
        end = 0
        for at, (name, value) in enumerate(data.items()):
            if at:
                self.end_of_line()
                self.remark_lines(indent) if self.can_remark else None
            if at or not started:
                self.put(" " * indent)
            start = self.length if start is None else start
            inner = f"{place}/{escape(name)}"
            self.explicit = explicit = self.maybe(0.05)
            self.bare = False
            self.put("? " if explicit else "")
            self.key(inner, name, explicit, indent)
            if explicit:
                self.line()
                self.put(" " * indent)
            self.put(":" if explicit or self.maybe(0.9) else " :")
            self.after_name(value, inner, indent)
            end = self.end_of(inner)
        self.values[place] = (start or 0, end)

    def items(self, data: list[Any], place: str, indent: int, started: bool = False) -> None:
        start = self.length if started else None
        self.values[place] = (0, 0)
        end = 0
        for at, value in enumerate(data):
            if at:
                self.end_of_line()
            if at or not started:
                self.put(" " * indent)
            start = self.length if start is None else start
            self.put("-")
            self.bare = False
            inner = f"{place}/{at}"
            if isinstance(value, (dict, list)) and value and self.maybe(0.6) and not self.known(value):
                self.put(" ")  # compact: the collection begins in the line of the dash
                read = self.members if isinstance(value, dict) else self.items
                read(value, inner, indent + 2, started=True)  # type: ignore[operator]
            else:
                self.after_name(value, inner, indent)
            end = self.end_of(inner)
        self.values[place] = (start or 0, end)

    def after_name(self, value: Any, place: str, indent: int) -> None:
        """The value behind a colon or dash, in the same line or below."""
        if isinstance(value, (dict, list)) and value and not self.known(value) and self.maybe(0.7):
            self.anchor(value, place)
            self.end_of_line()
            self.can_remark = True
            self.remark_lines(indent)
            self.block(value, place, indent + self.rng.choice((1, 2, 4)), indent)
        elif value is None and self.maybe(0.4):
            self.values[place] = (self.length, self.length)
            self.can_remark = True
        elif self.maybe(0.1) and not isinstance(value, (dict, list)):
            self.line()
            self.put(" " * (indent + self.rng.choice((1, 3))))
            self.inline(value, place, indent)
        else:
            self.gap()
            self.inline(value, place, indent)

    def key(self, place: str, name: str, explicit: bool, indent: int) -> None:
        ways = [lambda: self.double(name, indent if explicit else None)]
        if is_plain(name):
            ways += [lambda: name] * 3
        if is_raw(name):
            ways.append(lambda: self.single(name, indent if explicit else None))
        self.keys[place] = self.written(self.rng.choice(ways)())

    # --- one value in a line -----------------------------------------------------------------------------

    can_remark: bool = True
    explicit: bool = False
    bare: bool = False  # what stands behind a block scalar in its last line would belong to it

    def known(self, value: Any) -> bool:
        return json.dumps(value) in self.anchors

    def anchor(self, value: Any, place: str) -> None:
        told = json.dumps(value)
        if told not in self.anchors and self.maybe(0.3) and value is not None:
            name = f"a{len(self.anchors)}"
            self.anchors[told] = name, place
            self.put(f" &{name}" if self.pieces and not self.text_ends_blank() else f"&{name}")

    def text_ends_blank(self) -> bool:
        last = self.pieces[-1]
        return not last or last[-1] in " \t\r\n[{,"

    def inline(self, value: Any, place: str, outer: int, in_flow: bool = False) -> None:
        """A scalar, a flow collection, or an alias; ``outer`` is the indent around it."""
        self.can_remark = True
        told = json.dumps(value)
        if told in self.anchors and self.complete(told) and self.maybe(0.8):
            self.alias(told, value, place)
            return
        if self.maybe(0.1):
            before = len(self.anchors)
            self.anchor(value, place)
            self.put(" " if len(self.anchors) > before else "")
        if isinstance(value, (dict, list)):
            self.flow(value, place, outer)
        elif isinstance(value, str):
            self.string(value, place, outer, in_flow)
        else:
            words = {"null": ("null", "~", "Null", "NULL"), "true": ("true", "True", "TRUE"),
                     "false": ("false", "False", "FALSE")}.get(json.dumps(value))  # fmt: skip
            self.values[place] = self.written(self.rng.choice(words) if words else number(self.rng, value))

    def complete(self, told: str) -> bool:
        """Whether the anchored value is written to its end."""
        return self.values.get(self.anchors[told][1], (0, 0))[1] > 0

    def alias(self, told: str, value: Any, place: str) -> None:
        name, source = self.anchors[told]
        self.ends[place] = self.written(f"*{name}")[1]
        self.put(" " if self.maybe(0.9) else "\t")  # a name may go on with a colon or comma
        self.shared |= {place, source}
        self.copy(value, source, place)

    def copy(self, value: Any, source: str, place: str) -> None:
        self.values[place] = self.values[source]
        if source in self.keys and place not in self.keys:
            pass  # the name of the alias itself is written in its own place
        names = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
        for name in names:
            old, new = f"{source}/{escape(str(name))}", f"{place}/{escape(str(name))}"
            if old in self.keys:
                self.keys[new] = self.keys[old]
            self.copy(value[name], old, new)

    ends: dict[str, int] = field(default_factory=dict)

    def end_of(self, place: str) -> int:
        return self.ends.get(place, self.values[place][1])

    def string(self, value: str, place: str, outer: int, in_flow: bool) -> None:
        ways = [lambda: self.written(self.double(value, outer))]
        if is_raw(value):
            ways.append(lambda: self.written(self.single(value, outer)))
        if is_plain(value):
            ways += [lambda: self.written(fold(self.rng, value, self.pad(outer)))] * 2
        if not in_flow and self.fits_block(value):
            ways += [lambda: self.literal(value, outer)] * 2
        self.values[place] = self.rng.choice(ways)()

    def pad(self, outer: int) -> str:
        return self.newline + " " * (outer + 1 + self.rng.randrange(3))

    def single(self, value: str, outer: int | None) -> str:
        body = value.replace("'", "''")
        return "'" + (fold(self.rng, body, self.pad(outer)) if outer is not None else body) + "'"

    def double(self, value: str, outer: int | None) -> str:
        def one(char: str) -> str:
            if is_raw(char) and char not in '"\\' and not self.maybe(0.03):
                return char
            return f"\\U{ord(char):08x}" if ord(char) > 0xFFFF else f"\\u{ord(char):04x}"

        body = "".join(map(one, value))
        if outer is not None and self.maybe(0.3):
            body = fold(self.rng, body, self.pad(outer))
        return f'"{body}"'

    @staticmethod
    def fits_block(value: str) -> bool:
        lines = value.split("\n")
        return bool(value.strip("\n \t")) and all(is_raw(line) for line in lines) and "\t" not in value[:1]

    def literal(self, value: str, outer: int) -> tuple[int, int]:
        """A literal or folded scalar; what stands behind it belongs to it only when the header keeps it."""
        body = value.rstrip("\n")
        tail = len(value) - len(body)
        step = self.rng.choice((1, 2, 4))
        indent = max(outer, 0) + step
        folded = "\n" not in body and not body.startswith(" ") and self.maybe(0.4)
        told = body.startswith((" ", "\n")) or self.maybe(0.1)
        header = (">" if folded else "|") + (str(step) if told else "")
        header += "-" if tail == 0 else "" if tail == 1 else "+"
        start = self.length
        self.put(header + (" # remark" if self.maybe(0.2) else ""))
        for line in (fold(self.rng, body, "\n") if folded else body).split("\n"):
            self.line()
            self.put(" " * indent + line if line else " " * self.rng.randrange(indent + 1))
        end = self.length
        self.bare = True
        if tail > 1:
            for _ in range(tail - 1):
                self.line()
            end = self.length
            self.can_remark = False
        return start, end

    # --- flow --------------------------------------------------------------------------------------------

    def blanks(self, outer: int) -> None:
        roll = self.rng.random()
        if roll < 0.15:
            self.put(" # in flow: [" if self.maybe(0.3) else "")
            self.line()
            self.put(" " * (outer + 1 + self.rng.randrange(3)) + ("\t" if self.maybe(0.2) else ""))
        elif roll < 0.5:
            self.put(" " * self.rng.randrange(1, 3))

    def flow(self, data: Any, place: str, outer: int) -> None:
        start = self.length
        self.values[place] = (0, 0)
        self.put("{" if isinstance(data, dict) else "[")
        self.blanks(outer)
        names = list(data) if isinstance(data, dict) else range(len(data))
        for at, name in enumerate(names):
            if at:
                self.put(",")
                self.blanks(outer)
            inner = f"{place}/{escape(str(name))}"
            if isinstance(data, dict):
                self.key(inner, name, False, outer)
                if data[name] is None and self.maybe(0.3):
                    colon = self.maybe(0.5)
                    self.put(": " if colon else "")
                    self.values[inner] = (self.length - colon, self.length - colon)
                    continue
                self.put(":")
                self.gap()
            self.inline(data[name], inner, outer, in_flow=True)
            self.blanks(outer)
        if len(data) and self.maybe(0.1):
            self.put(",")
        self.put("}" if isinstance(data, dict) else "]")
        self.values[place] = (start, self.length)
