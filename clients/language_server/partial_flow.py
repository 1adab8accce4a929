"""JSON and the bracketed parts of YAML, read without ever giving up.

What is not closed ends where the layout says so: a text in quotes at the end
of its line, an object before a member name that is indented no more than the
line the object was opened in.  What cannot be read is skipped.  Each character
is looked at a bounded number of times.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass

from clients.language_server.partial_tree import MAX_DEPTH, Member, Node, Path, Regions, Token

_BLANK = re.compile(r"[ \t\r\n\ufeff]+")
_SAME_LINE = re.compile(r"[ \t]+")
_DOUBLE_LINE = re.compile(r'"(?:[^"\\\r\n]|\\[^\r\n])*("?)')
_SINGLE_LINE = re.compile(r"'(?:[^'\r\n]|'')*('?)")
_DOUBLE = re.compile(r'"(?:[^"\\]|\\.)*("?)', re.DOTALL)
_SINGLE = re.compile(r"'(?:[^']|'')*('?)")
_BARE_JSON = re.compile(r'[^\s,:{}\[\]"]+')
_SLASHES = re.compile(r"//[^\r\n]*|/\*[^\r\n]*?(?:\*/|$)", re.MULTILINE)
_COMMENT = re.compile(r"#[^\r\n]*")
_PLAIN = r"(?:[^\s,\[\]{}:#]|:(?=[^\s,\[\]{}])|(?<=\S)#)"
_PLAIN_LINE = re.compile(rf"{_PLAIN}(?:[ \t]*{_PLAIN})*")
_PLAIN_LINES = re.compile(rf"{_PLAIN}(?:[ \t\r\n]*{_PLAIN})*")
_PROPERTY = re.compile(r"[&!][^\s,\[\]{}]*")
_INDENTED = re.compile(r"[\r\n][ \t]+[\"'\w]")
_LOOK = 10_000
"""How far is looked for an indented line, to know whether the layout says anything."""
_LONGEST = 2_000
"""Characters of a bare value over several lines; what goes on further is not kept as text."""
_FOLD = re.compile(r"[ \t]*(?:\r\n|\r|\n)[ \t]*")
_COLON = re.compile(r"[ \t]*:")


def quoted_token(text: str, at: int, lines: bool, stop: int | None = None) -> Token:
    """The token that opens with a quote at ``at``; ``lines`` lets it go over line ends."""
    mark = text[at]
    whole, one_line = (_DOUBLE, _DOUBLE_LINE) if mark == '"' else (_SINGLE, _SINGLE_LINE)
    pattern = whole if lines else one_line
    match = pattern.match(text, at, len(text) if stop is None else stop)
    if match is None:
        return Token(at, at + 1, mark, False)
    closed = bool(match.group(1)) and match.end() - at > 1
    return Token(at, match.end(), mark, closed)


def unquoted(text: str, token: Token) -> str:
    """The text of a token, its escapes undone where they are whole."""
    start, end = token.inner
    inner = text[start:end]
    if "\n" in inner or "\r" in inner:
        inner = _FOLD.sub(" ", inner)
    if token.quote == "'":
        return inner.replace("''", "'")
    if token.quote == '"' and "\\" in inner:
        try:
            return str(json.loads(f'"{inner}"', strict=False))
        except ValueError:
            return inner
    return inner


@dataclass(slots=True)
class _Frame:
    node: Node
    path: Path
    state: str  # key, colon, value, after
    indent: int  # of the line it was opened in
    name: Token | None = None  # a member name that waits for its value


class Flow:
    """One bracketed value.

    ``column`` is that of the block around it (-1: none): in a text that is
    being mended (``recover``) the value ends before a line that is indented
    no more than that.
    """

    def __init__(self, text: str, regions: Regions, anchors: dict[str, Node], *, yaml: bool, recover: bool,
                 column: int = -1) -> None:
        self.text = text
        self.regions = regions
        self.anchors = anchors
        self.yaml = yaml
        self.recover = recover
        self.column = column
        self.stack: list[_Frame] = []
        self.ignored = 0  # brackets past the depth that is read
        self.anchor: str | None = None
        self.closed = False  # whether the last bracket was found
        self.indented = recover and (column >= 0 or _INDENTED.search(text, 0, _LOOK) is not None)
        self.indent = 0
        self.bare: Token | None = None  # so that `4.7 kohm` without quotes stays one value

    def read(self, at: int, path: Path, indent: int) -> tuple[Node, int]:
        """The value whose bracket stands at ``at``, and the offset behind what belongs to it."""
        text, size = self.text, len(self.text)
        self.indent = indent
        root = self.push(at, path)
        at += 1
        while at < size and self.stack:
            blank = _BLANK.match(text, at)
            first = False
            if blank:
                at = blank.end()
                line = max(text.rfind("\n", blank.start(), at), text.rfind("\r", blank.start(), at))
                if line >= 0 and at < size:
                    first, self.indent = True, at - line - 1
                    if not self.yaml:
                        self.bare = None
                    if self.leave(at):
                        self.close_all(line)
                        return root, line + 1
                if at >= size:
                    break
            mark = text[at]
            if first and self.indented and mark not in "]}":
                self.dedent(at)
            at = self.token(mark, at)
        self.closed = not self.stack
        self.close_all(at)
        return root, at

    def leave(self, at: int) -> bool:
        """Whether the line that begins here no longer belongs to the value."""
        return (self.recover and self.column >= 0 and self.indent <= self.column
                and self.text[at] not in "]}#")

    def dedent(self, at: int) -> None:
        """Closes what was opened in a line indented as much, before a member name that says so."""
        if len(self.stack) < 2 or self.indent > self.stack[-1].indent or not self.named(at):
            return
        while len(self.stack) > 1 and self.indent <= self.stack[-1].indent:
            self.pop(at)

    def named(self, at: int) -> bool:
        if self.text[at] in "\"'":
            end = quoted_token(self.text, at, False).end
        else:
            match = _PLAIN_LINE.match(self.text, at)
            end = match.end() if match else at
        return _COLON.match(self.text, end) is not None

    def token(self, mark: str, at: int) -> int:
        """Takes one token in; the offset behind it."""
        text = self.text
        if mark in "{[":
            if len(self.stack) >= MAX_DEPTH:
                self.ignored += 1
            else:
                self.open(at)
            return at + 1
        if mark in "}]":
            if self.ignored:
                self.ignored -= 1
            else:
                self.close(mark, at)
            return at + 1
        if mark == ",":
            self.comma(at)
            return at + 1
        comment = self.comment(at)
        if comment:
            return comment
        if mark == '"' or (mark == "'" and self.yaml):
            token = quoted_token(text, at, self.yaml and not self.recover)
            self.scalar(token)
            return token.end
        if mark == ":" and not (self.yaml and self.plain_colon(at)):
            self.colon(at)
            return at + 1
        if self.yaml and mark in "&!":
            match = _PROPERTY.match(text, at)
            assert match is not None
            if mark == "&":
                self.anchor = match.group()[1:]
            return match.end()
        pattern = (_PLAIN_LINE if self.recover else _PLAIN_LINES) if self.yaml else _BARE_JSON
        match = pattern.match(text, at)
        end = match.end() if match else at + 1
        self.scalar(Token(at, end))
        return end

    def plain_colon(self, at: int) -> bool:
        """A colon in YAML is part of a word when a word character follows and no name in quotes precedes."""
        return (self.text[at + 1:at + 2].strip(",[]{} \t\r\n") != "" and
                not (self.stack[-1].state == "colon" and self.text[at - 1] in "\"'"))

    def comment(self, at: int) -> int:
        if self.yaml and self.text[at] == "#":
            match = _COMMENT.match(self.text, at)
        elif not self.yaml and self.text[at] in "#/":
            match = _SLASHES.match(self.text, at) or _COMMENT.match(self.text, at)
        else:
            return 0
        if match is None:
            return 0
        before = self.regions.every[-1] if self.regions.every else None
        self.regions.add(at, "none", self.stack[-1].path)
        if before is not None:
            again = self.regions.add(match.end() + 1, before.role, before.path)
            again.token = before.token
        return match.end()

    # --- structure ------------------------------------------------------------------------------------

    def push(self, at: int, path: Path) -> Node:
        node = Node("map" if self.text[at] == "{" else "list", at, len(self.text))
        if self.anchor:
            self.anchors[self.anchor] = node
            self.anchor = None
        frame = _Frame(node, path, "key" if node.kind == "map" else "value", self.indent)
        self.stack.append(frame)
        self.slot(at + 1)
        return node

    def slot(self, at: int) -> None:
        """The region of the next member name or item."""
        frame = self.stack[-1]
        if frame.node.kind == "map":
            self.regions.add(at, "key", frame.path)
        else:
            self.regions.add(at, "value", (*frame.path, len(frame.node.items)))

    def open(self, at: int) -> None:
        frame = self.stack[-1]
        if frame.node.kind == "list":
            path: Path = (*frame.path, len(frame.node.items))
            frame.node.items.append(self.push(at, path))
            frame.state = "after"
            return
        name = frame.name if frame.state in ("value", "colon") else None
        known = unquoted(self.text, name) if name else ""
        node = self.push(at, (*frame.path, known))
        if name:
            frame.node.members.append(Member(known, name, node))
        frame.name, frame.state = None, "after"

    def flush(self, frame: _Frame) -> None:
        """A member name that no value followed."""
        if frame.name is not None:
            frame.node.members.append(Member(unquoted(self.text, frame.name), frame.name))
            frame.name = None

    def pop(self, end: int) -> None:
        frame = self.stack.pop()
        self.flush(frame)
        frame.node.end = end
        if self.stack:
            self.regions.add(end, "after", self.stack[-1].path)

    def close(self, mark: str, at: int) -> None:
        wanted = "map" if mark == "}" else "list"
        if not any(frame.node.kind == wanted for frame in self.stack):
            return
        while self.stack and self.stack[-1].node.kind != wanted:
            self.pop(at)
        self.pop(at + 1)
        self.bare = None

    def close_all(self, at: int) -> None:
        while self.stack:
            frame = self.stack.pop()
            self.flush(frame)
            frame.node.end = at

    def comma(self, at: int) -> None:
        frame = self.stack[-1]
        self.flush(frame)
        frame.state = "key" if frame.node.kind == "map" else "value"
        self.bare = None
        self.slot(at + 1)

    def colon(self, at: int) -> None:
        frame = self.stack[-1]
        self.bare = None
        if frame.node.kind == "list":
            return
        last = frame.node.members[-1] if frame.node.members else None
        if frame.state == "after" and last and last.value and last.value.kind == "scalar":
            # What was taken for a value is the next name: `"kind": "pins": {`.
            value, last.value = last.value, None
            closed = not value.quote or self.text[value.end - 1:value.end] == value.quote
            frame.name = Token(value.start, value.end, value.quote, closed)
            self.regions.add(value.start, "key", frame.path).token = frame.name
        elif frame.state not in ("colon", "key"):
            return
        frame.state = "value"
        name = unquoted(self.text, frame.name) if frame.name else ""
        self.regions.add(at + 1, "value", (*frame.path, name))

    def scalar(self, token: Token) -> None:
        frame = self.stack[-1]
        if self.bare is not None and not token.quote and frame.state == "after" and self.goes_on(token):
            token = Token(self.bare.start, token.end)
            last = frame.node.members[-1].value if frame.node.members else frame.node.items[-1]
            if last is not None:
                last.end = token.end
                if token.end - token.start <= _LONGEST:  # else each line would read all lines before it again
                    last.text = unquoted(self.text, token)
            self.mark(token)
            self.bare = token
            return
        self.bare = None
        if frame.node.kind == "map" and frame.state != "value":
            self.flush(frame)
            if frame.state in ("after", "colon"):  # a comma is missing
                self.regions.add(token.start, "key", frame.path)
            frame.name, frame.state = token, "colon"
            self.mark(token)
            return
        node = self.value(token)
        if frame.node.kind == "list":
            if frame.state == "after":
                self.regions.add(token.start, "value", (*frame.path, len(frame.node.items)))
            frame.node.items.append(node)
        elif frame.name is not None:
            frame.node.members.append(Member(unquoted(self.text, frame.name), frame.name, node))
            frame.name = None
        frame.state = "after"
        self.mark(token)
        if token.quote and token.closed:
            self.regions.add(token.end, "after", frame.path)
        elif not token.quote and node.kind == "scalar":
            self.bare = token

    def goes_on(self, token: Token) -> bool:
        """Whether a bare word belongs to the one before it: in YAML also over the end of a line."""
        assert self.bare is not None
        between = (_BLANK if self.yaml else _SAME_LINE).fullmatch(self.text, self.bare.end, token.start)
        return between is not None and not (self.yaml and self.named(token.start))

    def mark(self, token: Token) -> None:
        region = self.regions.every[-1]
        if region.token is None or region.token.start >= token.start:
            region.token = token
        elif region.role != "none":
            self.regions.add(token.start, region.role, region.path).token = token

    def value(self, token: Token) -> Node:
        text = unquoted(self.text, token)
        if self.yaml and not token.quote and text.startswith("*"):
            return Node("alias", token.start, token.end, text[1:])
        node = Node("scalar", token.start, token.end, text, token.quote)
        if self.anchor:
            self.anchors[self.anchor] = node
            self.anchor = None
        return node
