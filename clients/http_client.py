"""A typed client for the HTTP service.

>>> from clients.http_client import Client, ProblemError
>>> with Client("http://127.0.0.1:8000") as client:  # doctest: +SKIP
...     try:
...         found = client.review(open("pond-pump.yaml").read(), today="2027-03-01")
...         print([finding["message"] for finding in found["findings"]])
...     except ProblemError as refused:
...         print(*refused.errors, sep="\\n")  # each with its pointer and line

Everything that can go wrong is a :class:`ClientError`; :mod:`clients.http_errors` has the tree.
"""

from __future__ import annotations

import math
import time
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from email.utils import parsedate_to_datetime
from types import TracebackType
from typing import Any, Self, cast
from urllib.parse import quote, urlencode, urlsplit

import requests

from clients.http_bodies import CONTENT_TYPES, PairBody, Source, Text, body_of
from clients.http_errors import (
    ClientError,
    ErrorItem,
    ProblemError,
    ServerTimeout,
    ServerUnreachable,
    UnexpectedAnswer,
    UnreadableDocument,
    error_items,
)
from clients.shapes import (
    ComparisonAnswer,
    MendAnswer,
    ReadyAnswer,
    ReviewAnswer,
    SheetsAnswer,
    SpreadAnswer,
    StatesAnswer,
    TimelineAnswer,
)

__all__ = [
    "CONTENT_TYPES", "Client", "ClientError", "ErrorItem", "ProblemError", "ServerTimeout",
    "ServerUnreachable", "Text", "UnexpectedAnswer", "UnreadableDocument", "body_of", "error_items",
]  # fmt: skip

Query = Sequence[tuple[str, str]]

RETRY_STATUS = frozenset({502, 503, 504})
FIRST_PAUSE = 0.1  # seconds; doubles with every retry
LONGEST_PAUSE = 2.0
LONGEST_ASKED = 10.0  # seconds that a server may ask to wait; past that its refusal is the answer
PROBLEM_TYPE = "application/problem+json"


