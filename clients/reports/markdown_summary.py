"""A summary in Markdown (with tables), short enough for a comment on a merge request."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from clients.reports.entry import (
    SEVERITIES,
    Entry,
    Finding,
    consequences,
    counts,
    is_waived,
    ordered,
    relative_margin,
)
from clients.reports.words import (
    course,
    fell,
    inequality,
    justification,
    many,
    percent,
    proven,
    subject,
    terms_text,
    unjudged_texts,
)

HEAD = ("Finding", "Number", "Limit", "Margin before", "Margin now", "Mend")
MARKS = ("new", "worsened", "known")
LONGEST_CELL = 200
WAIVERS: tuple[tuple[str, str], ...] = (
    ("expired", "expired, no longer in force"), ("malformed", "malformed, counted as expired"),
    ("changed", "no longer in force, the number got worse"),
    ("not-waivable", "of a rule that takes no waiver"),
    ("withdrawn", "taken away by this change"),
    ("proposed", "proposed by this change, in force once it is merged"),
    ("unused", "unused, may be deleted"), ("in-force", "in force"),
    ("not-judged", "not judged, no date given"))
"""Status of a waiver and how its group is called, in the order in which they are told."""

_SPECIAL = re.compile(r"([\\`*_\[\]#!|~$])")
_OPENING = re.compile(r"^(?:([-+=])|(\d+)([.)]))")
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "@": "&#64;"}


def markdown(entries: Iterable[Entry], *, threshold: str = "warning", rows: int = 20,
             title: str = "thumbrule", verdict: str | None = None) -> str:
    """The summary.  No table and no list has more than ``rows`` rows; the rest is counted.

    ``verdict`` is the sentence for the head, where the caller has a better one.
    """
    told = ordered(entries)
    blocks = [f"### {plain(title)}: {plain(verdict or verdict_of(told, threshold))}"]
    blocks += _unchecked(told, rows)
    blocks += _table(told, threshold, rows)
    blocks += _waivers(told, rows)
    blocks += _terms(told, rows)
    blocks += _unjudged(told, rows)
    blocks += _eroded(told, rows)
    blocks += _gone(told, rows)
    return "\n\n".join(blocks) + "\n"


def verdict_of(entries: Sequence[Entry], threshold: str) -> str:
    """``could not check 1 of 3 circuits; fails: 1 error, 2 warnings, and 1 consequence of these``."""
    unchecked = sum(entry.unchecked for entry in entries)
    roots, follow, rest = Counter[str](), 0, 0
    for entry in entries:
        below = consequences(entry.findings, threshold)
        for item in entry.findings:
            if not counts(item, threshold):
                rest += 1
            elif str(item["identity"]) in below:
                follow += 1
            else:
                roots[str(item["severity"])] += 1
    parts = [f"could not check {unchecked} of {many(len(entries), 'circuit')}"] if unchecked else []
    if roots:
        numbers = ", ".join(many(roots[name], name) for name in SEVERITIES if roots[name])
        also = f", and {many(follow, 'consequence')} of these" if follow else ""
        parts.append(f"fails: {numbers}{also}")
    elif not unchecked:
        parts.append("passes")
    return "; ".join(parts) + (f"; {many(rest, 'finding')} not counted" if rest else "")


def plain(text: Any) -> str:
    """``text`` on one line, with every character that Markdown or HTML might take for its own escaped."""
    line = " ".join(str(text).split())
    line = "".join(char for char in line if char.isprintable())
    return "".join(_ENTITIES.get(char) or _SPECIAL.sub(r"\\\1", char) for char in line)


def opening(text: Any) -> str:
    """The same at the beginning of a block, where a dash or a number would begin a list."""
    return _OPENING.sub(r"\2\\\1\3", plain(text))


def cell(text: Any) -> str:
    """The same, cut to a length that leaves a table readable."""
    line = " ".join(str(text).split())
    return plain(line if len(line) <= LONGEST_CELL else line[:LONGEST_CELL - 3].rstrip() + "...")


def _table(entries: Sequence[Entry], threshold: str, rows: int) -> list[str]:
    """The findings: what counts first; what follows from another one right below it."""
    found = [(entry, item, cause) for entry in entries for item, cause in _folded(entry, threshold)]
    if not found:
        return []
    found.sort(key=lambda row: _weight(row[2] or row[1], threshold))
    lines = [f"| {' | '.join(HEAD)} |", "|---|--:|--:|--:|--:|---|"]
    lines += [f"| {' | '.join(_row(entry, item, cause, threshold))} |" for entry, item, cause in found[:rows]]
    return ["\n".join(lines), *_more(len(found) - rows, "finding")]


def _folded(entry: Entry, threshold: str) -> Iterator[tuple[Finding, Finding | None]]:
    """Each finding that stands alone, then those that follow from it with it."""
    below = consequences(entry.findings, threshold)
    for root in sorted(entry.findings, key=lambda item: _weight(item, threshold)):
        if str(root["identity"]) not in below:
            yield root, None
            yield from ((item, root) for item in entry.findings if below.get(str(item["identity"])) is root)


def _weight(finding: Finding, threshold: str) -> tuple[bool, int, int]:
    """What counts first, then by severity, then by mark; else in the order of the reviews."""
    mark = str(finding.get("mark") or MARKS[0])
    return not counts(finding, threshold), SEVERITIES.index(str(finding["severity"])), MARKS.index(mark)


def _row(entry: Entry, finding: Finding, cause: Finding | None, threshold: str) -> list[str]:
    number, limit = inequality(finding.get("test") or {})
    words = [str(finding.get("mark") or ""), "waived" if is_waived(finding) else "", str(finding["severity"])]
    head = (" ".join(word for word in words if word), str(finding["rule"]), subject(finding))
    name = cell(": ".join(item for item in head if item))
    first = f"**{name}**" if counts(finding, threshold) else name
    before = finding.get("before") or {}
    return [f"{first}<br>{cell(entry.place(finding))}", cell(number), cell(limit),
            _margin(before.get("margin")), _margin(relative_margin(finding)),
            _mend(finding, cause, entry.searched)]


def _margin(part: float | None) -> str:
    return "" if part is None else cell(percent(float(part)))


def _mend(finding: Finding, cause: Finding | None, searched: bool) -> str:
    """The first proven remedy with its number before and after; else what it follows from."""
    found = proven(finding)
    if not found:
        if cause is not None:
            return f"follows from {cell(cause['rule'])}"
        return "no proven change" if searched else "not looked for"
    more = f" (or {len(found) - 1} more)" if len(found) > 1 else ""
    return f"{cell(found[0].get('summary', ''))}: {cell(course(found[0]['proof']))}{more}"


def _more(count: int, word: str) -> list[str]:
    return [f"and {many(count, f'more {word}')}"] if count > 0 else []


def _listed(head: str, items: Sequence[str], rows: int, word: str) -> list[str]:
    if not items:
        return []
    lines = "\n".join(f"- {item}" for item in items[:rows])
    return [f"**{head}**", lines, *_more(len(items) - rows, word)]


def _unchecked(entries: Sequence[Entry], rows: int) -> list[str]:
    items = []
    for entry in entries:
        items += [f"{opening(entry.label)}: {cell(text)}" for text in entry.incomplete]
        failed = sorted({str(item["rule"]) for item in entry.outcomes("failed")})
        items += [f"{opening(entry.label)}: {plain(rule)} could not be run" for rule in failed]
    return _listed("Could not check", items, rows, "reason")


def _waivers(entries: Sequence[Entry], rows: int) -> list[str]:
    """A line per waiver, by status; those in force are only counted."""
    grouped: dict[str, list[str]] = {}
    for entry in entries:
        for waiver in entry.waivers:
            text = f"{opening(entry.label)}: {_waiver(waiver)}"
            grouped.setdefault(str(waiver.get("status")), []).append(text)
    names = dict(WAIVERS)
    items = []
    for status in (*names, *sorted(set(grouped) - set(names))):
        if status in grouped and status != "in-force":
            items += [f"{names.get(status, plain(status))}: {text}" for text in grouped[status]]
    if grouped.get("in-force"):
        items.append(f"{names['in-force']}: {len(grouped['in-force'])}")
    return _listed("Waivers", items, rows, "waiver")


def _waiver(waiver: Mapping[str, Any]) -> str:
    names = subject(waiver)
    text = str(waiver.get("rule") or "no rule") + (f" for {names}" if names else "")
    said = f"; {waiver['explanation']}" if waiver.get("explanation") else ""
    return cell(f"{text}: {justification(waiver)}{said}")


def _terms(entries: Sequence[Entry], rows: int) -> list[str]:
    """What makes findings go away without mending anything, or brings them."""
    items = [f"{opening(entry.label)}: {cell(terms_text(item))}" for entry in entries for item in entry.terms]
    return _listed("Judged by other terms", items, rows, "term")


def _unjudged(entries: Sequence[Entry], rows: int) -> list[str]:
    items = [f"{opening(entry.label)}: {cell(text)}"
             for entry in entries for text in unjudged_texts(entry.unjudged)]  # fmt: skip
    return _listed("Not judged any more", items, rows, "verdict")


def _eroded(entries: Sequence[Entry], rows: int) -> list[str]:
    """Margins that got smaller although the rule is still satisfied."""
    found = [(entry, item) for entry in entries for item in entry.eroded]
    items = [f"{opening(entry.label)}: {cell(fell(item))}" for entry, item in found]
    return _listed("Still satisfied, with less margin", items, rows, "margin")


def _gone(entries: Sequence[Entry], rows: int) -> list[str]:
    found = [(entry, item) for entry in entries for item in entry.gone]
    items = [f"{opening(entry.label)}: {cell(item['rule'])}: {cell(subject(item))}" for entry, item in found]
    return _listed("Gone", items, rows, "finding")
