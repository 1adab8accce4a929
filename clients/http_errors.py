"""What can go wrong between the client and a server; all of it is a :class:`ClientError`.

::

    ClientError
      ServerUnreachable    no connection, a broken one, or a gateway that stays down
        ServerTimeout      connected, but no answer within the read timeout
      ProblemError         the server refused the request (RFC 9457 problem details)
      UnreadableDocument   a text that is not JSON or YAML, found before it was sent
      UnexpectedAnswer     an answer that is not what this service sends
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any


class ClientError(Exception):
    """Anything that kept the client from getting its answer."""


class ServerUnreachable(ClientError):
    """No answer could be had from the server, after the permitted retries."""


class ServerTimeout(ServerUnreachable):
    """The server took the request and did not answer within the read timeout."""


class UnexpectedAnswer(ClientError):
    """The answer is not JSON, or a redirect, or no problem details where they are due."""


@dataclass(frozen=True, slots=True)
class ErrorItem:
    """One problem in the submitted document.

    ``pointer`` is a JSON Pointer (RFC 6901), or ``?name`` for a query parameter;
    ``line`` and ``column`` count from 1 and are ``None`` where nobody knows them.
    """

    pointer: str
    detail: str
    seen: str | None = None
    accepted: str | None = None
    nearest: str | None = None
    line: int | None = None
    column: int | None = None

    def __str__(self) -> str:
        """``/parts/R1/resistance, line 12, column 30: a resistance is needed; seen: "4,7k"``."""
        place = [self.pointer or "(document)"]
        place += [f"line {self.line}"] if self.line is not None else []
        place += [f"column {self.column}"] if self.line is not None and self.column is not None else []
        said = [self.detail]
        named = (("seen", self.seen), ("accepted", self.accepted), ("nearest", self.nearest))
        said += [f"{name}: {text}" for name, text in named if text is not None]
        return f"{', '.join(place)}: {'; '.join(said)}"


class ProblemError(ClientError):
    """The server refused the request, and said why: ``errors`` has the places."""

    def __init__(self, status: int, title: str, detail: str, errors: tuple[ErrorItem, ...] = (),
                 raw: Mapping[str, Any] | None = None) -> None:
        super().__init__(f"{status} {title}: {detail}" if detail else f"{status} {title}")
        self.status = status
        self.title = title
        self.detail = detail
        self.errors = errors
        self.raw: Mapping[str, Any] = raw if raw is not None else {}


class UnreadableDocument(ClientError):
    """A text that cannot be read as JSON or YAML; ``errors`` has the places."""

    def __init__(self, side: str, errors: tuple[ErrorItem, ...]) -> None:
        super().__init__(f"the {side} is not a document: {errors[0]}")
        self.side = side
        self.errors = errors


def _text(value: Any) -> str | None:
    if value is None or value == "" or value == []:
        return None
    if isinstance(value, (list, tuple)):
        return ", ".join(str(item) for item in value)
    return str(value)


def _count(value: Any) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) else None


def error_items(problem: Mapping[str, Any]) -> tuple[ErrorItem, ...]:
    """The ``errors`` member of problem details, tolerant of members that are missing."""
    items = problem.get("errors")
    if not isinstance(items, list):
        return ()
    return tuple(
        ErrorItem(
            pointer=str(item.get("pointer", "")),
            detail=str(item.get("detail", "")),
            seen=_text(item.get("seen")),
            accepted=_text(item.get("accepted")),
            nearest=_text(item.get("nearest")),
            line=_count(item.get("line")),
            column=_count(item.get("column")),
        )
        for item in items
        if isinstance(item, dict)
    )
