"""A typed client for the HTTP service.

Exceptions, all below :class:`ClientError`::

    ClientError
      ServerUnreachable    no connection, a broken one, or a gateway that stays down
        ServerTimeout      connected, but no answer within the read timeout
      ProblemError         the server refused the request (RFC 9457 problem details)
      UnexpectedAnswer     an answer that is not what this service sends
"""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, cast
from urllib.parse import quote, urlencode, urlsplit

import requests

from clients.shapes import (
    MendAnswer,
    ReadyAnswer,
    ReviewAnswer,
    SheetsAnswer,
    SpreadAnswer,
    StatesAnswer,
    TimelineAnswer,
)

if TYPE_CHECKING:
    from schemas.document import Document

    Source = Document | Mapping[str, Any] | str | bytes
    Query = Sequence[tuple[str, str]]

RETRY_STATUS = frozenset({502, 503, 504})
FIRST_PAUSE = 0.1  # seconds; doubles with every retry
LONGEST_PAUSE = 2.0
PROBLEM_TYPE = "application/problem+json"
CONTENT_TYPES = {"json": "application/json", "yaml": "application/yaml"}


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

    ``pointer`` is a JSON Pointer (RFC 6901); ``line`` and ``column`` count from
    1 and are ``None`` where the server did not say.
    """

    pointer: str
    detail: str
    seen: str | None = None
    accepted: str | None = None
    nearest: str | None = None
    line: int | None = None
    column: int | None = None


class ProblemError(ClientError):
    """The server refused the request, and said why."""

    def __init__(self, status: int, title: str, detail: str, errors: tuple[ErrorItem, ...] = (),
                 raw: Mapping[str, Any] | None = None) -> None:
        super().__init__(f"{status} {title}: {detail}" if detail else f"{status} {title}")
        self.status = status
        self.title = title
        self.detail = detail
        self.errors = errors
        self.raw: Mapping[str, Any] = raw if raw is not None else {}


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


def body_of(source: Source) -> tuple[bytes, str]:
    """The bytes to send and their content type.

    A ``Document`` is sent as the text it was read from; a mapping as JSON; a
    text or bytes as it stands, taken for JSON when it starts with ``{``.
    """
    if isinstance(source, Mapping):
        try:
            return json.dumps(source, allow_nan=False).encode(), CONTENT_TYPES["json"]
        except (TypeError, ValueError) as error:
            raise ClientError(f"the circuit document is not JSON data: {error}") from error
    if isinstance(source, (str, bytes)):
        data = source.encode() if isinstance(source, str) else source
        start = data.removeprefix(b"\xef\xbb\xbf").lstrip()[:1]
        return data, CONTENT_TYPES["json" if start == b"{" else "yaml"]
    return source.text.encode(), CONTENT_TYPES[source.spelling]


class Client:
    """Talks to one server; use it as a context manager, or call :meth:`close`.

    >>> with Client("http://127.0.0.1:8000") as client:  # doctest: +SKIP
    ...     client.review(open("pond-pump.yaml").read())["findings"]

    ``timeout`` is (connect, read) in seconds.  ``retries`` is how often a
    request is repeated, with a growing pause, after a failed connection or a
    502, 503 or 504: every request is pure, so repeating it is safe.  A read
    timeout is not repeated, because the server is likely still at work.
    Raises ``ValueError`` for a ``base_url`` that is not http or https.
    """

    def __init__(self, base_url: str, timeout: tuple[float, float] = (3.05, 30.0), retries: int = 2) -> None:
        parts = urlsplit(base_url)
        if parts.scheme not in ("http", "https") or not parts.hostname or parts.query or parts.fragment:
            raise ValueError(f"{base_url!r} is not a server address; needed is http://HOST[:PORT]")
        if retries < 0:
            raise ValueError("retries must not be negative")
        self.base_url = base_url.rstrip("/")
        self.timeout = timeout
        self.retries = retries
        self._session = requests.Session()
        self._session.headers["Accept"] = f"application/json, {PROBLEM_TYPE}"

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections."""
        self._session.close()

    def review(self, document: Source, *, remedies: bool = True,
               content_type: str | None = None) -> ReviewAnswer:
        """Review a circuit: one verdict per rule, with proven remedies unless switched off."""
        query = [] if remedies else [("remedies", "false")]
        return cast(ReviewAnswer, self._send(document, "/v1/reviews", query, content_type))

    def states(self, document: Source, *, beta: str = "typical", hold: Mapping[str, float] | None = None,
               content_type: str | None = None) -> StatesAnswer:
        """Every DC state at one beta corner; ``hold`` freezes capacitors at a voltage in V."""
        query = [("beta", beta)]
        query += [("hold", f"{part}:{volts!r} V") for part, volts in sorted((hold or {}).items())]
        return cast(StatesAnswer, self._send(document, "/v1/states", query, content_type))

    def timeline(self, document: Source, *, stimulus: str | None = None, beta: str = "typical",
                 leakage: str = "none", start: str | None = None, model: str = "hand",
                 until: float | None = None, content_type: str | None = None) -> TimelineAnswer:
        """The course in time; ``until`` (s) is where the curves end.  The server chooses the rest."""
        end = None if until is None else f"{until!r} s"
        given = (("stimulus", stimulus), ("beta", beta), ("leakage", leakage), ("start", start),
                 ("model", model), ("until", end))
        query = [(name, value) for name, value in given if value is not None]
        return cast(TimelineAnswer, self._send(document, "/v1/timelines", query, content_type))

    def spread(self, document: Source, *, samples: int = 1000, seed: int = 1, budget: int | None = None,
               content_type: str | None = None) -> SpreadAnswer:
        """Random circuits within the tolerances: ``samples`` drawn, at most ``budget`` worked out."""
        query = [("samples", str(samples)), ("seed", str(seed))]
        query += [] if budget is None else [("budget", str(budget))]
        return cast(SpreadAnswer, self._send(document, "/v1/spreads", query, content_type))

    def bench(self, document: Source, *, meter: str = "10 Mohm", measured: Mapping[str, float] | None = None,
              content_type: str | None = None) -> dict[str, Any]:
        """Parts list and bench sheet; ``measured`` gives sources the voltage (V) that was measured."""
        query = [("meter", meter)]
        query += [("measured", f"{name}:{volts!r} V") for name, volts in sorted((measured or {}).items())]
        return cast("dict[str, Any]", self._send(document, "/v1/bench-sheets", query, content_type))

    def sheet(self, document: Source, *, state: str | None = None, beta: str = "typical",
              content_type: str | None = None) -> SheetsAnswer:
        """The hand working of every state, or of those called ``state``."""
        query = [("beta", beta)] + ([] if state is None else [("state", state)])
        return cast(SheetsAnswer, self._send(document, "/v1/sheets", query, content_type))

    def mend(self, document: Source, *, content_type: str | None = None) -> MendAnswer:
        """The document with every proven remedy applied, and the review of the result."""
        return cast(MendAnswer, self._send(document, "/v1/remedies", [], content_type))

    def rules(self) -> list[dict[str, Any]]:
        """The rules the server runs, with their limits and sources."""
        answer = self._get("/v1/rules")
        listed = answer.get("rules") if isinstance(answer, dict) else answer
        if not isinstance(listed, list):
            raise UnexpectedAnswer(f"{self.base_url}/v1/rules did not answer with a list of rules")
        return cast("list[dict[str, Any]]", listed)

    def lesson(self, slug: str, *, depth: str | None = None, prove: bool = False,
               document: Source | None = None, content_type: str | None = None) -> dict[str, Any]:
        """What one rule teaches, at depth line, card or lesson; worked on ``document`` if there is one.

        ``prove`` proves each step of its derivation anew.  An unknown slug raises
        :class:`ProblemError` with status 404.
        """
        path = f"/v1/rules/{quote(slug, safe='')}"
        query = ([] if depth is None else [("depth", depth)]) + ([("prove", "true")] if prove else [])
        if document is not None:
            return cast("dict[str, Any]", self._send(document, path, query, content_type))
        return cast("dict[str, Any]", self._get(path + (f"?{urlencode(query)}" if query else "")))

    def policy(self) -> dict[str, Any]:
        """The policy of the server: every setting in effect, with its origin."""
        return cast("dict[str, Any]", self._get("/v1/policy"))

    def part_types(self) -> dict[str, Any]:
        """The published part types, each number with its source."""
        return cast("dict[str, Any]", self._get("/v1/part-types"))

    def circuit_schema(self) -> dict[str, Any]:
        """The JSON Schema (2020-12) of the circuit document."""
        return cast("dict[str, Any]", self._get("/v1/schemas/circuit.json"))

    def ready(self) -> ReadyAnswer:
        """Whether the server can do its work; a 503 that says so is an answer, not an error."""
        try:
            return cast(ReadyAnswer, self._call("GET", "/ready", retry=False))
        except ProblemError as refused:
            if "ready" in refused.raw:
                members = ("ready", "ruleset", "checks")
                return cast(ReadyAnswer, {key: refused.raw.get(key) for key in members})
            raise

    def _get(self, path: str) -> Any:
        return self._call("GET", path)

    def _send(self, source: Source, path: str, query: Query, content_type: str | None) -> Any:
        data, guessed = body_of(source)
        return self._call("POST", path, query=query, data=data, content_type=content_type or guessed)

    def _call(self, method: str, path: str, *, query: Query = (), data: bytes | None = None,
              content_type: str | None = None, retry: bool = True) -> Any:
        headers = {} if content_type is None else {"Content-Type": content_type}
        retries = self.retries if retry else 0
        response = self._attempt(method, self.base_url + path, query, data, headers, retries)
        media_type = response.headers.get("Content-Type", "").split(";")[0].strip().lower()
        place = f"{method} {self.base_url}{path}"
        try:
            answer = response.json() if media_type.endswith("json") else None
        except ValueError as error:
            raise UnexpectedAnswer(f"{place} answered {response.status_code} with broken JSON") from error
        if response.status_code == 200:
            if answer is None:
                raise UnexpectedAnswer(f"{place} answered with {media_type or 'no content type'}, not JSON")
            return answer
        if media_type == PROBLEM_TYPE and isinstance(answer, dict):
            title, detail = str(answer.get("title", "")), str(answer.get("detail", ""))
            raise ProblemError(response.status_code, title, detail, error_items(answer), answer)
        raise UnexpectedAnswer(f"{place} answered {response.status_code} without problem details; "
                               "is this a thumbrule server?")

    def _attempt(self, method: str, url: str, query: Query, data: bytes | None, headers: Mapping[str, str],
                 retries: int) -> requests.Response:
        """One request, repeated while the connection fails or a gateway says that the server is away."""
        for attempt in range(retries + 1):
            last = attempt == retries
            try:
                # Redirects are refused: following one can turn a POST into a GET.
                response = self._session.request(method, url, params=list(query), data=data, headers=headers,
                                                 timeout=self.timeout, allow_redirects=False)
            except requests.exceptions.ReadTimeout as error:
                raise ServerTimeout(f"{url} did not answer within {self.timeout[1]:g} s") from error
            except (requests.exceptions.ConnectionError, requests.exceptions.ChunkedEncodingError) as error:
                if last:
                    tries = "1 try" if attempt == 0 else f"{attempt + 1} tries"
                    raise ServerUnreachable(f"no connection to {self.base_url} after {tries}") from error
            except requests.exceptions.RequestException as error:
                raise ClientError(f"{url} could not be asked: {error}") from error
            else:
                if last or response.status_code not in RETRY_STATUS:
                    return response
            time.sleep(min(FIRST_PAUSE * 2.0**attempt, LONGEST_PAUSE))
        raise AssertionError("the last attempt returns or raises")
