"""YAML 1.2 (core schema) read strictly, with the place of every value and member name.

Composed by PyYAML into nodes, then turned into plain data here.  PyYAML
resolves plain scalars by YAML 1.1 (``on`` is true, ``1e5`` is text,
``12:30`` is 750); its resolvers are replaced.
"""

from __future__ import annotations

import re
from typing import Any

import yaml

from schemas.intake import MAX_NODES, Intake, Unreadable
from schemas.problems import Complaint, escape, quoted

_PREFIX = "tag:yaml.org,2002:"
_NULL, _BOOL = _PREFIX + "null", _PREFIX + "bool"
_NOT_TEXT = frozenset({_NULL, _BOOL, _PREFIX + "int", _PREFIX + "float"})
_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


_PLAIN = re.compile(
    r"(?P<null>null|Null|NULL|~|)\Z"
    r"|(?P<bool>true|True|TRUE|false|False|FALSE)\Z"
    r"|(?P<int>[-+]?[0-9]+)\Z"
    r"|(?P<float>[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?"
    r"|[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z", re.ASCII)
"""Plain scalars of the YAML 1.2 core schema that are no text; 0o17 and 0x1F are left as text."""
_FIRST = frozenset("nN~tTfF-+.0123456789")


class _TooManyNodes(Exception):
    pass


class _Loader(_Base):  # type: ignore[misc]
    """Resolves by the core schema, and stops at a number of nodes before all of them are in memory."""

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.nodes = 0

    def resolve(self, kind: type[yaml.Node], value: str, implicit: Any) -> str:
        self.nodes += 1
        if self.nodes > 2 * MAX_NODES:  # values and member names
            raise _TooManyNodes
        if kind is yaml.ScalarNode:
            if not implicit[0] or (value and value[0] not in _FIRST):
                return _PREFIX + "str"
            match = _PLAIN.match(value)
            return _PREFIX + (match.lastgroup or "str" if match else "str")
        return _PREFIX + ("seq" if kind is yaml.SequenceNode else "map")


