"""Accepted findings: what a document's waivers cover, and whether each is still in force.

A waiver takes a finding out of the count only while it is in force.  One that
has expired, cannot be read, covers nothing, or was given for better numbers
takes out nothing, and is told with the reason.  The date is given by whoever
asks: nothing here reads a clock, so the same bytes and date give the same answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from schemas.circuit import Waiver
from schemas.finding import Finding
from schemas.problems import Complaint, Problem, nearest_name
from schemas.quantities import format_quantity
from schemas.values import accepted_number
from service.margins import LEEWAY

if TYPE_CHECKING:
    from service.ruleset import Ruleset

Status = Literal["in-force", "expired", "malformed", "unused", "changed", "not-waivable", "not-judged"]
Changed = Callable[["Entry", Finding], "str | None"]

NOT_WAIVABLE = frozenset({"extra-low-voltage", "supply-short"})
"""Rules that no waiver can silence: they guard people, and against fire."""
UNWRITTEN = {"reason": "write down why this is accepted", "owner": "write down who answers for it"}
"""What an editor that draws up a waiver leaves to a person to write; until then it waives nothing."""


@dataclass(frozen=True, slots=True)
class MalformedWaiver:
    """A waiver that cannot be used, as far as it could be read; ``problems`` say where and why."""

    pointer: str
    rule: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    reason: str
    owner: str
    expires: str
    problems: tuple[Problem, ...]

    @property
    def fault(self) -> str:
        """All problems in words, without lines: a request need not have those of the file it came from."""
        return "; ".join(f"{problem.pointer}: {problem.message}" for problem in self.problems)


@dataclass(frozen=True, slots=True)
class Entry:
    """One waiver of a document with its place; ``fault`` says why it cannot be used, if so."""

    pointer: str
    rule: str
    parts: tuple[str, ...]
    nets: tuple[str, ...]
    reason: str
    owner: str
    expires: str
    accepted: float | str | None = None
    fault: str = ""

    def covers(self, finding: Finding) -> bool:
        """The same rule, and each list that is given names just what the finding names."""
        return (
            bool(self.parts or self.nets)
            and self.rule == finding.rule
            and (not self.parts or set(self.parts) == set(finding.parts))
            and (not self.nets or set(self.nets) == set(finding.nets))
        )


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one waiver, or of one waiver for one finding; ``covers`` are identities."""

    entry: Entry
    status: str
    explanation: str
    covers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """All waivers of a document: a verdict on each, in order, and the one that stands at each finding."""

    waivers: tuple[Verdict, ...]
    findings: Mapping[str, Verdict]


NONE_JUDGED = Judged((), MappingProxyType({}))


def entries(waivers: Sequence[Waiver], malformed: Sequence[MalformedWaiver] = ()) -> tuple[Entry, ...]:
    """The waivers in the order of the document: those that read, between those that do not."""
    if not waivers and not malformed:
        return ()
    bad = {item.pointer: item for item in malformed}
    if "/waivers" in bad:  # the list as a whole
        return (_unusable(bad["/waivers"]),)
    good, made = list(waivers), []
    for index in range(len(waivers) + len(bad)):
        pointer = f"/waivers/{index}"
        if pointer in bad:
            made.append(_unusable(bad[pointer]))
        else:
            w = good.pop(0)
            made.append(Entry(pointer, w.rule, w.parts, w.nets, w.reason, w.owner, w.expires, w.accepted,
                              _unwritten(w)))  # fmt: skip
    return tuple(made)


def _unwritten(waiver: Waiver) -> str:
    """What nobody has written yet, in words; empty where nothing is missing."""
    left = [name for name, text in UNWRITTEN.items() if getattr(waiver, name) == text]
    if not left:
        return ""
    return f"its {' and its '.join(left)} {'have' if len(left) > 1 else 'has'} still to be written"


def _unusable(item: MalformedWaiver) -> Entry:
    return Entry(item.pointer, item.rule, item.parts, item.nets, item.reason, item.owner, item.expires,
                 fault=item.fault)  # fmt: skip


def judge(
    found: Sequence[Entry],
    findings: Iterable[Finding],
    ruleset: Ruleset,
    today: date | None,
    changed: Changed | None = None,
) -> Judged:
    """Every waiver against the findings at the date ``today``.

    ``changed`` says in words how the numbers of a finding left what a waiver was given for, else ``None``;
    unless given, the member ``accepted`` decides.  Without ``today`` no waiver is in force.
    """
    if not found:
        return NONE_JUDGED
    every = list(findings)
    compare = changed or numbers_changed
    verdicts: list[Verdict] = []
    at: dict[str, Verdict] = {}
    for entry in found:
        each = [(item, *_standing(entry, item, today, compare)) for item in every if entry.covers(item)]
        covers = tuple(item.identity for item, _, _ in each)
        for item, status, words in each:
            before = at.get(item.identity)
            if before is None or (status == "in-force" and before.status != "in-force"):
                at[item.identity] = Verdict(entry, status, words, (item.identity,))
        # the finding that fares worst speaks for the waiver
        worst = next((e for e in each if e[1] != "in-force"), each[0] if each else None)
        if worst is not None:
            verdicts.append(Verdict(entry, worst[1], worst[2], covers))
        else:
            verdicts.append(Verdict(entry, *_idle(entry, every, ruleset, today)))
    return Judged(tuple(verdicts), at)


