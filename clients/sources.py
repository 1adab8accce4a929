"""Where the circuit comes from and who reviews it: files and standard input, in process or a server."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping, Sequence
from functools import cached_property
from http import HTTPStatus
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeVar

from schemas.problems import nearest_name, quoted

if TYPE_CHECKING:
    from datetime import date

    from clients.http_client import Client, ClientError, ErrorItem
    from clients.policies import Policies
    from schemas.document import Document
    from service.waivers import MalformedWaiver

Json = dict[str, Any]
T = TypeVar("T")
Spelling = Literal["json", "yaml"]
Progress = Callable[[int, int], "bool | None"]

MAX_INPUT = 16 << 20  # bytes read from one file; the documents themselves are capped far below
_SPELLINGS: Mapping[str, Spelling] = {".json": "json", ".yaml": "yaml", ".yml": "yaml"}


class CannotCheck(Exception):
    """Nothing could be said about a circuit; ``problem`` is in the shape of RFC 9457 problem details."""

    def __init__(self, label: str, problem: Json) -> None:
        super().__init__(str(problem.get("detail", "")))
        self.label = label
        self.problem = problem


def problem(status: int, detail: str, errors: list[Json] | None = None) -> Json:
    """Problem details as the server writes them."""
    return {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail,
            "errors": errors or []}


class Source:
    """One circuit file, read once; ``-`` is standard input."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.label = "standard input" if name == "-" else name
        self.data = self._read()

    def _read(self) -> bytes:
        if self.name == "-":
            data = sys.stdin.buffer.read(MAX_INPUT + 1)
        else:
            try:
                with open(self.name, "rb") as stream:
                    data = stream.read(MAX_INPUT + 1)
            except OSError as error:
                raise CannotCheck(self.label, self._unreadable(error)) from error
        if len(data) > MAX_INPUT:
            raise CannotCheck(self.label, problem(413, f"the file is larger than {MAX_INPUT >> 20} MiB"))
        return data

    def _unreadable(self, error: OSError) -> Json:
        path = Path(self.name)
        item: Json = {"pointer": "", "detail": f"the file cannot be read: {error.strerror or error}"}
        if isinstance(error, FileNotFoundError):
            try:
                names = [entry.name for entry in path.parent.iterdir()]
            except OSError:
                names = []
            nearest = nearest_name(path.name, names)
            if nearest:
                item["nearest"] = str(path.with_name(nearest))
        return problem(400, "The circuit could not be read.", [item])

    @property
    def spelling(self) -> Spelling | None:
        """By the ending of the name; ``None`` leaves it to the reader."""
        return _SPELLINGS.get(Path(self.name).suffix.lower())

    @cached_property
    def document(self) -> Document:
        """The checked document; raises :class:`CannotCheck` with every problem in it."""
        from schemas.problems import DocumentProblems
        from service.documents import read_document, refusal

        try:
            return read_document(self.data, self.spelling, self.label)
        except DocumentProblems as refused:
            raise CannotCheck(self.label, problem(*refusal(refused))) from refused

    @cached_property
    def lenient(self) -> tuple[Document, tuple[MalformedWaiver, ...]]:
        """The document for a review or a comparison: waivers that cannot be used are set aside.

        Raises :class:`CannotCheck` with every other problem.
        """
        from schemas.problems import DocumentProblems
        from service.documents import read_leniently, refusal

        try:
            return read_leniently(self.data, self.spelling, self.label)
        except DocumentProblems as refused:
            raise CannotCheck(self.label, problem(*refusal(refused))) from refused

    @cached_property
    def _read_here(self) -> Document | None:
        try:
            return self.lenient[0]
        except CannotCheck:
            return None

    @property
    def title(self) -> str | None:
        return self._read_here.circuit.title if self._read_here else None

    def locate(self, pointer: str) -> int | None:
        """The line (from 1) where the value at ``pointer`` stands, or what is nearest to it."""
        if self._read_here is None or pointer.startswith("?"):
            return None
        return self._read_here.positions.nearest(pointer).line


