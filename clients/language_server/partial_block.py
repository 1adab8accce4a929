"""YAML in block style, read line by line without ever giving up.

A line belongs to the innermost block that begins in its column, or opens one
below the last name that has no value yet.  Bracketed values are left to
:mod:`clients.language_server.partial_flow`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from clients.language_server.partial_flow import Flow, quoted_token, unquoted
from clients.language_server.partial_tree import MAX_DEPTH, Level, Member, Node, Path, Region, Regions, Token

_LINE = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)?")
_INDENT = re.compile(r"[ \t\ufeff]*")
_NAME = re.compile(r"(?![-?](?:\s|\Z))[^\s#\"'{}\[\],&*!|>%@`]"
                   r"(?:[^\s:#]|:(?=[^\s])|(?<=\S)#|[ \t]+(?=[^\s:#]))*")
_COLON = re.compile(r"[ \t]*:(?=\s|\Z)")
_PROPERTY = re.compile(r"[&!][^\s,\[\]{}]*[ \t]*")
_PLAIN = re.compile(r"(?:[^\s#:]|:(?=\S)|(?<=\S)#)(?:[ \t]*(?:[^\s#:]|:(?=\S)|(?<=\S)#))*")
_ALIAS = re.compile(r"\*[^\s,\[\]{}]+")
_REMARK = re.compile(r"[ \t]+#")
_HEADER = re.compile(r"[|>][-+0-9]*[ \t]*(?=#|\r|\n|\Z)")


@dataclass(slots=True)
class _Block:
    node: Node
    path: Path
    column: int


class Block:
    """One text.  ``recover``: it is not well-formed, so its layout is trusted before its marks."""

    def __init__(self, text: str, regions: Regions, *, recover: bool) -> None:
        self.text = text
        self.regions = regions
        self.recover = recover
        self.anchors: dict[str, Node] = {}
        self.stack: list[_Block] = []
        self.root: Node | None = None
        self.anchor: str | None = None
        self.under: int | None = None  # column of the name whose block text (| or >) goes on
        self.last: tuple[Node, Region] | None = None  # a plain value that the next lines may go on with

    def read(self) -> Node:
        at, size = 0, len(self.text)
        while at < size or at == 0:
            at = self.line(at)
            if at >= size:
                break
        if (at == 0 or self.text[-1:] in "\r\n") and self.under is None:
            self.blank(size)
        return self.root or Node("map", 0, size)

    def line(self, start: int) -> int:
        """Takes one line in, or all lines of a bracketed value; the offset behind it."""
        text = self.text
        match = _LINE.match(text, start)
        after = match.end() if match else len(text)
        indent = _INDENT.match(text, start)
        at = indent.end() if indent else start
        column = at - start
        blank = at >= after or text[at] in "\r\n"
        if self.under is not None:
            if blank or column > self.under:
                return after  # goes on in the region of the value
            self.under = None
        self.blank(start)
        if blank:
            return after
        if text[at] == "#":
            self.regions.add(at, "none", ())
            return after
        if column == 0 and (text.startswith(("---", "..."), at) or text[at] == "%"):
            self.regions.add(at, "none", ())
            return after
        end = after
        while end > at and text[end - 1] in "\r\n":
            end -= 1
        return max(self.content(at, column, end, after), after)

    def blank(self, start: int) -> None:
        levels = tuple(Level(b.column, b.path, b.node.kind == "list", len(b.node.items)) for b in self.stack)
        region = self.regions.add(start, "blank", (), flow=False)
        region.levels = levels
        region.open = self.opened()

    def opened(self) -> tuple[int, Path] | None:
        """The column and path of the last name (or dash) that has no value yet."""
        if not self.stack:
            return None
        top = self.stack[-1]
        if top.node.kind == "map" and top.node.members and top.node.members[-1].value is None:
            return top.column, (*top.path, top.node.members[-1].name)
        if top.node.kind == "list" and self.pending:
            return top.column, (*top.path, len(top.node.items))
        return None

    pending = False  # a dash stands with nothing behind it

    # --- structure ------------------------------------------------------------------------------------

    def content(self, at: int, column: int, end: int, after: int) -> int:
        """Takes in what begins at ``at``; the offset behind it when it goes past this line."""
        text = self.text
        dash = text[at] == "-" and text[at + 1:at + 2] in ("", " ", "\t", "\r", "\n")
        if not self.place(at, column, end, dash):
            return after
        if dash:
            return self.item(at, column, end, after)
        top = self.stack[-1] if self.stack else None
        token = self.name(at, end)
        if token is not None:
            if top is None or top.node.kind == "list" or self.expects(column):
                top = self.enter("map", at, column)
                if top is None:
                    return after
            return self.member(top, token, column, end, after)
        if top is None and text[at] not in "{[&!*|>":
            top = self.enter("map", at, column)
        if top is not None and top.node.kind == "map" and not self.expects(column):
            # A name being typed.
            token = self.word(at, end)
            top.node.members.append(Member(unquoted(text, token), token))
            self.regions.add(at, "key", top.path, flow=False).token = token
            return after
        path: Path = self.opened_path()
        self.regions.add(at, "value", path, flow=False)
        node, stop = self.value(at, path, top.column if top else -1, end, after)
        if node is not None:
            self.attach(node)
        return stop

    def expects(self, column: int) -> bool:
        """Whether a value may stand in a line of its own below the last name."""
        opened = self.opened()
        return opened is not None and column > opened[0]

    def opened_path(self) -> Path:
        opened = self.opened()
        return opened[1] if opened else (self.stack[-1].path if self.stack else ())

    def place(self, at: int, column: int, end: int, dash: bool) -> bool:
        """Leaves the blocks that end before this line; false when the line goes on with a value."""
        while self.stack and self.stack[-1].column > column:
            self.leave(at)
        if self.stack and self.stack[-1].column == column and self.stack[-1].node.kind == "list" and not dash:
            self.leave(at)
        if not self.stack:
            self.last = None
            return True
        top = self.stack[-1]
        if top.column < column:
            if self.opened() is not None:
                return True
            if self.last is not None and (not self.recover or self.name(at, end) is None):
                node, region = self.last
                word = self.word(at, end)
                node.end, node.text = word.end, f"{node.text} {self.text[word.start:word.end]}"
                again = self.regions.add(at, region.role, region.path, flow=False)
                again.token = Token(node.start, word.end)
                return False
            self.last = None
            return not dash and top.node.kind == "map"
        self.last = None
        if dash and top.node.kind == "map":
            return self.opened() is not None
        return True

    def leave(self, at: int) -> None:
        block = self.stack.pop()
        block.node.end = at
        self.pending = False
        self.last = None

    def enter(self, kind: str, at: int, column: int) -> _Block | None:
        """A new block below what is open; ``None`` past the depth that is read."""
        if len(self.stack) >= MAX_DEPTH:
            return None
        path = self.opened_path()
        node = Node("map" if kind == "map" else "list", at, len(self.text))
        if self.anchor:
            self.anchors[self.anchor] = node
            self.anchor = None
        self.attach(node)
        block = _Block(node, path, column)
        self.stack.append(block)
        return block

    def attach(self, node: Node) -> None:
        """Gives the value to the name or dash that waits for it."""
        if not self.stack:
            self.root = self.root or node
            return
        holder = self.stack[-1].node
        if holder.kind == "list":
            if self.pending:
                holder.items.append(node)
                self.pending = False
        elif holder.members and holder.members[-1].value is None:
            holder.members[-1].value = node

    def item(self, at: int, column: int, end: int, after: int) -> int:
        text = self.text
        top = self.stack[-1] if self.stack else None
        if top is None or top.node.kind != "list" or top.column < column:
            top = self.enter("list", at, column)
            if top is None:
                return after
        elif self.pending:
            top.node.items.append(Node("scalar", at, at))  # the dash before had nothing behind it
        self.pending = True
        rest = at + 1
        while rest < end and text[rest] in " \t":
            rest += 1
        self.regions.add(at + 1, "value", (*top.path, len(top.node.items)), flow=False)
        if rest >= end or text[rest] == "#":
            return after
        return self.content(rest, column + rest - at, end, after)

    def member(self, top: _Block, token: Token, column: int, end: int, after: int) -> int:
        text = self.text
        name = unquoted(text, token)
        member = Member(name, token)
        top.node.members.append(member)
        self.regions.add(token.start, "key", top.path, flow=False).token = token
        colon = _COLON.match(text, token.end)
        assert colon is not None
        path: Path = (*top.path, name)
        self.regions.add(colon.end(), "value", path, flow=False)
        at = colon.end()
        while at < end and text[at] in " \t":
            at += 1
        if at >= end:
            return after
        if text[at] == "#":
            self.regions.add(at, "none", path)
            return after
        value, stop = self.value(at, path, column, end, after)
        if value is not None:
            member.value = value
        return stop

    # --- values ---------------------------------------------------------------------------------------

    def name(self, at: int, end: int) -> Token | None:
        """The member name that begins here, with a colon behind it."""
        text = self.text
        token: Token | None = None
        if text[at] in "\"'":
            token = quoted_token(text, at, False, end)
            if not token.closed:
                return None
        else:
            match = _NAME.match(text, at, end)
            if match:
                token = Token(at, match.end())
        if token is not None and _COLON.match(text, token.end):
            return token
        return None

    def word(self, at: int, end: int) -> Token:
        """What stands in the rest of the line, a comment left out."""
        text = self.text
        if text[at] in "\"'":
            return quoted_token(text, at, not self.recover)
        match = _PLAIN.match(text, at, end)
        return Token(at, match.end() if match else end)

    def value(self, at: int, path: Path, column: int, end: int, after: int) -> tuple[Node | None, int]:
        """The value that begins at ``at`` in a line, and the offset behind what it takes."""
        text = self.text
        while at < end and (match := _PROPERTY.match(text, at, end)) is not None:
            if text[at] == "&":
                self.anchor = match.group()[1:].rstrip()
            at = match.end()
        if at >= end or text[at] == "#":
            return None, after
        if text[at] in "{[":
            line = max(text.rfind("\n", 0, at), text.rfind("\r", 0, at)) + 1
            indent = _INDENT.match(text, line)
            flow = Flow(text, self.regions, self.anchors, yaml=True, recover=self.recover, column=column)
            flow.anchor, self.anchor = self.anchor, None
            node, stop = flow.read(at, path, indent.end() - line if indent else 0)
            if flow.closed:
                self.regions.add(stop, "after", path, flow=False)
                self.remark(stop, path)
            return node, self.behind(stop)
        if text[at] == "*":
            match = _ALIAS.match(text, at, end)
            stop = match.end() if match else end
            self.regions.every[-1].token = Token(at, stop)
            self.remark(stop, path)
            return Node("alias", at, stop, text[at + 1:stop]), after
        if _HEADER.match(text, at):
            self.under = max(column, 0) if column >= 0 else -1
            return self.anchored(Node("scalar", at, end, quote="|")), after
        token = self.word(at, end)
        region = self.regions.every[-1]
        region.token = token
        node = self.anchored(Node("scalar", token.start, token.end, unquoted(text, token), token.quote))
        if token.quote:
            self.last = None
            if token.closed:
                self.regions.add(token.end, "after", path, flow=False)
                self.remark(token.end, path)
            return node, self.behind(token.end)
        self.last = (node, region)
        self.remark(token.end, path)
        return node, after

    def remark(self, at: int, path: Path) -> None:
        """Notes a comment behind a value."""
        match = _REMARK.match(self.text, at)
        if match:
            self.regions.add(match.end() - 1, "none", path)

    def anchored(self, node: Node) -> Node:
        if self.anchor:
            self.anchors[self.anchor] = node
            self.anchor = None
        return node

    def behind(self, at: int) -> int:
        """The start of the line after the one that ``at`` stands in."""
        text = self.text
        if at and text[at - 1] in "\r\n":
            return at
        match = _LINE.match(text, at)
        return match.end() if match else len(text)
