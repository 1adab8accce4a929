"""What can be done about a finding, as code actions (LSP 3.17, section "Code Action Request").

Every change is an edit of the text as it stands (:mod:`clients.splices`):
comments and layout stay, and the edited text is known to read back as the
document that was proven.  What cannot be done is offered greyed out, with the
reason, where the editor can show that.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from lsprotocol import types as lsp

from clients.language_server.diagnostics import pointer_of
from clients.language_server.places import problem_span, range_of
from clients.language_server.reviewing import Judgement
from clients.language_server.snapshot import Snapshot, take
from clients.splices import CannotEdit, Edit, applied, edits_of
from schemas.finding import Finding, Remedy
from schemas.problems import Problem
from schemas.quantities import format_quantity
from service.stages import Cancelled
from service.waivers import NOT_WAIVABLE, UNWRITTEN, entries, is_in_force, judge

FIX_ALL = "source.fixAll.thumbrule"
WAIVER_DAYS = 90
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_-]*\Z")


@dataclass(frozen=True, slots=True)
class ActionAbilities:
    """What the client can do with actions and edits."""

    versioned: bool = False
    disabled: bool = False
    preferred: bool = False
    resolves: bool = False

    @classmethod
    def of(cls, capabilities: lsp.ClientCapabilities) -> ActionAbilities:
        text, workspace = capabilities.text_document, capabilities.workspace
        action = text.code_action if text is not None else None
        edit = workspace.workspace_edit if workspace is not None else None
        resolve = action.resolve_support if action is not None and action.data_support else None
        return cls(
            versioned=edit is not None and bool(edit.document_changes),
            disabled=action is not None and bool(action.disabled_support),
            preferred=action is not None and bool(action.is_preferred_support),
            resolves=resolve is not None and "edit" in resolve.properties,
        )


@dataclass(frozen=True, slots=True)
class Actor:
    """Makes code actions for one client; ``owner`` signs waivers that start ``today``.

    ``proving``: remedies are searched for, so that a finding without any will get them.
    """

    abilities: ActionAbilities
    owner: str | None
    today: date
    proving: bool = True

    def actions(self, judgement: Judgement, reach: lsp.Range, shown: Sequence[lsp.Diagnostic],
                only: Sequence[str] = (), eager: bool = False) -> list[lsp.CodeAction]:
        """The actions for a range.  ``shown`` are the diagnostics that the client has there.

        ``eager``: the edit that mends everything is worked out now, for clients that cannot ask for it later.
        """
        made: list[lsp.CodeAction] = []
        if _wanted(lsp.CodeActionKind.QuickFix.value, only):
            found = [finding for finding in judgement.findings if _touches(judgement, finding, reach, shown)]
            for source, about in _sources(judgement, found, shown):
                made += self._remedies(judgement, source, about)
            for problem in judgement.snapshot.problems:
                made += self._nearest(judgement.snapshot, problem, reach, shown)
            for finding in found:
                made += self._waiver(judgement, finding, shown)
        if judgement.findings and _wanted(FIX_ALL, only):
            made += self._fix_all(judgement, eager)
        return made

    def is_ready(self, judgement: Judgement, reach: lsp.Range, shown: Sequence[lsp.Diagnostic]) -> bool:
        """Whether remedies were searched for at every finding in a range."""
        return all((finding.caused_by or finding.identity) in judgement.proven
                   for finding in judgement.findings if _touches(judgement, finding, reach, shown))

    def edit(self, snapshot: Snapshot, edits: Iterable[Edit]) -> lsp.WorkspaceEdit:
        """Edits of the text as an edit of the workspace."""
        return self.written(snapshot, [lsp.TextEdit(snapshot.lines.range_of(start, end), new)
                                       for start, end, new in edits])

    def written(self, snapshot: Snapshot, texts: list[lsp.TextEdit]) -> lsp.WorkspaceEdit:
        """Edits of the protocol as one of the workspace, with the version where the client knows versions."""
        if not self.abilities.versioned:
            return lsp.WorkspaceEdit(changes={snapshot.uri: texts})
        about = lsp.OptionalVersionedTextDocumentIdentifier(snapshot.uri, snapshot.version)
        return lsp.WorkspaceEdit(document_changes=[lsp.TextDocumentEdit(about, [*texts])])

    def mended(self, judgement: Judgement, pause: Callable[[], None]) -> lsp.WorkspaceEdit | None:
        """Everything that can be proven, as one edit; ``None`` where that is nothing.

        Takes long.  Raises :class:`service.stages.Cancelled` where ``pause``
        does, and :class:`clients.splices.CannotEdit`.
        """
        from service.mend import mend

        document, ruleset = judgement.document, judgement.ruleset
        if document is None or ruleset is None:
            return None
        waivers = entries(document.circuit.waivers)

        def accepted(finding: Finding) -> bool:
            return is_in_force(judge(waivers, [finding], ruleset, self.today), finding)

        found = mend(document.circuit, document.raw, ruleset, pause=pause, spared=accepted)
        failed = sorted({o.rule for o in found.review.outcomes if o.kind == "failed"})
        if failed and found.patch:
            raise CannotEdit(f"the proof is not whole: {', '.join(failed)} could not be run")
        if not found.patch:
            return None
        snapshot = judgement.snapshot
        return self.edit(snapshot, edits_of(snapshot.text, snapshot.spelling, found.patch))

    def _action(self, title: str, kind: str, diagnostics: Sequence[lsp.Diagnostic] = (),
                disabled: str | None = None, **more: Any) -> list[lsp.CodeAction]:
        """The action, or nothing where it is disabled and the client could not show that."""
        if disabled is not None and not self.abilities.disabled:
            return []
        reason = lsp.CodeActionDisabled(disabled) if disabled is not None else None
        return [lsp.CodeAction(title, kind, list(diagnostics) or None, disabled=reason, **more)]

    def _remedies(self, judgement: Judgement, finding: Finding,
                  about: Sequence[lsp.Diagnostic]) -> Iterator[lsp.CodeAction]:
        """Each proven remedy, then what could not be proven."""
        snapshot, kind = judgement.snapshot, lsp.CodeActionKind.QuickFix.value
        for rank, remedy in enumerate(finding.remedies):
            title = remedy_title(remedy)
            try:
                edits = edits_of(snapshot.text, snapshot.spelling, remedy.patch)
            except CannotEdit as cannot:
                yield from self._action(title, kind, about, str(cannot))
                continue
            first = True if rank == 0 and self.abilities.preferred else None
            yield from self._action(title, kind, about, edit=self.edit(snapshot, edits), is_preferred=first)
        if finding.identity not in judgement.proven:
            if self.proving and judgement.stage != "remedies":
                waiting = "remedies are still being proven; ask again in a moment"
                yield from self._action(f"Remedies for {finding.rule}", kind, about, waiting)
            return
        for advice in finding.advice:
            title, withdrawn, reason = advice.partition(": withdrawn: ")
            if withdrawn:
                yield from self._action(title, kind, about, f"not proven: {reason}")

    def _waiver(self, judgement: Judgement, finding: Finding,
                shown: Sequence[lsp.Diagnostic]) -> Iterator[lsp.CodeAction]:
        """Accepting a finding for a time; its reason has to be written by a person."""
        verdict = judgement.waivers.findings.get(finding.identity)
        if not (finding.parts or finding.nets) or (verdict is not None and verdict.status == "in-force"):
            return
        kind, snapshot = lsp.CodeActionKind.QuickFix.value, judgement.snapshot
        about = _about(judgement, finding, shown)
        renews = verdict is not None and verdict.status in ("expired", "changed")
        verb = "Renew the waiver of" if renews else "Waive"
        subject = ", ".join((*finding.parts, *finding.nets))
        title = f"{verb} {finding.rule} at {subject} for {WAIVER_DAYS} days"
        title += "" if renews else ": the reason is yours to write"
        if finding.rule in NOT_WAIVABLE:
            yield from self._action(title, kind, about, f"a finding of {finding.rule} can never be waived")
            return
        waiver = new_waiver(finding, self.owner or UNWRITTEN["owner"], self.today)
        patch = _adding(snapshot.raw, waiver)
        if verdict is not None and renews:
            place = verdict.entry.pointer
            patch = [{"op": "add", "path": f"{place}/{name}", "value": waiver[name]}
                     for name in ("expires", "accepted") if name in waiver]
        try:
            edits = edits_of(snapshot.text, snapshot.spelling, patch)
        except CannotEdit as cannot:
            yield from self._action(title, kind, about, str(cannot))
            return
        yield from self._action(title, kind, about, edit=self.edit(snapshot, edits))

    def _fix_all(self, judgement: Judgement, eager: bool) -> Iterator[lsp.CodeAction]:
        title, snapshot = "Mend everything proven", judgement.snapshot
        if judgement.stage == "remedies" and not any(finding.remedies for finding in judgement.findings):
            yield from self._action(title, FIX_ALL, disabled="no remedy is proven for any finding")
        elif self.abilities.resolves:
            yield from self._action(title, FIX_ALL, data={"uri": snapshot.uri, "version": snapshot.version})
        elif eager:
            try:
                edit = self.mended(judgement, lambda: None)
            except (CannotEdit, Cancelled) as cannot:
                yield from self._action(title, FIX_ALL, disabled=str(cannot))
                return
            if edit is not None:
                yield from self._action(title, FIX_ALL, edit=edit)

    def _nearest(self, snapshot: Snapshot, problem: Problem, reach: lsp.Range,
                 shown: Sequence[lsp.Diagnostic]) -> Iterator[lsp.CodeAction]:
        """The known name that was likely meant, where the text gets better by it."""
        if problem.nearest is None:
            return
        start, end = problem_span(snapshot, problem)
        where = snapshot.lines.range_of(start, end)
        if not _overlap(where, reach) or start == end:
            return
        plain = _PLAIN.match(problem.nearest) and snapshot.spelling == "yaml"
        quoted = snapshot.text[start] in "\"'"
        new = problem.nearest if plain and not quoted else json.dumps(problem.nearest)
        edit = (start, end, new)
        after = take(snapshot.uri, None, applied(snapshot.text, [edit]))
        if len(after.problems) >= len(snapshot.problems) and after.problems:
            return
        about = [item for item in shown if item.range == where]
        yield from self._action(f"Write {problem.nearest}", lsp.CodeActionKind.QuickFix.value, about,
                                edit=self.edit(snapshot, [edit]))


def remedy_title(remedy: Remedy) -> str:
    """What is changed, and the number it moves: before, after and limit."""
    proof = remedy.proof
    before = format_quantity(proof.before, proof.unit, 3)
    if proof.after is None:
        return f"{remedy.summary}: {before}, then the rule does not apply"
    after, limit = format_quantity(proof.after, proof.unit, 3), format_quantity(proof.limit, proof.unit, 3)
    return f"{remedy.summary}: {before} -> {after} (limit {limit})"


def new_waiver(finding: Finding, owner: str, today: date) -> dict[str, Any]:
    """A waiver for just this finding with the number it has now; the reason is left to be written."""
    waiver: dict[str, Any] = {"rule": finding.rule}
    if finding.parts:
        waiver["parts"] = list(finding.parts)
    if finding.nets:
        waiver["nets"] = list(finding.nets)
    last = today + timedelta(WAIVER_DAYS)
    waiver |= {"reason": UNWRITTEN["reason"], "owner": owner, "expires": last.isoformat()}
    if math.isfinite(finding.test.left):
        waiver["accepted"] = float(f"{finding.test.left:.6g}")
    return waiver


def _adding(raw: Any, waiver: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The patch that adds a waiver.  A list that cannot be read is not written over: the patch fails then."""
    there = raw.get("waivers") if isinstance(raw, Mapping) else None
    if there:
        return [{"op": "add", "path": "/waivers/-", "value": dict(waiver)}]
    return [{"op": "add", "path": "/waivers", "value": [dict(waiver)]}]


