"""Every error as ``application/problem+json`` (RFC 9457), and every answer as the same bytes each time."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from http import HTTPStatus
from typing import Any

from flask import Response
from werkzeug.exceptions import HTTPException, MethodNotAllowed

PROBLEM_TYPE = "application/problem+json"
JSON_TYPE = "application/json"

_DETAILS: Mapping[int, str] = {
    404: "Nothing is served at this path; /openapi.json lists what is.",
    405: "This path does not take this method; the Allow header lists those it takes.",
    413: "The body is larger than this service reads.",
    500: "The service could not finish this request. The cause is in its log, not in this answer.",
}
"""Our own words, so that nothing of a request or of the program leaks into an answer."""


class Refused(Exception):
    """A request that is answered with a problem; ``errors`` say where and why."""

    def __init__(
        self,
        status: int,
        detail: str,
        errors: Iterable[Mapping[str, Any]] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(detail)
        self.status = status
        self.detail = detail
        self.errors = tuple(errors)
        self.headers = dict(headers or {})


def json_bytes(data: Any) -> bytes:
    """The same bytes for the same data: members in their documented order, UTF-8, no NaN, one line."""
    return (json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")) + "\n").encode()


def answer(data: Any, status: int = 200, media_type: str = JSON_TYPE) -> Response:
    return Response(json_bytes(data), status=status, content_type=media_type)


def problem(
    status: int,
    detail: str,
    errors: Iterable[Mapping[str, Any]] = (),
    headers: Mapping[str, str] | None = None,
    **members: Any,
) -> Response:
    """One problem document.  ``errors`` is always there, so that a client can always read it."""
    body = {
        "type": "about:blank",  # the status says what kind it is (RFC 9457, section 4.2.1)
        "title": HTTPStatus(status).phrase,
        "status": status,
        "detail": detail,
        "errors": [dict(error) for error in errors],
        **members,
    }
    response = answer(body, status, PROBLEM_TYPE)
    response.headers.extend(headers or {})
    return response


def from_refusal(refused: Refused) -> Response:
    return problem(refused.status, refused.detail, refused.errors, refused.headers)


def from_http(error: HTTPException, limit: int) -> Response:
    """What the framework itself refuses: unknown paths, wrong methods, oversized bodies."""
    status = error.code or 500
    detail = _DETAILS.get(status, f"{HTTPStatus(status).phrase}.")
    headers = {}
    errors = []
    if isinstance(error, MethodNotAllowed):
        headers["Allow"] = ", ".join(error.valid_methods or ())  # put in order with all other headers
    if status == 413:
        errors.append({"pointer": "", "detail": detail, "accepted": f"at most {limit} bytes"})
    return problem(status, detail, errors, headers)


def from_crash() -> Response:
    return problem(500, _DETAILS[500])