def read_yaml(intake: Intake) -> Any:
    """The plain data of ``intake.text``.

    Notes duplicate names, tags, names that are not text and numbers that are
    not finite and reads on; raises ``Unreadable``, after noting why, where
    the text is no YAML or holds several documents.
    """
    try:
        root = yaml.compose(intake.text, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        raise _stop(intake, error) from None
    except yaml.reader.ReaderError as error:
        raise intake.stop("", int(error.position), Complaint(
            "the text holds a character that YAML does not allow", seen=f"U+{ord(error.character):04X}"
            if isinstance(error.character, str) else f"U+{error.character:04X}",
            accepted="printable characters")) from None
    except _TooManyNodes:
        raise intake.too_many(0) from None
    except RecursionError:
        raise intake.stop("", 0, Complaint("the document is nested too deeply")) from None
    if root is None:
        raise intake.stop("", 0, Complaint("the document is empty", seen="no value",
                                           accepted="a circuit document"))
    return _Walker(intake).data(root, "", 0)[0]


def _stop(intake: Intake, error: yaml.MarkedYAMLError) -> Unreadable:
    mark = error.problem_mark or error.context_mark
    offset = min(int(mark.index), len(intake.text)) if mark is not None else 0
    if error.problem == "but found another document":
        return intake.stop("", offset, Complaint("the text holds several documents", seen="---",
                                                 accepted="one document"))
    line = intake.text[offset:].split("\n", 1)[0].rstrip("\r")
    detail = f"the text is not YAML: {error.problem or 'it cannot be parsed'}"
    if error.context:
        detail += f" ({error.context})"
    if line[:1] == "\t":
        detail += "; a tab is not accepted as indentation"
    return intake.stop("", offset, Complaint(detail, seen=quoted(line) if line else "the end of the line"))


class _Walker:
    def __init__(self, intake: Intake) -> None:
        self.intake = intake
        self.text = intake.text
        self.visited: dict[int, str] = {}  # node -> its first place

    def data(self, node: yaml.Node, place: str, depth: int) -> tuple[Any, int]:
        """The plain data of a node and the offset after its text."""
        intake = self.intake
        start, end = int(node.start_mark.index), int(node.end_mark.index)
        intake.enter(place, depth, start)
        if self.text[start:start + 1] in ("&", "!"):
            start = self.properties(place, start)
        first = self.visited.setdefault(id(node), place)
        if first != place:
            intake.shared.update((first, place))
        intake.values[place] = (start, end)
        if isinstance(node, yaml.ScalarNode):
            return self.scalar(node, place, start), end
        assert isinstance(node, yaml.CollectionNode)
        read = self.mapping if isinstance(node, yaml.MappingNode) else self.list
        data, inner = read(node, place, depth + 1)
        if not node.flow_style and inner is not None:
            end = inner  # libyaml ends a block where the next token starts
        intake.values[place] = (start, end)
        return data, end

    def properties(self, place: str, start: int) -> int:
        """The offset after an anchor and a tag; complains about the tag."""
        while (match := _PROPERTY.match(self.text, start)) is not None:
            if match.group(1).startswith("!"):
                self.intake.complain(place, start, Complaint("tags are not read", seen=quoted(match.group(1)),
                                                            accepted="the value without a tag"))
            start = match.end()
        return start

    def scalar(self, node: yaml.ScalarNode, place: str, start: int) -> Any:
        value = str(node.value)
        tag = node.tag
        if node.style not in (None, "") or tag not in _NOT_TEXT:
            return value  # without surrogates: the text is UTF-8, and the parser refuses their escapes
        if tag == _NULL:
            return None
        if tag == _BOOL:
            return value.lower() == "true"
        if value.lstrip("+-").lower() in (".inf", ".nan"):
            self.intake.not_finite(value, place, start)
            return None
        return self.intake.number(value, place, start)

    def mapping(self, node: yaml.CollectionNode, place: str, depth: int) -> tuple[Any, int | None]:
        members: dict[str, Any] = {}
        end: int | None = None
        for key_node, value_node in node.value:
            start, stop = int(key_node.start_mark.index), int(key_node.end_mark.index)
            key = self.name(key_node, place, start)
            if key is None:
                end = max(stop, int(value_node.end_mark.index))
                continue
            inner = f"{place}/{escape(key)}"
            if self.intake.member(key, members, inner, start, stop):
                members[key], end = self.data(value_node, inner, depth)
            else:
                end = int(value_node.end_mark.index)
        return members, end

    def name(self, node: yaml.Node, place: str, start: int) -> str | None:
        """A member name, or ``None`` after a complaint."""
        if isinstance(node, yaml.ScalarNode):
            key = str(node.value)
            if self.text[start:start + 1] in ("&", "!"):
                self.properties(f"{place}/{escape(key)}", start)
                return key
            if node.style not in (None, "") or node.tag == _PREFIX + "str":
                return key
            self.intake.complain(f"{place}/{escape(key)}", start, Complaint(
                "a member name is text; put it in quotes", seen=key or "nothing", accepted="a name",
                nearest=quoted(key) if key else None))
            return None
        self.intake.complain(place, start, Complaint("a member name is text", accepted="a name",
                                                    seen="a list" if isinstance(node, yaml.SequenceNode)
                                                    else "an object"))
        return None

    def list(self, node: yaml.CollectionNode, place: str, depth: int) -> tuple[Any, int | None]:
        items: list[Any] = []
        end: int | None = None
        for index, item in enumerate(node.value):
            data, end = self.data(item, f"{place}/{index}", depth)
            items.append(data)
        return items, end


_PROPERTY = re.compile(r"([&!][^\s,\[\]{}]*)(?:\s+|(?=[,\[\]{}])|\Z)")