def _wanted(kind: str, only: Sequence[str]) -> bool:
    """Whether actions of a kind are asked for: a kind stands for all below it."""
    return not only or any(kind == wish or kind.startswith(f"{wish}.") for wish in only)


def _overlap(one: lsp.Range, other: lsp.Range) -> bool:
    def key(position: lsp.Position) -> tuple[int, int]:
        return position.line, position.character

    return key(one.start) <= key(other.end) and key(other.start) <= key(one.end)


def _touches(judgement: Judgement, finding: Finding, reach: lsp.Range,
             shown: Sequence[lsp.Diagnostic]) -> bool:
    where = range_of(judgement.snapshot, pointer_of(finding))
    return _overlap(where, reach) or bool(_about(judgement, finding, shown))


def _sources(judgement: Judgement, found: Sequence[Finding],
             shown: Sequence[lsp.Diagnostic]) -> list[tuple[Finding, list[lsp.Diagnostic]]]:
    """Whose remedies to offer, once each, with all diagnostics that they are for.

    A finding without remedies of its own that goes with another one is mended by the other's.
    """
    made: dict[str, tuple[Finding, list[lsp.Diagnostic]]] = {}
    for finding in found:
        root = judgement.finding(finding.caused_by) if finding.caused_by else None
        source = root if root is not None and not finding.remedies else finding
        made.setdefault(source.identity, (source, []))[1].extend(_about(judgement, finding, shown))
    return list(made.values())


def _about(judgement: Judgement, finding: Finding, shown: Sequence[lsp.Diagnostic]) -> list[lsp.Diagnostic]:
    """The diagnostics of the client that show this finding: by identity, else by rule and place."""
    where, found = range_of(judgement.snapshot, pointer_of(finding)), []
    for item in shown:
        identity = item.data.get("identity") if isinstance(item.data, Mapping) else None
        if identity == finding.identity or (identity is None and item.code == finding.rule
                                            and item.range == where):
            found.append(item)
    return found


