"""The open documents: their texts, what is known of them, and who has to be told.

Everything here runs on the event loop, except the steps of the jobs it hands to
:class:`clients.language_server.schedule.Schedule`.  It knows the types of the
protocol, but not how messages travel: that is the :class:`Outlet`.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

from lsprotocol import types as lsp
from pygls.uris import to_fs_path

from clients.language_server.actions import ActionAbilities, Actor
from clients.language_server.diagnostics import Abilities, Teller, failure
from clients.language_server.lines import changed
from clients.language_server.reviewing import Judgement, Memory, Reviewer, Reviews, readable, warm_up
from clients.language_server.schedule import MOST_DELAY, Rest, Schedule, Token
from clients.language_server.settings import Settings, read_settings
from clients.language_server.snapshot import Snapshot, take
from clients.policies import Policies
from clients.sources import CannotCheck
from service.remedies import content_key

if TYPE_CHECKING:
    from rules.analysis.study import Study
    from schemas.circuit import Circuit
    from service.ruleset import Ruleset

POLICY_FILE = "thumbrule.toml"
log = logging.getLogger(__name__)
T = TypeVar("T")
_END = object()
Told = tuple[Judgement, list[lsp.Diagnostic]]


class Outlet(Protocol):
    """Who carries messages to the editor."""

    def publish(self, uri: str, version: int | None, diagnostics: Sequence[lsp.Diagnostic]) -> None: ...
    def show(self, kind: lsp.MessageType, message: str) -> None: ...
    def refresh(self, hints: bool) -> None:
        """The hints, or else a report, that the editor has been given are not right any more."""


@dataclass
class Open:
    """One open document.

    ``report`` counts how often its diagnostics have changed, ``reported`` is
    the version for which an editor has been given them that asked.

    ``now`` is version and text, put there together, because workers read it.
    """

    uri: str
    now: tuple[int | None, str]
    language: str
    place: str
    memory: Memory = field(default_factory=Memory)
    judgement: Judgement | None = None
    told: tuple[int | None, list[lsp.Diagnostic]] | None = None
    report: int = 0
    reported: int | None = None
    read: Snapshot | None = None
    news: asyncio.Event = field(default_factory=asyncio.Event)
    study: tuple[str, Study] | None = None
    lock: threading.Lock = field(default_factory=threading.Lock)

    @property
    def version(self) -> int | None:
        return self.now[0]

    @property
    def diagnostics(self) -> list[lsp.Diagnostic]:
        """What was told last."""
        return self.told[1] if self.told is not None else []


class Session:
    """State of one server from ``initialize`` to ``exit``."""

    def __init__(self, outlet: Outlet, loop: asyncio.AbstractEventLoop) -> None:
        self.outlet = outlet
        self.settings = Settings()
        self.abilities = Abilities()
        self.action_abilities = ActionAbilities()
        self.encoding = "utf-16"
        self.documents: dict[str, Open] = {}
        self._loop = loop
        self._schedule = Schedule(loop)
        self._reviews = Reviews()
        self._policies = Policies()
        self._asked = ThreadPoolExecutor(2, "requests")
        self._shown: set[str] = set()

    # --- documents -------------------------------------------------------------------------------------

    def open(self, item: lsp.TextDocumentItem) -> None:
        place = to_fs_path(item.uri) or "."
        document = Open(item.uri, (item.version, item.text), item.language_id, place)
        self.documents[item.uri] = document
        self._review(document, 0.0)

    def change(self, uri: str, version: int | None,
               changes: Sequence[lsp.TextDocumentContentChangeEvent]) -> None:
        document = self.documents[uri]
        unanswered = document.judgement is None or document.judgement.version != document.version
        document.now = version, changed(document.now[1], changes, self.encoding)
        document.read = None
        delay = self.settings.debounce / 1e3
        if unanswered and self._schedule.is_urgent(uri):  # keys come faster than answers
            delay = max(delay, min(document.memory.took, MOST_DELAY))
        self._review(document, delay)

    def close(self, uri: str) -> None:
        if self.documents.pop(uri, None) is not None:
            self._schedule.drop(uri)
            self.outlet.publish(uri, None, [])

    def saved(self, uri: str) -> None:
        self.files_changed([uri])

    def files_changed(self, uris: Sequence[str]) -> None:
        """Policies are read anew when one of these files is a policy."""
        names = {Path(to_fs_path(uri) or "").name for uri in uris}
        named = Path(self.settings.policy).name if self.settings.policy else POLICY_FILE
        if names & {POLICY_FILE, named}:
            self._renew()

    def configure(self, given: Any) -> None:
        """Take over settings; each that cannot be used is told in one message."""
        self.settings, told = read_settings(given, self.settings)
        if told:
            self.outlet.show(lsp.MessageType.Warning, "thumbrule: " + "; ".join(told))
        self._renew()
        self.outlet.refresh(hints=True)

    def _renew(self) -> None:
        """Judge everything again, with policies as they are now."""
        self._policies = Policies(self.settings.policy)
        self._shown.clear()
        for document in self.documents.values():
            document.judgement = None
            self._review(document, 0.0)

    def snapshot(self, uri: str) -> Snapshot:
        """The current text, read.  May be called from any thread; ``KeyError`` when it is not open."""
        document = self.documents[uri]
        now, known = document.now, document.read
        if known is None or known.version != now[0]:
            known = take(uri, *now, encoding=self.encoding, language=document.language)
            if document.now is now:
                document.read = known
        return known

    def rules(self, document: Open) -> Ruleset:
        return self._policies.rules(document.place)

    def judgement(self, uri: str) -> Judgement | None:
        document = self.documents.get(uri)
        return document.judgement if document is not None else None

    @contextmanager
    def study(self, uri: str, snapshot: Snapshot) -> Iterator[tuple[Study | None, bool]]:
        """The analyses of the last circuit that could be read, and whether it is an earlier one.

        For one request at a time: a study is worked out while it is asked.
        """
        document = self.documents[uri]
        with document.lock:
            found, _ = readable(snapshot)
            if found is not None:
                key = content_key(found.raw)
                if document.study is None or document.study[0] != key:
                    from service.timelines import study_of

                    document.study = key, study_of(found.circuit)
            known = document.study
            yield (None, False) if known is None else (known[1], found is None)

    def last_circuit(self, uri: str) -> Circuit | None:
        """The last circuit that was judged or looked at."""
        document = self.documents.get(uri)
        if document is None:
            return None
        last = document.memory.last
        if last is not None and last.document is not None:
            return last.document.circuit
        return document.study[1].circuit if document.study is not None else None

    def titles(self, uri: str) -> dict[str, str]:
        """The rules that judge a document: slug -> title; none while its policy cannot be used."""
        try:
            return {entry.slug: entry.rule.title for entry in self.rules(self.documents[uri]).rules}
        except (CannotCheck, KeyError):
            return {}

    # --- reviews ---------------------------------------------------------------------------------------

    def _review(self, document: Open, delay: float) -> None:
        reviewer = Reviewer(lambda: self.rules(document), remedies=self.settings.remedies)
        teller = Teller(self.abilities, self.settings.lessons)
        uri, version = document.uri, document.version

        def work(token: Token) -> Iterator[Told | Rest]:
            def read() -> Snapshot:
                snapshot = self.snapshot(uri)
                token.check()
                return snapshot

            for step in reviewer.stages(read, document.memory, self._reviews, token):
                yield step if isinstance(step, Rest) else (step, teller.diagnostics(step))
            yield from self._warmed(uri, token)

        self._schedule.put(uri, work, lambda told: self._tell(document, *told),
                           lambda error: self._fail(document, version, error), delay)

    def _warmed(self, uri: str, token: Token) -> Iterator[Rest]:
        """Work out what hovers will ask for, one number after the other, while nobody waits for anything."""
        from clients.language_server.hover_numbers import warm

        yield Rest(0.0)
        numbers: Iterator[None] | None = None
        while True:
            token.check()
            snapshot = self.snapshot(uri)
            with self.study(uri, snapshot) as (study, earlier):
                if study is None or earlier:
                    return
                numbers = warm(study) if numbers is None else numbers
                try:
                    if next(numbers, _END) is _END:
                        return
                except Exception as error:  # a hover will say so; what was judged stands
                    log.error("the numbers of %s could not be worked out", uri, exc_info=error)
                    return
            yield Rest(0.0)

    def _tell(self, document: Open, judgement: Judgement, diagnostics: list[lsp.Diagnostic]) -> None:
        document.judgement = judgement
        self._publish(document, judgement.version, diagnostics)
        document.news.set()
        document.news = asyncio.Event()

    def _publish(self, document: Open, version: int | None, diagnostics: list[lsp.Diagnostic]) -> None:
        """Tell the editor, unless it has been told just this of just this version."""
        if document.told == (version, diagnostics):
            return
        is_new = document.diagnostics != diagnostics
        document.report += is_new
        document.told = version, diagnostics
        if self.settings.diagnostics == "push":
            self.outlet.publish(document.uri, version, diagnostics)
        elif is_new and document.reported == version:
            self.outlet.refresh(hints=False)

    def _fail(self, document: Open, version: int | None, error: Exception) -> None:
        """What was not judged must not look as if nothing was found."""
        if isinstance(error, CannotCheck):
            message = _policy_message(error)
            if message not in self._shown:
                self._shown.add(message)
                self.outlet.show(lsp.MessageType.Error, message)
        else:
            log.error("the review of %s failed", document.uri, exc_info=error)
            message = f"The review failed, which is a defect of thumbrule: {type(error).__name__}: {error}"
        document.judgement = None
        self._publish(document, version, [failure(f"Nothing was judged. {message}")])
        document.news.set()
        document.news = asyncio.Event()

    async def until(self, uri: str, enough: Callable[[Judgement], bool], seconds: float,
                    hurry: bool = False) -> Judgement | None:
        """What is known of the current version once it is ``enough`` or the time is over, or ``None``."""
        end = self._loop.time() + seconds
        while True:
            document = self.documents.get(uri)
            if document is None:
                return None
            known = document.judgement
            current = known if known is not None and known.version == document.version else None
            left = end - self._loop.time()
            if (current is not None and enough(current)) or left <= 0 or not self._schedule.is_under_way(uri):
                return current
            if hurry:
                self._schedule.hurry(uri)
            try:
                async with asyncio.timeout(left):
                    await document.news.wait()
            except TimeoutError:
                continue

    def actor(self) -> Actor:
        """Who makes code actions, by the settings as they are now."""
        settings = self.settings
        return Actor(self.action_abilities, settings.owner, date.today(), settings.remedies)

    # --- everything else -------------------------------------------------------------------------------

    async def ask(self, work: Callable[[], T]) -> T:
        """Run ``work`` off the event loop, for a request."""
        return await self._loop.run_in_executor(self._asked, work)

    def warm_up(self) -> None:
        """Load the rules in the background."""

        def work(token: Token) -> Iterator[None]:
            from service.ruleset import installed

            warm_up(installed())
            yield None

        self._schedule.put("", work, lambda _: None, lambda error: log.error("warming up", exc_info=error))

    def shut_down(self) -> None:
        for document in self.documents.values():
            document.news.set()
        self._schedule.close()
        self._asked.shutdown(wait=True, cancel_futures=True)


def _policy_message(error: CannotCheck) -> str:
    details = [str(item.get("detail", "")) for item in error.problem.get("errors", ())]
    return "thumbrule: " + " ".join([str(error), *(f"{detail}." for detail in details if detail)])
