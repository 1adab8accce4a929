"""What is worked out for one version of a document, stage by stage.

First what is wrong with the text, then the verdicts (those of the rules that
took least last time first, so that most is known soon), then, after a rest in
typing, the proven remedies.  Each stage is a :class:`Judgement`.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from clients.language_server.schedule import Rest, Token
from clients.language_server.snapshot import Snapshot
from schemas.circuit import Circuit
from schemas.document import Document
from schemas.finding import Finding, Outcome
from service.remedies import content_key
from service.stages import StagedReview
from service.waivers import NONE_JUDGED, Judged, MalformedWaiver, entries, judge

if TYPE_CHECKING:
    from service.ruleset import Ruleset

FIRST_ANSWER = 0.06  # s; what is known by then is told
WORTH_TELLING = 0.02  # s; where less is left to do, the whole is told at once instead
REST = 0.3  # s without a key before remedies are searched for
KEPT = 6  # reviews of other contents, so that taking a change back costs nothing

Stage: TypeAlias = Literal["unreadable", "part", "verdicts", "remedies"]
Clock: TypeAlias = Callable[[], float]


@dataclass(frozen=True)
class Judgement:
    """What is known of one version of a document.

    ``findings`` are those of the rules that were asked; ``earlier`` are those
    of the version before by rules that were not asked yet.  ``proven`` are the
    identities whose remedies have been searched for.  ``trouble`` says why
    nothing or not everything could be judged.
    """

    snapshot: Snapshot
    stage: Stage
    document: Document | None = None
    findings: tuple[Finding, ...] = ()
    earlier: tuple[Finding, ...] = ()
    outcomes: tuple[Outcome, ...] = ()
    trouble: tuple[str, ...] = ()
    proven: frozenset[str] = frozenset()
    waivers: Judged = NONE_JUDGED
    ruleset: Ruleset | None = None

    @property
    def version(self) -> int | None:
        return self.snapshot.version

    @property
    def is_settled(self) -> bool:
        """Nothing more will be found out about this version."""
        return self.stage in ("unreadable", "remedies")

    def finding(self, identity: str) -> Finding | None:
        return next((finding for finding in self.findings if finding.identity == identity), None)


@dataclass
class Memory:
    """What one document's reviews have shown for the next one: the last verdicts, and what each rule took.

    ``took`` is how long the last first answer took (s), from the text on.
    """

    last: Judgement | None = None
    costs: dict[str, float] = field(default_factory=dict)
    took: float = 0.0


class Reviews:
    """Reviews under way by content and rule set.  Each is given out to one job at a time."""

    def __init__(self, kept: int = KEPT) -> None:
        self._kept = kept
        self._lock = threading.Lock()  # two lanes, and the loop when it ends a job
        self._known: OrderedDict[tuple[str, str], StagedReview] = OrderedDict()

    def take(self, document: Document, ruleset: Ruleset) -> StagedReview:
        with self._lock:
            known = self._known.pop((content_key(document.raw), ruleset.digest), None)
        return known or StagedReview(document.circuit, document.raw, ruleset)

    def give_back(self, review: StagedReview) -> None:
        with self._lock:
            self._known[content_key(review.raw), review.ruleset.digest] = review
            while len(self._known) > self._kept:
                self._known.popitem(last=False)


@dataclass(frozen=True)
class Reviewer:
    """How a version is reviewed: by which rules, on which day, with or without remedies."""

    rules: Callable[[], Ruleset]
    today: Callable[[], date] = date.today
    remedies: bool = True
    rest: float = REST
    clock: Clock = time.perf_counter

    def stages(self, read: Callable[[], Snapshot], memory: Memory, reviews: Reviews,
               token: Token) -> Iterator[Judgement | Rest]:
        """The judgements of one version, each more complete than the one before.

        Raises :class:`service.stages.Cancelled` where ``token`` says so, and
        whatever ``rules`` raises.
        """
        began = self.clock()
        snapshot = read()
        document, malformed = readable(snapshot)
        if document is None:
            yield Judgement(snapshot, "unreadable")
            return
        token.check()
        ruleset = self.rules()
        review = reviews.take(document, ruleset)
        try:
            base = Judgement(snapshot, "part", document, ruleset=ruleset)
            last = yield from self._verdicts(base, review, malformed, memory, token, began)
            if not self.remedies:
                return
            if last.findings and review.findings is None:
                yield Rest(self.rest)
            yield from self._remedies(last, review, malformed, token)
        finally:
            reviews.give_back(review)

    def _verdicts(self, base: Judgement, review: StagedReview, malformed: tuple[MalformedWaiver, ...],
                  memory: Memory, token: Token, began: float) -> Generator[Judgement, None, Judgement]:
        order = sorted(memory.costs, key=lambda slug: (memory.costs[slug], slug))
        told = False
        before = self.clock()
        for slug in review.verdicts(order, token.check):
            now = self.clock()
            memory.costs[slug] = now - before
            before = now
            if not told and now - began > FIRST_ANSWER:
                missing = review.missing
                if sum(memory.costs.get(other, 0.0) for other in missing) > WORTH_TELLING:
                    told = True
                    memory.took = now - began
                    yield self._part(base, review, malformed, memory, missing)
                    before = self.clock()
        run = review.whole(token.check)
        findings = review.findings if self.remedies and review.findings is not None else run.findings
        last = replace(
            base,
            stage="verdicts",
            findings=findings,
            outcomes=run.outcomes,
            trouble=_trouble(run.problems, run.overview.complete, run.outcomes),
            waivers=self._judged(base, malformed, findings, complete=True),
        )
        if not told:
            memory.took = self.clock() - began
        token.check()  # what is stale must not be remembered as the last
        memory.last = last
        yield last
        return last

    def _part(self, base: Judgement, review: StagedReview, malformed: tuple[MalformedWaiver, ...],
              memory: Memory, missing: frozenset[str]) -> Judgement:
        said = review.so_far()
        earlier = memory.last.findings if memory.last is not None else ()
        kept = tuple(finding for finding in earlier if finding.rule in missing
                     and still_there(finding, review.circuit))
        waivers = self._judged(base, malformed, (*said.findings, *kept), complete=False)
        return replace(base, findings=said.findings, earlier=kept, outcomes=said.outcomes, waivers=waivers)

    def _remedies(self, last: Judgement, review: StagedReview, malformed: tuple[MalformedWaiver, ...],
                  token: Token) -> Iterator[Judgement]:
        told: dict[str, Finding] = {}
        for finding in review.remedies(token.check):
            told[finding.identity] = finding
            findings = tuple(told.get(other.identity, other) for other in last.findings)
            if review.findings is None and len(told) < len(last.findings):
                yield replace(last, findings=findings, proven=frozenset(told))
        found = review.findings or ()
        yield replace(last, stage="remedies", findings=found, proven=frozenset(told),
                      waivers=self._judged(last, malformed, found, complete=True))

    def _judged(self, base: Judgement, malformed: tuple[MalformedWaiver, ...],
                findings: tuple[Finding, ...], complete: bool) -> Judged:
        """What the waivers are worth; one that covers nothing yet is told only when every rule was asked."""
        assert base.document is not None
        assert base.ruleset is not None
        found = entries(base.document.circuit.waivers, malformed)
        judged = judge(found, findings, base.ruleset, self.today())
        if complete:
            return judged
        return replace(judged, waivers=tuple(v for v in judged.waivers if v.status != "unused"))


def readable(snapshot: Snapshot) -> tuple[Document | None, tuple[MalformedWaiver, ...]]:
    """The document to judge.  Waivers that cannot be used do not keep the rest from being judged."""
    if snapshot.document is not None:
        return snapshot.document, ()
    if not all(problem.pointer.startswith("/waivers") for problem in snapshot.problems):
        return None, ()
    from schemas.problems import DocumentProblems
    from service.documents import read_leniently

    try:
        return read_leniently(snapshot.lines.full.encode("utf-8", "surrogatepass"), snapshot.spelling)
    except DocumentProblems:
        return None, ()


def still_there(finding: Finding, circuit: Circuit) -> bool:
    """Whether all that a finding names is in the circuit."""
    nets = {net for part in circuit.parts.values() for net in part.pins.values()}
    return set(finding.parts) <= set(circuit.parts) and set(finding.nets) <= nets | {circuit.ground}


def _trouble(problems: tuple[str, ...], complete: bool, outcomes: tuple[Outcome, ...]) -> tuple[str, ...]:
    """Why a review is not whole; what a failed rule says itself is left to it."""
    failed = {outcome.reason for outcome in outcomes if outcome.kind == "failed"}
    told = tuple(problem for problem in problems if problem not in failed)
    if complete or told:
        return told
    return ("not every state of this circuit could be found, so that not everything was judged",)


def warm_up(ruleset: Any) -> None:
    """Review a small circuit with a known answer, so that the first real one does not wait for imports."""
    from service.documents import read_document
    from service.self_check import CIRCUIT

    document = read_document(CIRCUIT, "yaml")
    StagedReview(document.circuit, document.raw, ruleset).whole()