class Backend(Protocol):
    """Who answers: this process or a server.  All raise :class:`CannotCheck`."""

    def review(self, source: Source, remedies: bool, today: date | None = None) -> Mapping[str, Any]: ...
    def compare(self, base: Source | None, head: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        """``options`` are ``today``, ``worse_by``, ``remedies`` and ``known``, as the service takes them."""
        ...
    def states(self, source: Source, beta: str, hold: Mapping[str, float]) -> Mapping[str, Any]: ...
    def timeline(self, source: Source, options: Mapping[str, Any]) -> Mapping[str, Any]: ...
    def spread(self, source: Source, options: Mapping[str, Any],
               progress: Progress | None) -> Mapping[str, Any]: ...
    def bench(self, source: Source, meter: str, measured: Mapping[str, float]) -> Mapping[str, Any]: ...
    def sheet(self, source: Source, options: Mapping[str, Any]) -> Mapping[str, Any]: ...
    def mend(self, source: Source, today: date | None = None) -> Mapping[str, Any]: ...
    def rules(self) -> list[Json]: ...
    def policy(self, place: str) -> Json: ...
    def lesson(self, slug: str, depth: str, prove: bool, source: Source | None) -> Json: ...


class InProcess:
    """Answers from :mod:`service.facade`; ``policies`` says which rules go with a circuit."""

    def __init__(self, policies: Policies) -> None:
        self._policies = policies

    def review(self, source: Source, remedies: bool, today: date | None = None) -> Mapping[str, Any]:
        document, malformed = source.lenient
        from service import facade

        return facade.review(document, remedies=remedies, ruleset=self._policies.rules(source.name),
                             today=today, malformed=malformed)

    def compare(self, base: Source | None, head: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        """Both by the policy of the head; problems of the base are told with the name of the base."""
        before, base_malformed = (None, ()) if base is None else base.lenient
        after, head_malformed = head.lenient
        from service import facade

        return _fitting(head, lambda: facade.compare(
            before, after, base_malformed=base_malformed, head_malformed=head_malformed,
            ruleset=self._policies.rules(head.name), **options))

    def states(self, source: Source, beta: str, hold: Mapping[str, float]) -> Mapping[str, Any]:
        document = source.document
        from service import facade

        return _fitting(source, lambda: facade.states(document, beta=beta, hold=hold))

    def timeline(self, source: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        document = source.document
        from service import facade

        return _fitting(source, lambda: facade.timeline(document, **options))

    def spread(self, source: Source, options: Mapping[str, Any],
               progress: Progress | None) -> Mapping[str, Any]:
        document = source.document
        from service import facade

        return _fitting(source, lambda: facade.spread(document, progress=progress, **options))

    def bench(self, source: Source, meter: str, measured: Mapping[str, float]) -> Mapping[str, Any]:
        document = source.document
        from service import facade

        return _fitting(source, lambda: facade.bench(document, meter=meter, measured=measured,
                                                     ruleset=self._policies.rules(source.name)))

    def sheet(self, source: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        document = source.document
        from service import facade

        return _fitting(source, lambda: facade.sheet(document, **options))

    def mend(self, source: Source, today: date | None = None) -> Mapping[str, Any]:
        document = source.document
        from service import facade

        return facade.mend(document, ruleset=self._policies.rules(source.name), today=today)

    def rules(self) -> list[Json]:
        from service import facade

        return facade.rules(ruleset=self._policies.rules(".", every=True))

    def policy(self, place: str) -> Json:
        return self._policies.show(place)

    def lesson(self, slug: str, depth: str, prove: bool, source: Source | None) -> Json:
        document = None if source is None else source.document
        from service import facade

        catalogue = self._policies.rules("." if source is None else source.name, every=True)
        try:
            return facade.lesson(slug, ruleset=catalogue, depth=depth, prove=prove, document=document)
        except facade.UnknownRule as unknown:
            item = {"pointer": "", "detail": "no rule has this slug", "seen": quoted(slug),
                    "accepted": ", ".join(unknown.known)}
            if unknown.nearest:
                item["nearest"] = unknown.nearest
            details = problem(404, "There is no such rule; `thumbrule lesson` lists them.", [item])
            raise CannotCheck(slug, details) from unknown


def _fitting(source: Source, ask: Callable[[], T]) -> T:
    """The answer; an option that does not fit the circuit becomes problem details."""
    from service.facade import OptionRefused

    try:
        return ask()
    except OptionRefused as refused:
        said = refused.complaint
        item = {"pointer": f"?{refused.option}", "detail": said.detail, "seen": said.seen,
                "accepted": said.accepted, "nearest": said.nearest}
        item = {key: value for key, value in item.items() if value is not None}
        details = problem(400, "The option does not fit the circuit.", [item])
        raise CannotCheck(source.label, details) from refused


class Remote:
    """Answers from a server, through the Python client."""

    def __init__(self, client: Client) -> None:
        self._client = client

    def review(self, source: Source, remedies: bool, today: date | None = None) -> Mapping[str, Any]:
        return self._send(source, self._client.review, remedies=remedies, today=today)

    def compare(self, base: Source | None, head: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        from clients.http_client import ClientError, ProblemError, Text, UnreadableDocument

        before = None if base is None else Text(base.data, base.spelling)
        after = Text(head.data, head.spelling)

        def about(errors: Sequence[ErrorItem]) -> tuple[str, list[Json]]:
            """Whose the problems are, and what they are: those of the head, else those of the base."""
            side, source = ("/head", head)
            if base is not None and not any(item.pointer.startswith("/head") for item in errors):
                side, source = ("/base", base)
            return source.label, [_error(item, side) for item in errors if _is_in(item.pointer, side)]

        try:
            return self._client.compare(before, after, **options)
        except UnreadableDocument as refused:
            label, items = about(refused.errors)
            said = "The text is not well-formed JSON or YAML."
            raise CannotCheck(label, problem(400, said, items)) from refused
        except ProblemError as refused:
            label, items = about(refused.errors)
            raise CannotCheck(label, {**refused.raw, "errors": items}) from refused
        except ClientError as error:
            raise _no_answer(head.label, error) from error

    def states(self, source: Source, beta: str, hold: Mapping[str, float]) -> Mapping[str, Any]:
        return self._send(source, self._client.states, beta=beta, hold=hold)

    def timeline(self, source: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._send(source, self._client.timeline, **options)

    def spread(self, source: Source, options: Mapping[str, Any],
               progress: Progress | None) -> Mapping[str, Any]:
        """The server tells no progress, so ``progress`` is not called."""
        return self._send(source, self._client.spread, **options)

    def bench(self, source: Source, meter: str, measured: Mapping[str, float]) -> Mapping[str, Any]:
        return self._send(source, self._client.bench, meter=meter, measured=measured)

    def sheet(self, source: Source, options: Mapping[str, Any]) -> Mapping[str, Any]:
        return self._send(source, self._client.sheet, **options)

    def mend(self, source: Source, today: date | None = None) -> Mapping[str, Any]:
        return self._send(source, self._client.mend, today=today)

    def rules(self) -> list[Json]:
        return self._ask(self._client.base_url, self._client.rules)

    def policy(self, place: str) -> Json:
        """That of the server; ``place`` is of no account to it."""
        return self._ask(self._client.base_url, self._client.policy)

    def lesson(self, slug: str, depth: str, prove: bool, source: Source | None) -> Json:
        if source is None:
            return self._ask(slug, lambda: self._client.lesson(slug, depth=depth, prove=prove))
        media_type = _content_type(source)
        return self._ask(source.label, lambda: self._client.lesson(
            slug, depth=depth, prove=prove, document=source.data, content_type=media_type))

    def _send(self, source: Source, ask: Callable[..., T], **options: Any) -> T:
        media_type = _content_type(source)
        return self._ask(source.label, lambda: ask(source.data, content_type=media_type, **options))

    def _ask(self, label: str, ask: Callable[[], T]) -> T:
        from clients.http_client import ClientError, ProblemError

        try:
            return ask()
        except ProblemError as refused:
            raise CannotCheck(label, dict(refused.raw)) from refused
        except ClientError as error:
            raise _no_answer(label, error) from error


def _no_answer(label: str, error: ClientError) -> CannotCheck:
    from clients.http_client import ServerUnreachable

    if isinstance(error, ServerUnreachable):
        return CannotCheck(label, problem(504, f"The server did not answer: {error}."))
    return CannotCheck(label, problem(502, f"The server's answer cannot be used: {error}."))


def _is_in(pointer: str, side: str) -> bool:
    """Is this place in that document, or in neither, such as a query parameter?"""
    return pointer == side or pointer.startswith(f"{side}/") or not pointer.startswith(("/base", "/head"))


def _error(item: ErrorItem, side: str) -> Json:
    """One problem as it would be told of that document by itself."""
    from dataclasses import asdict

    found = {key: value for key, value in asdict(item).items() if value is not None}
    return {**found, "pointer": item.pointer.removeprefix(side)}


def _content_type(source: Source) -> str | None:
    from clients.http_client import CONTENT_TYPES

    return CONTENT_TYPES[source.spelling] if source.spelling else None
