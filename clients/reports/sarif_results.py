"""Findings and outcomes as SARIF results (section 3.27)."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from typing import Any

from clients.render_values import finding_value, short_name
from clients.reports.entry import Entry, Finding, relative_margin
from clients.reports.sarif_fixes import fixes
from clients.reports.sarif_places import location
from clients.reports.sarif_rules import Catalogue
from clients.reports.words import inequality, justification
from schemas.problems import escape

Json = dict[str, Any]
Outcome = Mapping[str, Any]

IDENTITY = "thumbrule/identity/v1"
OUTCOME = "thumbrule/outcome/v1"
LINE_HASH = "primaryLocationLineHash"

STATES: Mapping[str, str] = {"new": "new", "known": "unchanged", "worsened": "updated"}
"""Our mark -> ``baselineState``; what is gone is ``absent``."""
KINDS: Mapping[str, str] = {"undecided": "open", "not-applicable": "notApplicable", "satisfied": "pass"}
"""Our kind of outcome -> ``kind``; all of these have the level ``none`` (section 3.27.9)."""
STATUSES: Mapping[str, str] = {"in-force": "accepted", "proposed": "underReview", "not-judged": "underReview"}
"""Status of a waiver -> status of a suppression; any other does not hold and is ``rejected``."""

_BAG = ("identity", "role", "state", "corner", "test", "evidence", "margin", "before", "caused_by", "mark",
        "why", "counts", "places", "advice", "occurrences")


def finding_results(entry: Entry, catalogue: Catalogue, suppressing: bool) -> Iterator[Json]:
    """Every finding, then what is gone.  With ``suppressing`` each has an array of suppressions."""
    compared = entry.comparison is not None
    for finding in entry.findings:
        made = _result(entry, finding, catalogue, placed=True)
        if compared:
            made["baselineState"] = STATES[str(finding["mark"])]
        if suppressing:
            made["suppressions"] = suppressions(entry, finding)
        yield made
    for finding in entry.gone:
        made = _result(entry, finding, catalogue, placed=False)
        made["baselineState"] = "absent"
        if suppressing:
            made["suppressions"] = []
        yield made


def _result(entry: Entry, finding: Finding, catalogue: Catalogue, placed: bool) -> Json:
    pointers = [str(pointer) for pointer in finding.get("pointers") or ()]
    first = pointers[0] if pointers else ""
    related = _related(entry, finding, first) if placed else []
    slug = str(finding["rule"])
    made: Json = {
        **catalogue.reference(slug), "kind": "fail", "level": str(finding["severity"]),
        "message": {"text": _message(finding, related)},
        "locations": [location(entry, first, placed=placed)],
    }
    if related:
        made["relatedLocations"] = [item for _, item in related]
    taxon = catalogue.taxon(slug)
    if taxon is not None:
        made["taxa"] = [taxon]
    made["partialFingerprints"] = _fingerprints(entry, finding, first if placed else None)
    offered = fixes(entry, finding) if placed else []
    if offered:
        made["fixes"] = offered
    bag = {**finding, "margin": relative_margin(finding)}
    made["properties"] = {key: bag[key] for key in _BAG if bag.get(key) not in (None, [], "")}
    return made


def _message(finding: Finding, related: list[tuple[str, Json]]) -> str:
    """The message of the finding, then links to the related locations: its first sentence stands alone."""
    text = literal(str(finding.get("message", "")))
    if not related:
        return text
    links = ", ".join(f"[{literal(name)}]({item['id']})" for name, item in related)
    return f"{text} See {links}."


def literal(text: str) -> str:
    """``text`` with what has a meaning in a message string escaped (3.11.5 and 3.11.6, from memory)."""
    for mark, escaped in (("\\", "\\\\"), ("[", "\\["), ("]", "\\]"), ("{", "{{"), ("}", "}}")):
        text = text.replace(mark, escaped)
    return text


def _related(entry: Entry, finding: Finding, first: str) -> list[tuple[str, Json]]:
    """The other places that the inequality rests on, each once, with ids from 1: name and location."""
    told: dict[str, str] = {}
    for item in finding.get("evidence") or ():
        pointer = item.get("pointer")
        if pointer and pointer != first:
            told.setdefault(str(pointer), _evidence(item))
    for pointer in (finding.get("pointers") or ())[1:]:
        told.setdefault(str(pointer), "also concerned")
    return [(short_name(pointer), {"id": at, **location(entry, pointer), "message": {"text": literal(text)}})
            for at, (pointer, text) in enumerate(told.items(), 1)]


def _evidence(item: Mapping[str, Any]) -> str:
    value = finding_value(item.get("value"), str(item.get("unit", "")))
    return f"{item.get('symbol', '')} = {value}, {item.get('meaning', '')} ({item.get('origin', '')})"


def _fingerprints(entry: Entry, finding: Finding, pointer: str | None) -> Json:
    """Our identity, and a hash of the line for hosts that know no other; neither holds a line number."""
    made: Json = {IDENTITY: str(finding["identity"])}
    if pointer is not None and entry.text is not None:
        line = entry.text.line_text(entry.text.token(pointer)[0])
        made[LINE_HASH] = hashlib.sha256(" ".join(line.split()).encode()).hexdigest()[:16]
    return made


def number_line_hashes(results: list[Json]) -> None:
    """Tell apart results of one rule on lines of one wording: the first is ``:1``, the next ``:2``."""
    seen: dict[tuple[str, str, str], int] = {}
    for result in results:
        prints = result["partialFingerprints"]
        if LINE_HASH in prints:
            place = result["locations"][0].get("physicalLocation", {}).get("artifactLocation", {})
            key = (str(place.get("uri")), result["ruleId"], prints[LINE_HASH])
            seen[key] = seen.get(key, 0) + 1
            prints[LINE_HASH] += f":{seen[key]}"


def suppressions(entry: Entry, finding: Finding) -> list[Json]:
    """The waivers that cover a finding, in force or not."""
    return [_suppression(entry, waiver) for waiver in entry.covering(finding)]


def _suppression(entry: Entry, waiver: Mapping[str, Any]) -> Json:
    """One waiver; one of the base has no line here."""
    status = str(waiver.get("status"))
    return {
        "kind": "inSource", "status": STATUSES.get(status, "rejected"),
        "justification": justification(waiver),
        "location": location(entry, str(waiver.get("pointer") or ""), placed=waiver.get("side") != "base"),
        "properties": {"status": status},
    }


def outcome_results(entry: Entry, catalogue: Catalogue, everything: bool) -> Iterator[Json]:
    """Outcomes that are no findings: undecided ones, and with ``everything`` all others too."""
    for outcome in entry.outcomes(*(KINDS if everything else ("undecided",))):
        slug = str(outcome["rule"])
        subject = [str(name) for name in outcome.get("subject") or ()]
        made: Json = {**catalogue.reference(slug), "kind": KINDS[str(outcome["kind"])], "level": "none",
                      "message": {"text": literal(_told(outcome, subject))},
                      "locations": [location(entry, _subject_pointer(entry, subject))]}
        taxon = catalogue.taxon(slug)
        if taxon is not None:
            made["taxa"] = [taxon]
        made["partialFingerprints"] = {OUTCOME: "/".join([slug, *subject])}
        bag = {key: outcome[key] for key in ("state", "corner", "test") if outcome.get(key) is not None}
        yield {**made, "properties": {**bag, "subject": subject}}


def _subject_pointer(entry: Entry, subject: list[str]) -> str:
    """Where the first of the subject stands that the text has; the document itself if none."""
    for name in subject:
        for section in ("parts", "nets"):
            pointer = f"/{section}/{escape(name)}"
            if entry.text is not None and pointer in entry.text.positions:
                return pointer
    return ""


def _told(outcome: Outcome, subject: list[str]) -> str:
    said = {"undecided": "could not be decided", "not-applicable": "does not apply",
            "satisfied": "is satisfied"}[str(outcome["kind"])]
    text = f"{outcome['rule']} {said}" + (f" for {', '.join(subject)}" if subject else "")
    test = outcome.get("test")
    if test and outcome["kind"] == "satisfied":
        text += f": {' '.join(inequality(test))}"
    reason = str(outcome.get("reason") or "")
    text += f": {reason}" if reason else ""
    return text if text.endswith(".") else f"{text}."
