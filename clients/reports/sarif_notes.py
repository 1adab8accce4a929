"""What kept a circuit from being checked, and waivers not in order: notifications (section 3.58)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from clients.reports.entry import Entry
from clients.reports.sarif_places import artifact_location, location
from clients.reports.sarif_results import literal
from clients.reports.sarif_rules import Catalogue
from clients.reports.words import subject

Json = dict[str, Any]

DESCRIPTORS: tuple[tuple[str, str], ...] = (
    ("check-incomplete", "Something kept a circuit from being checked as a whole."),
    ("document-unreadable", "A circuit file could not be read."),
    ("rule-failed", "A rule could not be run."),
    ("waiver-not-in-order", "A waiver does not hold, or nothing needs it."),
)
IN_ORDER = ("in-force", "proposed", "not-judged")


def descriptors() -> list[Json]:
    return [{"id": name, "shortDescription": {"text": text}} for name, text in DESCRIPTORS]


def _descriptor(name: str) -> Json:
    at = next(index for index, item in enumerate(DESCRIPTORS) if item[0] == name)
    return {"id": name, "index": at}


def execution_notes(entry: Entry, catalogue: Catalogue) -> Iterator[Json]:
    """Failed rules, an incomplete search, faults of the network."""
    for outcome in entry.outcomes("failed"):
        slug, reason = str(outcome["rule"]), str(outcome.get("reason") or "no reason given")
        yield {"descriptor": _descriptor("rule-failed"), "associatedRule": catalogue.associated(slug),
               "level": "error", "message": {"text": literal(f"{slug} could not be run: {reason}")},
               "locations": [location(entry, "")]}
    if entry.problem is None:
        for text in entry.incomplete:
            yield {"descriptor": _descriptor("check-incomplete"), "level": "error",
                   "message": {"text": literal(text)}, "locations": [location(entry, "")]}


def configuration_notes(entry: Entry) -> Iterator[Json]:
    """Documents that cannot be read, problem by problem; waivers that do not hold."""
    if entry.problem is not None:
        errors = [item for item in entry.problem.get("errors") or () if isinstance(item, Mapping)]
        for item in errors or [{"detail": entry.incomplete[0]}]:
            yield {"descriptor": _descriptor("document-unreadable"), "level": "error",
                   "message": {"text": literal(_problem_text(item))},
                   "locations": [_problem_place(entry, item)]}
    for waiver in entry.waivers:
        if waiver.get("status") not in IN_ORDER:
            yield {"descriptor": _descriptor("waiver-not-in-order"), "level": "warning",
                   "message": {"text": literal(waiver_text(waiver))},
                   "locations": [location(entry, str(waiver.get("pointer") or ""),
                                          placed=waiver.get("side") != "base")]}


def waiver_text(waiver: Mapping[str, Any]) -> str:
    """``The waiver of min-beta-drive for Q1 is expired: it ended on 2026-11-01.``"""
    names = subject(waiver)
    text = f"The waiver of {waiver.get('rule') or 'no rule'}" + (f" for {names}" if names else "")
    said = str(waiver.get("explanation") or "")
    text += f" is {str(waiver.get('status')).replace('-', ' ')}" + (f": {said}" if said else "")
    return text if text.endswith(".") else f"{text}."


def _problem_text(item: Mapping[str, Any]) -> str:
    parts = [str(item.get("detail") or "the document cannot be read")]
    for key, lead in (("seen", "seen"), ("accepted", "needed"), ("nearest", "did you mean")):
        if item.get(key):
            parts.append(f"{lead}: {item[key]}")
    return "; ".join(parts) + "."


def _problem_place(entry: Entry, item: Mapping[str, Any]) -> Json:
    """The reader's own line; the column is left out, because it counts code points."""
    made = location(entry, str(item.get("pointer") or ""), placed=False)
    artifact = artifact_location(entry)
    line = item.get("line")
    if artifact is not None and isinstance(line, int) and line >= 1:
        made["physicalLocation"] = {"artifactLocation": artifact, "region": {"startLine": line}}
    return made
