"""YAML 1.2 (core schema) read strictly, with the place of every value and member name.

Composed by PyYAML into nodes, then turned into plain data here.  PyYAML
resolves plain scalars by YAML 1.1 (``on`` is true, ``1e5`` is text,
``12:30`` is 750); its resolvers are replaced.
"""

from __future__ import annotations

import re
from typing import Any, ClassVar

import yaml

from schemas.intake import Intake, Unreadable
from schemas.problems import Complaint, Path, pointer, quoted, show

_PREFIX = "tag:yaml.org,2002:"
_Base: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


class _Loader(_Base):  # type: ignore[misc]
    """Resolves plain scalars by the YAML 1.2 core schema, without 0o and 0x integers (left as text)."""

    yaml_implicit_resolvers: ClassVar[dict[str, list[tuple[str, re.Pattern[str]]]]] = {}


for _tag, _pattern, _first in (
    ("null", r"(?:null|Null|NULL|~|)\Z", ["n", "N", "~", ""]),
    ("bool", r"(?:true|True|TRUE|false|False|FALSE)\Z", list("tTfF")),
    ("int", r"[-+]?[0-9]+\Z", list("-+0123456789")),
    ("float", r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?\Z", list("-+.0123456789")),
    ("float", r"(?:[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN))\Z", list("-+.")),
):
    _Loader.add_implicit_resolver(_PREFIX + _tag, re.compile(_pattern), _first)


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
        raise intake.stop((), int(error.position), Complaint(
            "the text holds a character that YAML does not allow", seen=f"U+{ord(error.character):04X}"
            if isinstance(error.character, str) else f"U+{error.character:04X}",
            accepted="printable characters")) from None
    except RecursionError:
        raise intake.stop((), 0, Complaint("the document is nested too deeply")) from None
    if root is None:
        raise intake.stop((), 0, Complaint("the document is empty", seen="no value",
                                           accepted="a circuit document"))
    return _Walker(intake).data(root, ())[0]


def _stop(intake: Intake, error: yaml.MarkedYAMLError) -> Unreadable:
    mark = error.problem_mark or error.context_mark
    offset = min(int(mark.index), len(intake.text)) if mark is not None else 0
    if error.problem == "but found another document":
        return intake.stop((), offset, Complaint("the text holds several documents", seen="---",
                                                 accepted="one document"))
    line = intake.text[offset:].split("\n", 1)[0].rstrip("\r")
    detail = f"the text is not YAML: {error.problem or 'it cannot be parsed'}"
    if error.context:
        detail += f" ({error.context})"
    if line[:1] == "\t":
        detail += "; a tab is not accepted as indentation"
    return intake.stop((), offset, Complaint(detail, seen=quoted(line) if line else "the end of the line"))


class _Walker:
    def __init__(self, intake: Intake) -> None:
        self.intake = intake
        self.text = intake.text
        self.visited: set[int] = set()

    def data(self, node: yaml.Node, path: Path) -> tuple[Any, int]:
        """The plain data of a node and the offset after its text."""
        intake = self.intake
        start, end = int(node.start_mark.index), int(node.end_mark.index)
        intake.enter(path, start)
        place = pointer(path)
        if self.text[start:start + 1] in ("&", "!"):
            start = self.properties(path, start)
        if isinstance(node, yaml.ScalarNode):
            intake.values[place] = (start, end)
            return self.scalar(node, path, start), end
        if id(node) in self.visited:
            intake.shared.add(place)
        self.visited.add(id(node))
        intake.values[place] = (start, end)
        assert isinstance(node, yaml.CollectionNode)
        read = self.mapping if isinstance(node, yaml.MappingNode) else self.list
        data, inner = read(node, path)
        if not node.flow_style and inner is not None:
            end = inner  # libyaml ends a block where the next token starts
        intake.values[place] = (start, end)
        return data, end

    def properties(self, path: Path, start: int) -> int:
        """The offset after an anchor and a tag; complains about the tag."""
        while (match := _PROPERTY.match(self.text, start)) is not None:
            if match.group(1).startswith("!"):
                self.intake.complain(path, start, Complaint("tags are not read", seen=quoted(match.group(1)),
                                                            accepted="the value without a tag"))
            start = match.end()
        return start

    def scalar(self, node: yaml.ScalarNode, path: Path, start: int) -> Any:
        value = str(node.value)
        tag = str(node.tag).removeprefix(_PREFIX)
        if id(node) in self.visited:
            self.intake.shared.add(pointer(path))
        self.visited.add(id(node))
        if node.style not in (None, "") or tag not in ("null", "bool", "int", "float"):
            return self.intake.string(value, path, start)
        if tag == "null":
            return None
        if tag == "bool":
            return value.lower() == "true"
        if value.lstrip("+-").lower() in (".inf", ".nan"):
            self.intake.not_finite(value, path, start)
            return None
        return self.intake.number(value, path, start)

    def mapping(self, node: yaml.CollectionNode, path: Path) -> tuple[Any, int | None]:
        members: dict[str, Any] = {}
        end: int | None = None
        for key_node, value_node in node.value:
            start, stop = int(key_node.start_mark.index), int(key_node.end_mark.index)
            key = self.name(key_node, path, start)
            if key is None:
                end = max(stop, int(value_node.end_mark.index))
                continue
            place = (*path, key)
            if self.intake.member(key, members, place, start, stop):
                members[key], end = self.data(value_node, place)
            else:
                end = int(value_node.end_mark.index)
        return members, end

    def name(self, node: yaml.Node, path: Path, start: int) -> str | None:
        """A member name, or ``None`` after a complaint."""
        if isinstance(node, yaml.ScalarNode):
            key = str(node.value)
            if self.text[start:start + 1] in ("&", "!"):
                self.properties((*path, key), start)
            if node.style not in (None, "") or node.tag == _PREFIX + "str":
                return key
            self.intake.complain((*path, key), start, Complaint(
                "a member name is text; put it in quotes", seen=key or "nothing", accepted="a name",
                nearest=quoted(key) if key else None))
            return None
        self.intake.complain(path, start, Complaint("a member name is text", accepted="a name",
                                                    seen=show([]) if isinstance(node, yaml.SequenceNode)
                                                    else "an object"))
        return None

    def list(self, node: yaml.CollectionNode, path: Path) -> tuple[Any, int | None]:
        items: list[Any] = []
        end: int | None = None
        for index, item in enumerate(node.value):
            data, end = self.data(item, (*path, index))
            items.append(data)
        return items, end


_PROPERTY = re.compile(r"([&!][^\s,\[\]{}]*)(?:\s+|(?=[,\[\]{}])|\Z)")