class Client:
    """Talks to one server; use it as a context manager, or call :meth:`close`.  One thread at a time.

    A document is a :class:`schemas.document.Document`, plain data, or a text in
    JSON or YAML (``content_type`` says which where the text alone would not).
    Connections are kept open between requests.

    ``timeout`` is (connect, read) in seconds, or one number for both.
    ``retries`` is how often a request is repeated, with a growing pause, after
    a failed connection or a 502, 503 or 504: every request is pure, so
    repeating it is safe.  The pause that a server asks for (``Retry-After``,
    also with a 429) is kept when it is at most ten seconds; a longer one is not
    waited for.  A read timeout is not repeated, because the server is likely
    still at work.

    ``session`` is used instead of one of our own, for certificates, proxies or
    a login of the server; whoever made it closes it.

    Raises ``ValueError`` for a ``base_url`` that is not a plain http or https
    address, and for a timeout or a number of retries that is none.
    """

    def __init__(self, base_url: str, timeout: float | tuple[float, float] = (3.05, 30.0), retries: int = 2,
                 *, session: requests.Session | None = None) -> None:
        self.base_url = _address(base_url)
        self.timeout = _timeout(timeout)
        if isinstance(retries, bool) or not isinstance(retries, int) or retries < 0:
            raise ValueError(f"retries is {retries!r}; needed is a whole number from 0")
        self.retries = retries
        self._own = session is None
        self._session = requests.Session() if session is None else session

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the connections; those of a session that was given stay."""
        if self._own:
            self._session.close()

    def review(self, document: Source, *, remedies: bool = True, today: date | str | None = None,
               content_type: str | None = None) -> ReviewAnswer:
        """Review a circuit: one verdict per rule, with proven remedies unless switched off.

        ``today`` (a date, or text such as ``2027-03-01``) is the day at which
        the waivers of the document are judged; without it none is in force.
        """
        query = ([] if remedies else [("remedies", "false")]) + _day(today)
        return cast(ReviewAnswer, self._send(document, "/v1/reviews", query, content_type))

    def compare(self, base: Source | Text | None, head: Source | Text, *, today: date | str | None = None,
                worse_by: float | None = None, remedies: bool = True,
                known: Sequence[Mapping[str, Any]] | None = None) -> ComparisonAnswer:
        """Compare two versions of a circuit: what is new, known, worsened or gone.

        >>> answer = client.compare(old_text, new_text, today=date.today())  # doctest: +SKIP
        >>> [f["message"] for f in answer["findings"] if f["counts"]]        # doctest: +SKIP

        Without ``base`` all that is found is new, but for what is ``known``:
        findings as a baseline keeps them, with identity, severity, margin and
        places.  The two need not be in one spelling.  ``worse_by`` is the share
        of its limit by which a margin may fall (0.01 unless given).  The waivers
        of ``base`` judge, at the day ``today``.  Pointers of errors begin with
        ``/base`` or ``/head``; their lines are those of that text.

        Raises :class:`UnreadableDocument` for a text that is neither JSON nor YAML.
        """
        body = PairBody(base, head, known)
        query = _day(today) + ([] if worse_by is None else [("worse_by", repr(float(worse_by)))])
        query += [] if remedies else [("remedies", "false")]
        try:
            answer = self._call("POST", "/v1/comparisons", query=query, data=body.data,
                                content_type=CONTENT_TYPES["json"])
        except ProblemError as refused:
            raise ProblemError(refused.status, refused.title, refused.detail, body.placed(refused.errors),
                               refused.raw) from refused
        return cast(ComparisonAnswer, answer)

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

    def mend(self, document: Source, *, today: date | str | None = None,
             content_type: str | None = None) -> MendAnswer:
        """The document with every proven remedy applied, and the review of the result (at ``today``)."""
        return cast(MendAnswer, self._send(document, "/v1/remedies", _day(today), content_type))

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
        headers = {"Accept": f"application/json, {PROBLEM_TYPE}"}
        headers |= {} if content_type is None else {"Content-Type": content_type}
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
            pause = min(FIRST_PAUSE * 2.0**attempt, LONGEST_PAUSE)
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
                asked = _retry_after(response)
                again = response.status_code in RETRY_STATUS or (
                    response.status_code == 429 and asked is not None)
                if last or not again or (asked or 0.0) > LONGEST_ASKED:
                    return response
                pause = max(pause, asked or 0.0)
            time.sleep(pause)
        raise AssertionError("the last attempt returns or raises")


def _address(url: str) -> str:
    """The address without a slash at its end.  Raises ``ValueError``, without telling a password."""
    try:
        parts = urlsplit(url)
        good = parts.scheme in ("http", "https") and bool(parts.hostname) and parts.port != 0
    except ValueError:
        good, parts = False, urlsplit("")
    if parts.username is not None or parts.password is not None:
        raise ValueError("a server address has no name and password in it; give a session that has them")
    if not good or parts.query or parts.fragment:
        raise ValueError(f"{url!r} is not a server address; needed is http://HOST[:PORT]")
    return url.rstrip("/")


def _timeout(given: float | tuple[float, float]) -> tuple[float, float]:
    """(connect, read) in seconds.  Raises ``ValueError`` for anything but finite times above zero."""
    pair = given if isinstance(given, tuple) else (given, given)
    if len(pair) != 2 or not all(type(t) in (int, float) and math.isfinite(t) and t > 0 for t in pair):
        raise ValueError(f"timeout is {given!r}; needed is a number of seconds above 0, or (connect, read)")
    return float(pair[0]), float(pair[1])


def _day(today: date | str | None) -> list[tuple[str, str]]:
    if today is None:
        return []
    return [("today", today if isinstance(today, str) else today.isoformat()[:10])]


def _retry_after(response: requests.Response) -> float | None:
    """The pause in seconds that an answer asks for, as seconds or as a date (RFC 9110, section 10.2.3)."""
    text = response.headers.get("Retry-After", "").strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        until = parsedate_to_datetime(text)
    except ValueError:
        return None
    if until.tzinfo is None:  # said to be in no zone: RFC 9110 dates are in GMT
        until = until.replace(tzinfo=UTC)
    return max(0.0, (until - datetime.now(UTC)).total_seconds())
