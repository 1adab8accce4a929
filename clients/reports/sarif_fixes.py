"""Proven remedies as SARIF fixes (section 3.55): the smallest replacements, with the numbers of the proof."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from clients.edit_text import CannotEdit
from clients.reports.entry import Entry, Finding
from clients.reports.sarif_places import artifact_location, region
from clients.reports.words import described, proven
from clients.splices import edits_of

Json = dict[str, Any]
Remedy = Mapping[str, Any]


def fixes(entry: Entry, finding: Finding) -> list[Json]:
    """Every proven remedy that can be written into the text, smallest change first as the review has them."""
    made: list[Json] = []
    for remedy in proven(finding):
        item = fix(entry, remedy)
        if item is not None and item not in made:
            made.append(item)
    return made


def fix(entry: Entry, remedy: Remedy) -> Json | None:
    """``None`` where there is no file, or no text that can be edited without doubt."""
    artifact = artifact_location(entry)
    if artifact is None or entry.text is None:
        return None
    text = entry.text
    try:
        edits = edits_of(text.text, text.spelling, remedy.get("patch") or ())
    except CannotEdit:
        return None
    if not edits:
        return None
    replacements = []
    for start, end, new in edits:
        inserted = {"insertedContent": {"text": new}} if new else {}
        replacements.append({"deletedRegion": region(text, start, end), **inserted})
    return {"description": {"text": described(remedy)},
            "artifactChanges": [{"artifactLocation": artifact, "replacements": replacements}]}
