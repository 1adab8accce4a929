"""Locations of SARIF 2.1.0: artifact, region, logical location (sections 3.28 to 3.33)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from clients.reports.entry import STANDARD_INPUT, Entry
from schemas.problems import unescape

if TYPE_CHECKING:
    from clients.reports.places import Text

Json = dict[str, Any]


def uri(label: str) -> str | None:
    """A relative reference (RFC 3986) for a path with forward slashes; ``None`` for standard input.

    Everything but unreserved characters and slashes is percent-escaped as UTF-8, so that a colon never
    reads as a scheme.
    """
    return None if label == STANDARD_INPUT else quote(label, safe="/", errors="surrogateescape")


def artifact_location(entry: Entry) -> Json | None:
    found = uri(entry.label)
    return None if found is None else {"uri": found}


def region(text: Text, start: int, end: int) -> Json:
    """Offsets of code points as a region: all four numbers from 1, columns in UTF-16 units, end exclusive."""
    line, column = text.utf16(start)
    end_line, end_column = text.utf16(end)
    return {"startLine": line, "startColumn": column, "endLine": end_line, "endColumn": end_column}


def location(entry: Entry, pointer: str | None, *, placed: bool = True) -> Json:
    """Where ``pointer`` is: in the file, and in the data.

    With ``placed`` false without region, for what stands in another revision of the file.
    """
    made: Json = {}
    artifact = artifact_location(entry)
    if artifact is not None:
        made["physicalLocation"] = {"artifactLocation": artifact}
        if placed and entry.text is not None:
            token = entry.text.token(pointer or "")
            made["physicalLocation"]["region"] = region(entry.text, *token)
    if pointer:
        made["logicalLocations"] = [logical(entry.text if placed else None, pointer)]
    return made


def logical(text: Text | None, pointer: str) -> Json:
    """The pointer itself; the kinds are those that SARIF names for JSON (section 3.33.7)."""
    return {"name": unescape(pointer.rpartition("/")[2]), "fullyQualifiedName": pointer,
            "kind": _kind(text, pointer)}


def _kind(text: Text | None, pointer: str) -> str:
    if text is None or pointer not in text.positions:
        return "property"
    value = text.at(pointer)
    if isinstance(value, dict):
        return "object"
    if isinstance(value, list):
        return "array"
    return "value" if isinstance(text.at(pointer.rpartition("/")[0]), list) else "property"
