"""Judgements as diagnostics of the Language Server Protocol (LSP 3.17, section "PublishDiagnostics").

What is shown as what: a finding has its severity (error, warning; a note is
information); one that goes with another finding is a hint that leads there, and
so is one that a waiver takes out of the count.  A rule that failed is an error
at the head of the document, because silence would read as a pass; one that
lacks an input is a hint.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from lsprotocol import types as lsp

from clients.language_server.places import first_line, name_of, problem_span, range_of
from clients.language_server.reviewing import Judgement
from clients.language_server.snapshot import Snapshot
from schemas.finding import Finding, Outcome, Quantity
from schemas.problems import Problem
from schemas.problems import escape as escaped
from schemas.quantities import format_quantity
from service.waivers import UNWRITTEN, Verdict

SOURCE = "thumbrule"
MOST_RELATED = 12
SEVERITY = {
    "error": lsp.DiagnosticSeverity.Error,
    "warning": lsp.DiagnosticSeverity.Warning,
    "note": lsp.DiagnosticSeverity.Information,
}
HINT = lsp.DiagnosticSeverity.Hint
_OUT_OF_USE = ("expired", "malformed", "changed", "unused", "not-waivable")


@dataclass(frozen=True, slots=True)
class Abilities:
    """What the client can show; what it did not say it can is left out."""

    related: bool = False
    unnecessary: bool = False
    links: bool = False
    data: bool = False
    versions: bool = False

    @classmethod
    def of(cls, capabilities: lsp.ClientCapabilities) -> Abilities:
        text = capabilities.text_document
        told = text.publish_diagnostics if text is not None else None
        if told is None:
            return cls()
        tags = told.tag_support.value_set if told.tag_support is not None else ()
        return cls(bool(told.related_information), lsp.DiagnosticTag.Unnecessary in tags,
                   bool(told.code_description_support), bool(told.data_support), bool(told.version_support))


@dataclass(frozen=True, slots=True)
class Teller:
    """Turns judgements into diagnostics for one client; ``lessons`` is the address of a server with them."""

    abilities: Abilities
    lessons: str | None = None

    def diagnostics(self, judgement: Judgement) -> list[lsp.Diagnostic]:
        """Everything there is to show of one version, in the order of the text."""
        snapshot = judgement.snapshot
        made = [self._problem(snapshot, problem) for problem in snapshot.problems
                if not (judgement.document is not None and problem.pointer.startswith("/waivers"))]
        if snapshot.problems and not snapshot.complete:
            more = "checking stopped here; there may be more problems"
            made.append(self._plain(snapshot, first_line(snapshot), SEVERITY["note"], more, code="document"))
        every = (*judgement.findings, *judgement.earlier)
        made += [self._finding(judgement, finding, every) for finding in every]
        made += [self._waiver(snapshot, verdict) for verdict in judgement.waivers.waivers
                 if verdict.status in _OUT_OF_USE]
        for outcome in judgement.outcomes:
            if outcome.kind == "failed":
                made.append(self._failed(snapshot, outcome))
            elif outcome.kind == "undecided":
                made.append(self._undecided(snapshot, outcome))
        made += [self._plain(snapshot, first_line(snapshot), lsp.DiagnosticSeverity.Error, trouble)
                 for trouble in judgement.trouble]
        return sorted(made, key=_place)

    def _finding(self, judgement: Judgement, finding: Finding, every: tuple[Finding, ...]) -> lsp.Diagnostic:
        snapshot = judgement.snapshot
        pointer = pointer_of(finding)
        severity, tags, message = SEVERITY[finding.severity], None, finding.message
        waiver = judgement.waivers.findings.get(finding.identity)
        root = next((other for other in every if other.identity == finding.caused_by), None)
        if waiver is not None and waiver.status == "in-force":
            severity = HINT
            tags = [lsp.DiagnosticTag.Unnecessary] if self.abilities.unnecessary else None
            message += f"\nWaived: {waiver.entry.reason} ({waiver.explanation})."
        elif root is not None:
            severity = HINT
            message += f"\nGoes with {root.rule} at {', '.join(root.parts or root.nets) or 'the circuit'}."
        data = {"identity": finding.identity, "pointer": pointer, "version": snapshot.version,
                "rule": finding.rule}
        return lsp.Diagnostic(
            range=range_of(snapshot, pointer),
            severity=severity,
            code=finding.rule,
            code_description=self._link(finding.rule),
            source=SOURCE,
            message=message,
            tags=tags,
            related_information=self._related(snapshot, finding, root, every),
            data=data if self.abilities.data else None,
        )

    def _link(self, slug: str) -> lsp.CodeDescription | None:
        if self.lessons is None or not self.abilities.links:
            return None
        return lsp.CodeDescription(href=f"{self.lessons.rstrip('/')}/v1/rules/{slug}")

    def _related(self, snapshot: Snapshot, finding: Finding, root: Finding | None,
                 every: Iterable[Finding]) -> list[lsp.DiagnosticRelatedInformation] | None:
        """The finding this one goes with or that go with it, then every other place behind its numbers."""
        if not self.abilities.related:
            return None
        own = pointer_of(finding)
        told: dict[tuple[str, str], None] = {}
        if root is not None:
            told[pointer_of(root), f"the cause: {root.rule}"] = None
        for other in every:
            if other.caused_by == finding.identity:
                told[pointer_of(other), f"goes with it: {other.rule}"] = None
        behind: dict[str, str] = {}
        for quantity in finding.evidence:
            if quantity.pointer and quantity.pointer != own and quantity.pointer not in behind:
                behind[quantity.pointer] = told_of(quantity)
        for pointer in finding.pointers:
            if pointer != own and pointer not in behind:
                behind[pointer] = pointer.strip("/").replace("/", " ")
        told.update(dict.fromkeys(behind.items()))
        made = []
        for pointer, words in list(told)[:MOST_RELATED]:
            where = lsp.Location(snapshot.uri, range_of(snapshot, pointer))
            made.append(lsp.DiagnosticRelatedInformation(where, words))
        return made or None

    def _problem(self, snapshot: Snapshot, problem: Problem) -> lsp.Diagnostic:
        data: dict[str, Any] = {"pointer": problem.pointer, "version": snapshot.version}
        if problem.nearest is not None:
            data["nearest"] = problem.nearest
        return lsp.Diagnostic(
            range=snapshot.lines.range_of(*problem_span(snapshot, problem)),
            severity=lsp.DiagnosticSeverity.Error,
            code="document",
            source=SOURCE,
            message=problem.message,
            data=data if self.abilities.data else None,
        )

    def _waiver(self, snapshot: Snapshot, verdict: Verdict) -> lsp.Diagnostic:
        """A waiver that takes nothing out of the count."""
        entry, status = verdict.entry, verdict.status
        member = {"expired": "expires", "changed": "accepted", "unused": "rule", "not-waivable": "rule"}
        unwritten = [name for name, text in UNWRITTEN.items() if getattr(entry, name) == text]
        named = unwritten[0] if unwritten and status == "malformed" else member.get(status)
        pointer = entry.pointer + (f"/{named}" if named is not None else "")
        return lsp.Diagnostic(
            range=range_of(snapshot, pointer),
            severity=SEVERITY["note" if status == "unused" else "warning"],
            code="waiver",
            source=SOURCE,
            message=f"This waiver is not in force ({status.replace('-', ' ')}): {verdict.explanation}.",
            data={"pointer": entry.pointer, "version": snapshot.version} if self.abilities.data else None,
        )

    def _failed(self, snapshot: Snapshot, outcome: Outcome) -> lsp.Diagnostic:
        return self._plain(snapshot, first_line(snapshot), lsp.DiagnosticSeverity.Error,
                           f"{outcome.rule} could not judge this circuit: {outcome.reason}", outcome.rule)

    def _undecided(self, snapshot: Snapshot, outcome: Outcome) -> lsp.Diagnostic:
        span = first_line(snapshot)
        for name in outcome.subject:
            pointer = f"/parts/{escaped(name)}"
            if pointer in snapshot.positions:
                span = name_of(snapshot, pointer)
                break
        message = f"{outcome.rule} cannot decide: {outcome.reason}"
        return self._plain(snapshot, span, HINT, message, outcome.rule)

    def _plain(self, snapshot: Snapshot, span: tuple[int, int], severity: lsp.DiagnosticSeverity,
               message: str, rule: str | None = None, code: str = "review") -> lsp.Diagnostic:
        return lsp.Diagnostic(
            range=snapshot.lines.range_of(*span),
            severity=severity,
            code=rule or code,
            code_description=self._link(rule) if rule else None,
            source=SOURCE,
            message=message,
            data={"rule": rule, "version": snapshot.version} if rule and self.abilities.data else None,
        )


def pointer_of(finding: Finding) -> str:
    """The place that a finding is shown at."""
    return finding.pointers[0] if finding.pointers else ""


def told_of(quantity: Quantity) -> str:
    """One number behind a finding, in one line."""
    return f"{quantity.symbol} = {format_quantity(quantity.value, quantity.unit)}: {quantity.meaning}"


def _place(item: lsp.Diagnostic) -> tuple[Any, ...]:
    severity = item.severity or HINT
    return item.range.start.line, item.range.start.character, int(severity), str(item.code), item.message


def failure(message: str) -> lsp.Diagnostic:
    """What stands at the head of a document that was not judged at all."""
    start = lsp.Position(0, 0)
    return lsp.Diagnostic(range=lsp.Range(start, start), severity=lsp.DiagnosticSeverity.Error, code="review",
                          source=SOURCE, message=message)
