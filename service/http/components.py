"""JSON Schemas (2020-12) of what the service answers.  Members may be added; those required always come."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from schemas.finding import SEVERITIES, Origin
from service.http.bench_components import BENCH
from service.http.comparison_components import COMPARISON
from service.http.course_components import COURSES
from service.http.lesson_components import lessons
from service.http.policy_components import POLICY
from service.http.schema_parts import (
    FLAG,
    NUMBER,
    OPTIONAL_NUMBER,
    OPTIONAL_TEXT,
    OUTCOME,
    POINTER,
    POSITIONS,
    TEXT,
    Schema,
    listing,
    mapping,
    or_null,
    record,
    ref,
)
from service.http.sheet_components import SHEETS
from service.waivers import Status

_INDEX: Schema = {
    "type": ["integer", "null"],
    "enum": [1, -1, 0, None],
    "description": "sign of the state's determinant; -1 means unstable",
}
_STATE = {
    "name": TEXT,
    "stable": FLAG,
    "index": _INDEX,
    "devices": mapping(TEXT),
    "nets": mapping(OPTIONAL_NUMBER),
    "currents": mapping(mapping(OPTIONAL_NUMBER)),
    "power": mapping(OPTIONAL_NUMBER),
}
_WAIVER = {
    "pointer": POINTER,
    "reason": TEXT,
    "owner": TEXT,
    "expires": TEXT,
    "status": {"enum": [*get_args(Status), "proposed", "withdrawn"]},
    "explanation": TEXT,
    "side": {"enum": ["base", "head"], "description": "in a comparison: whose waiver it is"},
}
_LIMITS = listing(ref("Limit"))
_RULE = {
    "slug": TEXT,
    "title": TEXT,
    "protects": TEXT,
    "rule_of_thumb": TEXT,
    "limits": _LIMITS,
    "waivable": FLAG,
    "api_level": {"type": "integer"},
    "distribution": TEXT,
    "version": TEXT,
}

OPERATION: Schema = record(
    {"op": {"enum": ["test", "add", "replace", "remove"]}, "path": POINTER, "value": {}},
    "value",
    description="one operation of a JSON Patch (RFC 6902)",
)

SCHEMAS: Mapping[str, Schema] = {
    "Assumed": record(
        {
            "pointer": POINTER,
            "quantity": TEXT,
            "value": {"type": ["number", "string", "null"]},
            "unit": TEXT,
            "source": TEXT,
        },
        description="a value that no one gave",
    ),
    "Quantity": record(
        {
            "symbol": TEXT,
            "meaning": TEXT,
            "value": OPTIONAL_NUMBER,
            "unit": TEXT,
            "origin": {"enum": list(get_args(Origin))},
            "pointer": OPTIONAL_TEXT,
            "source": OPTIONAL_TEXT,
        }
    ),
    "Test": record(
        {
            "left": OPTIONAL_NUMBER,
            "relation": {"enum": ["<=", ">=", "<", ">"]},
            "right": OPTIONAL_NUMBER,
            "unit": TEXT,
            "margin": OPTIONAL_NUMBER,
        },
        description="what should hold, and by how much it does",
    ),
    "Grounds": record(
        {
            "rule_of_thumb": TEXT,
            "formula": TEXT,
            "symbols": mapping(TEXT),
            "source": TEXT,
            "holds": TEXT,
            "fails": TEXT,
        }
    ),
    "Limit": record({"name": TEXT, "value": NUMBER, "unit": TEXT, "meaning": TEXT, "source": TEXT}),
    "Operation": OPERATION,
    "Proof": record(
        {
            "proven": FLAG,
            "reason": TEXT,
            "before": OPTIONAL_NUMBER,
            "after": OPTIONAL_NUMBER,
            "limit": OPTIONAL_NUMBER,
            "unit": TEXT,
            "corners": listing(TEXT),
            "effects": listing(ref("Quantity")),
        }
    ),
    "Remedy": record({"summary": TEXT, "patch": listing(ref("Operation")), "proof": ref("Proof")}),
    "Finding": record(
        {
            "identity": TEXT,
            "rule": TEXT,
            "severity": {"enum": list(SEVERITIES)},
            "parts": listing(TEXT),
            "nets": listing(TEXT),
            "pointers": listing(POINTER),
            "role": TEXT,
            "state": OPTIONAL_TEXT,
            "corner": OPTIONAL_TEXT,
            "message": TEXT,
            "evidence": listing(ref("Quantity")),
            "test": ref("Test"),
            "grounds": ref("Grounds"),
            "remedies": listing(ref("Remedy")),
            "advice": listing(TEXT),
            "caused_by": OPTIONAL_TEXT,
            "waiver": or_null(ref("StandingWaiver")),
            "occurrences": listing(
                record(
                    {
                        "state": OPTIONAL_TEXT,
                        "corner": OPTIONAL_TEXT,
                        "severity": {"enum": list(SEVERITIES)},
                        "left": OPTIONAL_NUMBER,
                        "margin": OPTIONAL_NUMBER,
                    }
                )
            ),
        },
        description="one violated rule at one place, with the numbers of its worst state and corner",
    ),
    "StandingWaiver": record(
        _WAIVER,
        "side",
        description="the waiver of the document that covers a finding; it counts only while it is in force",
    ),
    "Waiver": record(
        {
            **_WAIVER,
            "rule": TEXT,
            "parts": listing(TEXT),
            "nets": listing(TEXT),
            "accepted": {"type": ["number", "string", "null"]},
            "covers": listing({"type": "string", "description": "the identity of a finding"}),
        },
        "side",
        description="what became of one waiver of the document",
    ),
    "Outcome": record(OUTCOME),
    "StateSummary": record(
        {**POSITIONS, "name": TEXT, "stable": FLAG, "index": _INDEX, "devices": mapping(TEXT)}
    ),
    "TimedSummary": record(
        {
            **POSITIONS,
            "name": TEXT,
            "devices": mapping(TEXT),
            "held": mapping(OPTIONAL_NUMBER),
            "ends": {"type": "object"},
            "outcome": TEXT,
        },
        description="a state that exists only while a capacitor holds its voltage, at typical gain",
    ),
    "Review": record(
        {
            "circuit": TEXT,
            "ruleset": TEXT,
            "complete": FLAG,
            "states": listing(ref("StateSummary")),
            "timed": listing(ref("TimedSummary")),
            "findings": listing(ref("Finding")),
            "outcomes": listing(ref("Outcome")),
            "assumed": listing(ref("Assumed")),
            "cautions": listing(TEXT),
            "problems": listing(TEXT),
            "policy": listing(TEXT),
            "waivers": listing(ref("Waiver")),
        }
    ),
    "Ending": record(
        {
            "capacitor": TEXT,
            "voltage": OPTIONAL_NUMBER,
            "kind": TEXT,
            "changed": listing(TEXT),
            "current": OPTIONAL_NUMBER,
            "after": OPTIONAL_NUMBER,
        },
        description="where a state with held capacitors ceases to exist (V, A, s); null where it never does",
    ),
    "State": record(
        {**_STATE, "held": mapping(NUMBER), "ends": or_null(ref("Ending"))},
        "held",
        "ends",
        description="SI units; a current is positive into the part at that pin",
    ),
    "TimedState": record(
        {
            **_STATE,
            "held": mapping(NUMBER),
            "ends": ref("Ending"),
            "course": listing({"type": "object"}),
            "then": listing({"type": "object"}),
            "outcome": TEXT,
        },
        description="a state that exists while a capacitor holds its voltage, and what follows it",
    ),
    "States": record(
        {
            "circuit": TEXT,
            "complete": FLAG,
            "beta": TEXT,
            "held": mapping(NUMBER),
            "assumed": listing(ref("Assumed")),
            "configurations": listing(
                record(
                    {
                        **POSITIONS,
                        "reached_by": listing(TEXT),
                        "complete": FLAG,
                        "states": listing(ref("State")),
                        "timed": listing(ref("TimedState")),
                    }
                )
            ),
            "problems": listing(TEXT),
        }
    ),
    **COMPARISON,
    **COURSES,
    **BENCH,
    **SHEETS,
    "RemainingFinding": {"allOf": [ref("Finding"), record({"why": listing(TEXT)})]},
    "Mended": record(
        {
            "circuit": TEXT,
            "document": ref("Circuit"),
            "patch": listing(ref("Operation")),
            "applied": listing(
                record(
                    {
                        "identity": TEXT,
                        "rule": TEXT,
                        "pass": {"type": "integer", "minimum": 1},
                        "together": FLAG,
                        "clears": listing(TEXT),
                        "summary": TEXT,
                        "patch": listing(ref("Operation")),
                        "proof": ref("Proof"),
                    }
                )
            ),
            "restored": listing(TEXT),
            "remaining": listing(ref("RemainingFinding")),
            "withdrawn": OPTIONAL_TEXT,
            "review": ref("Review"),
        }
    ),
    "Rules": record({"rules": listing(record(_RULE))}),
    **lessons(_RULE),
    **POLICY,
    "PartTypes": record({"part_types": listing({"type": "object", "required": ["name"]})}),
    "Live": record({"live": {"const": True}}),
    "Ready": record(
        {
            "ready": FLAG,
            "ruleset": TEXT,
            "checks": listing(record({"name": TEXT, "ok": FLAG, "detail": TEXT})),
        }
    ),
    "Problem": record(
        {
            "type": {"type": "string", "format": "uri-reference"},
            "title": TEXT,
            "status": {"type": "integer"},
            "detail": TEXT,
            "errors": listing(
                record(
                    {
                        "pointer": {
                            "type": "string",
                            "description": "JSON Pointer into the body, or ?name for a query parameter",
                        },
                        "detail": TEXT,
                        "seen": TEXT,
                        "accepted": TEXT,
                        "nearest": TEXT,
                        "line": {"type": "integer", "minimum": 1},
                        "column": {"type": "integer", "minimum": 1},
                    },
                    "seen",
                    "accepted",
                    "nearest",
                    "line",
                    "column",
                )
            ),
        },
        description="RFC 9457",
    ),
}
