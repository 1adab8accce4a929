"""Circuit documents as bodies of requests: one by itself, or two to be compared."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, Union

from clients.http_errors import ClientError, ErrorItem, UnreadableDocument

if TYPE_CHECKING:
    from schemas.document import Document
    from schemas.positions import PositionMap

Spelling = Literal["json", "yaml"]
CONTENT_TYPES = {"json": "application/json", "yaml": "application/yaml"}


@dataclass(frozen=True, slots=True)
class Text:
    """A text whose spelling is known, say from the ending of a file name."""

    data: bytes
    spelling: Spelling | None = None


Source: TypeAlias = Union["Document", Mapping[str, Any], str, bytes]


def body_of(source: Source) -> tuple[bytes, str]:
    """The bytes to send and their content type.

    A ``Document`` is sent as the text it was read from; a mapping as JSON; a
    text or bytes as it stands, taken for JSON when it starts with ``{``.
    """
    if isinstance(source, Mapping):
        return _json(source), CONTENT_TYPES["json"]
    if isinstance(source, (str, bytes)):
        data = source.encode() if isinstance(source, str) else source
        return data, CONTENT_TYPES[_spelling(data)]
    return source.text.encode(), CONTENT_TYPES[source.spelling]


def _json(data: Any) -> bytes:
    try:
        return json.dumps(data, allow_nan=False).encode()
    except (TypeError, ValueError) as error:
        raise ClientError(f"the circuit document is not JSON data: {error}") from error


def _spelling(data: bytes) -> Spelling:
    return "json" if data.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{" else "yaml"


class PairBody:
    """Two documents as one JSON body, and the way back from its places to those of their own texts.

    Either side may be JSON or YAML.  Raises :class:`UnreadableDocument` for a text that is neither.
    """

    def __init__(self, base: Source | Text | None, head: Source | Text,
                 known: Sequence[Mapping[str, Any]] | None = None) -> None:
        self._positions: dict[str, PositionMap] = {}
        body: dict[str, Any] = {"base": None if base is None else self._data("base", base),
                                "head": self._data("head", head)}
        if known:
            body["known"] = [dict(item) for item in known]
        self.data = _json(body)

    def _data(self, side: str, source: Source | Text) -> Any:
        from schemas.document import parse_text
        from schemas.intake import decode
        from schemas.problems import Complaint, DocumentProblems, Problem

        if isinstance(source, Mapping):
            return source
        if isinstance(source, (str, bytes)):
            source = Text(source.encode() if isinstance(source, str) else source)
        try:
            if isinstance(source, Text):
                spelling = source.spelling or _spelling(source.data)
                data, positions = parse_text(decode(source.data)[0], spelling)
            else:
                data, positions = parse_text(source.text, source.spelling)
        except Complaint as complaint:
            raise UnreadableDocument(side, (_item(side, Problem.of("", complaint)),)) from complaint
        except DocumentProblems as refused:
            raise UnreadableDocument(side, tuple(_item(side, p) for p in refused.problems)) from refused
        self._positions[side] = positions
        return data

    def placed(self, errors: Sequence[ErrorItem]) -> tuple[ErrorItem, ...]:
        """The errors of the server with the lines of the texts that the two sides were read from."""
        return tuple(self._placed(item) for item in errors)

    def _placed(self, item: ErrorItem) -> ErrorItem:
        for side, positions in self._positions.items():
            root = f"/{side}"
            if item.pointer == root or item.pointer.startswith(root + "/"):
                mark = positions.nearest_key(item.pointer.removeprefix(root))
                return replace(item, line=mark.line, column=mark.column)
        return replace(item, line=None, column=None)  # a line of the body means nothing to anybody


def _item(side: str, problem: Any) -> ErrorItem:
    pointer = f"/{side}{problem.pointer}"
    return ErrorItem(pointer, problem.detail, problem.seen, problem.accepted, problem.nearest, problem.line,
                     problem.column)