def is_in_force(judged: Judged, finding: Finding) -> bool:
    """Does a waiver in force stand at this finding?"""
    verdict = judged.findings.get(finding.identity)
    return verdict is not None and verdict.status == "in-force"


def _standing(entry: Entry, finding: Finding, today: date | None, changed: Changed) -> tuple[Status, str]:
    """Status and explanation of a waiver at a finding that it covers."""
    if entry.fault:
        return "malformed", f"it counts as expired: {entry.fault}"
    if entry.rule in NOT_WAIVABLE:
        return "not-waivable", f"a finding of {entry.rule} can never be waived"
    if today is None:
        return "not-judged", "no date was given to judge it by, so it waives nothing"
    try:
        last = date.fromisoformat(entry.expires)
    except ValueError:  # of a circuit that was built by hand; a document's dates are checked when it is read
        return "malformed", f"it counts as expired: {entry.expires!r} is not a date"
    if last < today:
        return "expired", f"it was in force to {entry.expires}, {_days((today - last).days)} ago"
    try:
        moved = changed(entry, finding)
    except Complaint as complaint:
        return "malformed", f"it counts as expired: {_said(entry, complaint)}"
    if moved is not None:
        return "changed", moved
    left = (last - today).days
    return "in-force", f"in force to {entry.expires}, " + (f"{_days(left)} more" if left else "the last day")


def _said(entry: Entry, complaint: Complaint) -> str:
    return str(Problem.of(f"{entry.pointer}/accepted", complaint))


def _idle(
    entry: Entry, findings: Sequence[Finding], ruleset: Ruleset, today: date | None
) -> tuple[Status, str]:
    """Status and explanation of a waiver that covers nothing."""
    if entry.fault:
        return "malformed", f"it counts as expired: {entry.fault}"
    known = known_rules(ruleset)
    if entry.rule not in known:
        nearest = nearest_name(entry.rule, known)
        return "unused", f"no rule is called {entry.rule}" + (f"; nearest: {nearest}" if nearest else "")
    if entry.rule in NOT_WAIVABLE:
        return "not-waivable", f"a finding of {entry.rule} can never be waived; take the waiver out"
    if today is None:
        return "not-judged", "no date was given to judge it by, so it waives nothing"
    left_out = next((item for item in ruleset.left_out if item.name == entry.rule), None)
    if left_out is not None:
        return "unused", f"the rule is not run: {left_out.reason}"
    if entry.rule not in {item.slug for item in ruleset.rules}:
        return "unused", "the rule could not be loaded, so nothing can be said of it"
    told = f"{entry.rule} has no finding that names just {_named(entry)}"
    named = {*entry.parts, *entry.nets}
    near = [f for f in findings if f.rule == entry.rule and named & {*f.parts, *f.nets}]
    if near:
        return "unused", f"{told}; it has one that names {_named(near[0])}"
    return "unused", f"{told}; take the waiver out"


def _named(item: Entry | Finding) -> str:
    return ", ".join((*item.parts, *(f"net {net}" for net in item.nets)))


def known_rules(ruleset: Ruleset) -> Collection[str]:
    """The slugs of all rules that are installed, whether they run or not."""
    return {
        *(entry.slug for entry in ruleset.rules),
        *(item.name for item in ruleset.left_out),
        *(fault.name for fault in ruleset.faults),
    }


def numbers_changed(entry: Entry, finding: Finding) -> str | None:
    """How the finding is worse than what was accepted, in words; ``None`` while it is not.

    Raises :class:`schemas.problems.Complaint` where ``accepted`` is of another dimension than the test.
    """
    if entry.accepted is None:
        return None
    test = finding.test
    accepted = accepted_number(entry.accepted, test.unit)
    sized = test.right if test.right != 0.0 and math.isfinite(test.right) else accepted
    worse = accepted - test.left if test.relation in (">=", ">") else test.left - accepted
    if not worse > LEEWAY * abs(sized):
        return None
    was, now = tell_apart(accepted, test.left, test.unit)
    limit = format_quantity(test.right, test.unit)
    return f"it was given for {was} and the finding now has {now} (limit {limit})"


def tell_apart(one: float, other: float, unit: str) -> tuple[str, str]:
    """Two quantities as text, with as many digits as it takes to tell them apart."""
    for digits in (4, 6, 9, 12):
        texts = format_quantity(one, unit, digits), format_quantity(other, unit, digits)
        if texts[0] != texts[1]:
            break
    return texts


def _days(count: int) -> str:
    return f"{count} day" if count == 1 else f"{count} days"
