"""JSON Schemas (2020-12) of what the service answers.  Members may be added; those required always come."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, get_args

from rules.analysis.junction.happenings import HappeningKind
from rules.analysis.timeline.model import EventKind, Verdict
from schemas.finding import SEVERITIES, Origin, OutcomeKind

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
FLAG: Schema = {"type": "boolean"}
OPTIONAL_TEXT: Schema = {"type": ["string", "null"]}
OPTIONAL_NUMBER: Schema = {"type": ["number", "null"], "description": "null where undefined or infinite"}
POINTER: Schema = {
    "type": "string",
    "pattern": "^(/.*)?$",
    "description": "JSON Pointer (RFC 6901) into the document",
}


def ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


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


_POSITIONS = {
    "contacts": mapping({"enum": ["open", "closed"]}),
    "drivers": mapping({"enum": ["low", "high"]}),
}
_PLACE = {"state": TEXT, **_POSITIONS, "held": mapping(OPTIONAL_NUMBER)}
_SHARE = {"share": OPTIONAL_NUMBER, "low": NUMBER, "high": NUMBER, "confidence": NUMBER}
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
_LIMITS = listing(ref("Limit"))
_RULE = {
    "slug": TEXT,
    "title": TEXT,
    "protects": TEXT,
    "rule_of_thumb": TEXT,
    "limits": _LIMITS,
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
    "Outcome": record(
        {
            "rule": TEXT,
            "kind": {"enum": list(get_args(OutcomeKind))},
            "subject": listing(TEXT),
            "reason": TEXT,
            "state": OPTIONAL_TEXT,
            "corner": OPTIONAL_TEXT,
            "test": {"anyOf": [ref("Test"), {"type": "null"}]},
            "identity": OPTIONAL_TEXT,
        }
    ),
    "StateSummary": record(
        {**_POSITIONS, "name": TEXT, "stable": FLAG, "index": _INDEX, "devices": mapping(TEXT)}
    ),
    "TimedSummary": record(
        {
            **_POSITIONS,
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
        {**_STATE, "held": mapping(NUMBER), "ends": {"anyOf": [ref("Ending"), {"type": "null"}]}},
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
                        **_POSITIONS,
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
    "Event": record(
        {
            "at": OPTIONAL_NUMBER,
            "what": TEXT,
            "state": TEXT,
            "kind": {"enum": sorted({*get_args(EventKind), *get_args(HappeningKind)})},
            "parts": listing(TEXT),
            "reason": TEXT,
            "stored": mapping(OPTIONAL_NUMBER),
        },
        description="what happens when (s), the state after it, what capacitors (V) and coils (A) hold",
    ),
    "Interval": record(
        {
            "state": TEXT,
            "from": NUMBER,
            "to": OPTIONAL_NUMBER,
            "devices": mapping(TEXT),
            **_POSITIONS,
        },
        description="one mode from one time (s) to another; null where it never ends",
    ),
    "Threshold": record(
        {
            "part": TEXT,
            "voltage": NUMBER,
            "aim": OPTIONAL_NUMBER,
            "at": NUMBER,
            "kind": {"enum": ["jump", "region"]},
            "state": TEXT,
            "after": NUMBER,
        },
        description="the voltage (V) at which a capacitor ended a state, and the voltage it was bound for",
    ),
    "Timeline": record(
        {
            "circuit": TEXT,
            "stimulus": OPTIONAL_TEXT,
            "events": listing(ref("Event")),
            "intervals": listing(ref("Interval")),
            "nets": mapping(record({"at": listing(NUMBER), "voltage": listing(OPTIONAL_NUMBER)})),
            "verdict": {"enum": list(get_args(Verdict))},
            "period": OPTIONAL_NUMBER,
            "reason": TEXT,
            "start": TEXT,
            "beta": TEXT,
            "leakage": TEXT,
            "model": TEXT,
            "complete": FLAG,
            "before": {
                "anyOf": [
                    record(
                        {
                            "state": TEXT,
                            **_POSITIONS,
                            "nets": mapping(OPTIONAL_NUMBER),
                            "stored": mapping(OPTIONAL_NUMBER),
                        }
                    ),
                    {"type": "null"},
                ]
            },
            "drawn_to": NUMBER,
            "outputs": listing(TEXT),
            "stored": mapping(
                record(
                    {
                        "unit": {"enum": ["V", "A"]},
                        "nets": listing(TEXT),
                        "at": listing(NUMBER),
                        "value": listing(OPTIONAL_NUMBER),
                    }
                )
            ),
            "thresholds": listing(ref("Threshold")),
            "assumed": listing(ref("Assumed")),
            "problems": listing(TEXT),
        },
        description="times in s; a time that comes twice is a jump, null is a gap",
    ),
    "Varied": record(
        {
            "part": TEXT,
            "member": TEXT,
            "low": NUMBER,
            "nominal": NUMBER,
            "high": NUMBER,
            "unit": TEXT,
            "origin": {"enum": list(get_args(Origin))},
            "pointer": POINTER,
            "source": TEXT,
        },
        description="the interval from which one value is drawn; part is empty where all share the value",
    ),
    "SpreadState": record(
        {**_PLACE, "found": {"type": "integer"}, **_SHARE},
        description="how many samples have a state",
    ),
    "SpreadQuantity": record(
        {
            "kind": {"enum": ["net-voltage", "delay"]},
            "name": TEXT,
            **_PLACE,
            "unit": TEXT,
            "nominal": OPTIONAL_NUMBER,
            "count": {"type": "integer"},
            "low": OPTIONAL_NUMBER,
            "median": OPTIONAL_NUMBER,
            "high": OPTIONAL_NUMBER,
            "mean": OPTIONAL_NUMBER,
            "deviation": OPTIONAL_NUMBER,
            "worst": {
                "anyOf": [
                    record(
                        {
                            "low": OPTIONAL_NUMBER,
                            "high": OPTIONAL_NUMBER,
                            "low_corner": TEXT,
                            "high_corner": TEXT,
                            "exact": FLAG,
                            "note": TEXT,
                        }
                    ),
                    {"type": "null"},
                ]
            },
            "root_sum_square": OPTIONAL_NUMBER,
            "never": {"type": "integer", "description": "samples whose delay never ends"},
        },
        "never",
        description="low, median and high are the 0.5, 50 and 99.5 % quantiles of the samples",
    ),
    "Yield": record(
        {
            "requirement": TEXT,
            "kind": TEXT,
            "pointer": POINTER,
            "unit": TEXT,
            "at_least": OPTIONAL_NUMBER,
            "at_most": OPTIONAL_NUMBER,
            "passed": {"type": "integer"},
            **_SHARE,
        },
        description="the share of samples that meets a requirement",
    ),
    "Spread": record(
        {
            "circuit": TEXT,
            "samples": {"type": "integer"},
            "asked": {"type": "integer"},
            "seed": {"type": "integer"},
            "complete": FLAG,
            "distribution": TEXT,
            "varied": listing(ref("Varied")),
            "states": listing(ref("SpreadState")),
            "quantities": listing(ref("SpreadQuantity")),
            "yields": listing(ref("Yield")),
            "left_out": listing(
                record({"pointer": POINTER, "requirement": TEXT, "kind": TEXT, "reason": TEXT})
            ),
            "assumed": listing(ref("Assumed")),
            "problems": listing(TEXT),
        }
    ),
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
                        "summary": TEXT,
                        "patch": listing(ref("Operation")),
                        "proof": ref("Proof"),
                    }
                )
            ),
            "remaining": listing(ref("Finding")),
            "withdrawn": OPTIONAL_TEXT,
            "review": ref("Review"),
        }
    ),
    "Rules": record({"rules": listing(record(_RULE))}),
    "Lesson": record(
        {
            **_RULE,
            "grounds": ref("Grounds"),
            "lesson": record({"why": TEXT, "breaks": TEXT, "mend": TEXT, "failing": TEXT, "passing": TEXT}),
        }
    ),
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
