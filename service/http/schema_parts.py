"""How the JSON Schemas of the answers are put together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from schemas.finding import OutcomeKind

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
FLAG: Schema = {"type": "boolean"}
OPTIONAL_TEXT: Schema = {"type": ["string", "null"]}
OPTIONAL_NUMBER: Schema = {"type": ["number", "null"], "description": "null where undefined or infinite"}
OPTIONAL_FLAG: Schema = {"type": ["boolean", "null"]}
POINTER: Schema = {
    "type": "string",
    "pattern": "^(/.*)?$",
    "description": "JSON Pointer (RFC 6901) into the document",
}


def ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


def or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def listing(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def mapping(values: Schema) -> Schema:
    return {"type": "object", "additionalProperties": values}


def record(members: Mapping[str, Schema], *optional: str, description: str = "") -> Schema:
    """An object with all its members required, but for those named."""
    schema: Schema = {"type": "object"}
    if description:
        schema["description"] = description
    schema["required"] = [name for name in members if name not in optional]
    schema["properties"] = dict(members)
    return schema


POSITIONS = {
    "contacts": mapping({"enum": ["open", "closed"]}),
    "drivers": mapping({"enum": ["low", "high"]}),
}
OUTCOME = {
    "rule": TEXT,
    "kind": {"enum": list(get_args(OutcomeKind))},
    "subject": listing(TEXT),
    "reason": TEXT,
    "state": OPTIONAL_TEXT,
    "corner": OPTIONAL_TEXT,
    "test": or_null(ref("Test")),
    "identity": OPTIONAL_TEXT,
}
