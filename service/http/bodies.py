"""The request body: a circuit document in JSON or YAML, refused with its place when it is not one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, TypeVar

from flask import Request
from werkzeug.exceptions import RequestEntityTooLarge

from schemas.problems import DocumentProblems, quoted
from service.http.problems import Refused

if TYPE_CHECKING:
    from schemas.document import Document
    from service.pairs import Pair
    from service.waivers import MalformedWaiver

Spelling = Literal["json", "yaml"]
T = TypeVar("T")

MEDIA_TYPES: Mapping[str, Spelling] = MappingProxyType(
    {
        "application/json": "json",
        "application/yaml": "yaml",  # RFC 9512
        "application/x-yaml": "yaml",
        "text/yaml": "yaml",
    }
)
ACCEPTED = ", ".join(MEDIA_TYPES)


def spelling_of(request: Request) -> Spelling:
    """JSON or YAML by the media type.  Raises :class:`Refused` (415)."""
    media_type = request.mimetype
    spelling = MEDIA_TYPES.get(media_type)
    if spelling is None and media_type.startswith("application/") and media_type.endswith("+json"):
        spelling = "json"
    charset = request.mimetype_params.get("charset", "utf-8").lower()
    coding = request.headers.get("Content-Encoding", "identity").lower()
    if spelling is None:
        seen = quoted(media_type) if media_type else "no Content-Type"
        raise _unsupported("the body has to be JSON or YAML", seen, ACCEPTED)
    if charset not in ("utf-8", "utf8", "us-ascii"):
        raise _unsupported("the body has to be UTF-8", quoted(charset), "utf-8")
    if coding != "identity":
        raise _unsupported("the body must not be compressed", quoted(coding), "identity")
    return spelling


def _unsupported(detail: str, seen: str, accepted: str) -> Refused:
    error = {"pointer": "", "detail": detail, "seen": seen, "accepted": accepted}
    # what would be taken instead (RFC 9110, sections 12.5.1 and 15.5.16)
    return Refused(415, "The media type of the body is not supported.", [error], {"Accept": ACCEPTED})


def read_bytes(request: Request) -> bytes:
    """The whole body.  Raises ``RequestEntityTooLarge`` past the limit.

    A body sent in pieces has no length to judge by: the framework cuts it off
    at the limit without a word, and the first part of a document could pass
    for all of it.
    """
    data = request.get_data(cache=False)
    limit = request.max_content_length
    cut = limit is not None and len(data) >= limit and request.content_length is None
    if cut and request.environ.get("wsgi.input_terminated") and request.environ["wsgi.input"].read(1):
        raise RequestEntityTooLarge
    return data


def read_document(request: Request) -> Document:
    """The circuit document in the body.

    Raises :class:`Refused`: 415 for another media type, 400 for text that is
    not JSON or YAML, 422 for a document that is not a circuit.
    """
    from service.documents import read_at_boundary

    return _read(request, read_at_boundary)


def read_leniently(request: Request) -> tuple[Document, tuple[MalformedWaiver, ...]]:
    """The same, with the waivers that cannot be used set aside instead of refused."""
    from service.documents import read_leniently_at_boundary

    return _read(request, read_leniently_at_boundary)


def read_pair(request: Request) -> Pair:
    """The two circuits of a comparison; the same refusals."""
    from schemas.marshmallow_schemas import check_raw
    from service.pairs import read_pair

    return _read(request, lambda data, spelling: read_pair(data, spelling, check=check_raw))


def _read(request: Request, read: Callable[[bytes, Spelling], T]) -> T:
    from service.documents import refusal

    spelling = spelling_of(request)
    data = read_bytes(request)
    try:
        return read(data, spelling)
    except DocumentProblems as refused:
        raise Refused(*refusal(refused)) from None
