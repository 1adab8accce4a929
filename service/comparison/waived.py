"""Waivers in a comparison: those of the base judge, those that a change brings are only proposed.

So a change cannot exempt itself, neither by adding a waiver nor by giving one
more time; and taking a waiver out brings its finding back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from schemas.finding import Finding
from service.comparison.translation import Translation
from service.shapes import waiver_at, waiver_shape
from service.waivers import NOT_WAIVABLE, Changed, Entry, Judged, Verdict, judge, numbers_changed

if TYPE_CHECKING:
    from service.ruleset import Ruleset

Json = dict[str, Any]
_TERMS = ("reason", "owner", "expires", "accepted")


@dataclass(frozen=True, slots=True)
class Waived:
    """Every waiver of both sides as data, and the one of the base that stands at each finding."""

    told: tuple[Json, ...]
    judged: Judged

    def at(self, identity: str) -> Json | None:
        found = waiver_at(self.judged, identity)
        return None if found is None else {**found, "side": "base"}


def judged_by_base(
    base: Sequence[Entry],
    head: Sequence[Entry],
    names: Translation,
    findings: Sequence[Finding],
    ruleset: Ruleset,
    today: date | None,
    worsened: Mapping[str, str],
) -> Waived:
    """The waivers of both sides at the findings of the head.

    ``worsened`` says of findings (by identity) why they are worse than in the base.
    """

    def changed(entry: Entry, finding: Finding) -> str | None:
        """A waiver without a number was given for what the base had."""
        if entry.accepted is not None:
            return numbers_changed(entry, finding)
        return worsened.get(finding.identity)

    translated = [names.entry(entry) for entry in base]
    kept = {_key(entry) for entry in head if not entry.fault}
    verdicts = judge(translated, findings, ruleset, today, changed)
    withdrawn = {
        entry.pointer
        for entry in translated
        if not entry.fault and entry.rule not in NOT_WAIVABLE and _key(entry) not in kept
    }
    judged = Judged(
        tuple(_withdrawn(v) if v.entry.pointer in withdrawn else v for v in verdicts.waivers),
        _standing(verdicts, translated, withdrawn, findings, ruleset, today, changed),
    )
    as_written = {entry.pointer: entry for entry in base}
    told = [
        {**waiver_shape(replace(v, entry=as_written[v.entry.pointer])), "side": "base"}
        for v in judged.waivers
    ]
    told += _of_head(head, translated, findings, ruleset, today)
    return Waived(tuple(told), judged)


def _key(entry: Entry) -> tuple[str, frozenset[str], frozenset[str]]:
    return entry.rule, frozenset(entry.parts), frozenset(entry.nets)


def _withdrawn(verdict: Verdict) -> Verdict:
    left = "the finding counts again" if verdict.covers else "and what it was given for is gone"
    return replace(verdict, status="withdrawn", explanation=f"the change takes it out; {left}")


def _standing(
    verdicts: Judged, translated: Sequence[Entry], withdrawn: Set[str], findings: Sequence[Finding],
    ruleset: Ruleset, today: date | None, changed: Changed,
) -> Mapping[str, Verdict]:  # fmt: skip
    """The waiver at each finding: one that stays, if there is one, else one that was taken out."""
    if not withdrawn:
        return verdicts.findings
    staying = [entry for entry in translated if entry.pointer not in withdrawn]
    taken_out = {key: _withdrawn(v) for key, v in verdicts.findings.items() if v.entry.pointer in withdrawn}
    return {**taken_out, **judge(staying, findings, ruleset, today, changed).findings}


def _of_head(
    head: Sequence[Entry], translated: Sequence[Entry], findings: Sequence[Finding], ruleset: Ruleset,
    today: date | None,
) -> list[Json]:  # fmt: skip
    """What the change proposes: waivers that the base does not have, or has in other terms."""
    same = {_terms(entry) for entry in translated}
    terms = {_key(entry): entry for entry in translated if not entry.fault}
    told = []
    for verdict in judge([e for e in head if _terms(e) not in same], findings, ruleset, today).waivers:
        entry = verdict.entry
        if verdict.status not in ("malformed", "not-waivable"):
            words = "proposed by this change; it is in force only once it is in the base"
            if _key(entry) in terms:
                words += f" ({_changes(terms[_key(entry)], entry)})"
            if verdict.status not in ("in-force", "not-judged"):
                words += f"; and it would do nothing: {verdict.explanation}"
            verdict = replace(verdict, status="proposed", explanation=words)
        told.append({**waiver_shape(verdict), "side": "head"})
    return told


def _terms(entry: Entry) -> tuple[Any, ...]:
    return (*_key(entry), entry.reason, entry.owner, entry.expires, entry.accepted, bool(entry.fault))


def _changes(was: Entry, now: Entry) -> str:
    """``expires from 2026-01-31 to 2026-06-30``: the terms that a change gives a waiver of the base."""
    moved = [(name, getattr(was, name), getattr(now, name)) for name in _TERMS]
    return "it changes " + ", ".join(f"{name} from {a} to {b}" for name, a, b in moved if a != b)
