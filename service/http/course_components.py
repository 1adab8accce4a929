"""JSON Schemas of what the service answers about time and tolerances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from rules.analysis.junction.happenings import HappeningKind
from rules.analysis.timeline.model import EventKind, Verdict
from schemas.finding import Origin
from service.http.schema_parts import (
    FLAG,
    NUMBER,
    OPTIONAL_NUMBER,
    OPTIONAL_TEXT,
    POINTER,
    POSITIONS,
    TEXT,
    Schema,
    listing,
    mapping,
    record,
    ref,
)

_PLACE = {"state": TEXT, **POSITIONS, "held": mapping(OPTIONAL_NUMBER)}
_SHARE = {"share": OPTIONAL_NUMBER, "low": NUMBER, "high": NUMBER, "confidence": NUMBER}

COURSES: Mapping[str, Schema] = {
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
            **POSITIONS,
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
                            **POSITIONS,
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
}
