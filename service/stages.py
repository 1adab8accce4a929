"""A review in stages, for whoever cannot wait for the whole of it.

Verdicts come rule by rule, then the states, then remedies finding by finding.
Between two rules ``pause`` is called, so that a review which nobody wants any
more ends soon.  Taken to its end, it is the same review as
:func:`service.engine.review` gives, whatever the order of the rules was.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from schemas.circuit import Circuit
from schemas.finding import Finding, Review
from service.causes import rooted
from service.engine import Hearing, Run, Verdicts, to_review
from service.remedies import Bench
from service.ruleset import Ruleset

Pause = Callable[[], None]


class Cancelled(Exception):
    """What a ``pause`` raises to end the work."""


class StagedReview:
    """The review of one circuit under way.  Used by one thread at a time.

    ``raw`` is the document as it was written, which patches quote.  Where
    ``pause`` raised, asking again goes on where it stopped.
    """

    def __init__(self, circuit: Circuit, raw: Mapping[str, Any], ruleset: Ruleset) -> None:
        self.circuit, self.raw, self.ruleset = circuit, raw, ruleset
        self.heard: set[str] = set()
        self._hearing = Hearing(circuit, ruleset, proposing=False)
        self._findings: tuple[Finding, ...] | None = None

    def verdicts(self, order: Iterable[str] = (), pause: Pause | None = None) -> Iterator[str]:
        """Ask every rule that was not asked yet, those in ``order`` first; each slug when it was asked."""
        self._hearing.pause = pause
        slugs = [entry.slug for entry in self.ruleset.rules]
        wanted = dict.fromkeys((*(slug for slug in order if slug in slugs), *slugs))
        for slug in wanted:
            if slug not in self.heard:
                self._hearing.ask(slug)
                self.heard.add(slug)
                yield slug

    @property
    def missing(self) -> frozenset[str]:
        """The rules that were not asked yet."""
        return frozenset(entry.slug for entry in self.ruleset.rules) - self.heard

    def so_far(self) -> Verdicts:
        """What the rules say that were asked; causes are led back as far as they are known."""
        said = self._hearing.ask(*self.heard)
        return Verdicts(rooted(said.findings), said.proposals, said.outcomes)

    def whole(self, pause: Pause | None = None) -> Run:
        """What all rules say, with the states; asks those that were not asked yet."""
        for _ in self.verdicts(pause=pause):
            pass
        return self._hearing.whole()

    def remedies(self, pause: Pause | None = None) -> Iterator[Finding]:
        """Each finding with its proven remedies and its advice; afterwards :attr:`findings` is there.

        A search that ``pause`` ended starts anew: its budget is counted in runs,
        and what it finds must not depend on where it was stopped.
        """
        if self._findings is not None:
            yield from self._findings
            return
        if not self.whole(pause).findings:
            self._findings = ()
            return
        bench = Bench(self.ruleset, self.raw, self.circuit, study=self._hearing.study, pause=pause)
        yield from bench.one_by_one()
        self._findings = bench.findings()  # with the causes that the proofs show; nothing is run twice

    @property
    def findings(self) -> tuple[Finding, ...] | None:
        """All findings with remedies, advice and causes, once everything has been tried."""
        return self._findings

    def review(self) -> Review:
        """The whole review, remedies included."""
        for _ in self.remedies():
            pass
        return to_review(self.whole(), self.ruleset, self._findings or ())
