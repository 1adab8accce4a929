"""JSON Schemas of a comparison: what it is asked with, and what it answers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from schemas.finding import SEVERITIES
from service.comparison.marks import Mark
from service.http.schema_parts import (
    FLAG,
    NUMBER,
    OPTIONAL_NUMBER,
    OPTIONAL_TEXT,
    TEXT,
    Schema,
    listing,
    mapping,
    or_null,
    record,
    ref,
)
from service.pairs import MAX_KNOWN

_COUNT: Schema = {"type": "integer", "minimum": 1}
_SEVERITY: Schema = {"enum": list(SEVERITIES)}
_MARGIN: Schema = {"type": ["number", "null"], "description": "in units of the limit"}

COMPARISON: Mapping[str, Schema] = {
    "KnownFinding": {
        **record(
            {
                "identity": TEXT,
                "severity": _SEVERITY,
                "margin": _MARGIN,
                "places": {**_COUNT, "description": "in how many states it was seen"},
                "rule": {},
                "parts": {},
                "nets": {},
            },
            "rule",
            "parts",
            "nets",
            description="a finding that was accepted as known, as a baseline keeps it",
        ),
        "additionalProperties": False,
    },
    "Versions": {
        **record(
            {
                "base": or_null(ref("Circuit")),
                "head": ref("Circuit"),
                "known": or_null({**listing(ref("KnownFinding")), "maxItems": MAX_KNOWN}),
            },
            "base",
            "known",
        ),
        "additionalProperties": False,
    },
    "Before": record(
        {
            "identity": TEXT,
            "severity": _SEVERITY,
            "left": OPTIONAL_NUMBER,
            "right": OPTIONAL_NUMBER,
            "margin": _MARGIN,
            "places": _COUNT,
        },
        description="what a finding was in the base; left and right are null where only a baseline knows it",
    ),
    "MarkedFinding": {
        "allOf": [
            ref("Finding"),
            record(
                {
                    "mark": {"enum": list(get_args(Mark))},
                    "margin": _MARGIN,
                    "before": or_null(ref("Before")),
                    "places": _COUNT,
                    "counts": {
                        **FLAG,
                        "description": "new, worsened, or with a waiver that ran out; not with one in force",
                    },
                    "why": TEXT,
                }
            ),
        ]
    },
    "Comparison": record(
        {
            "circuit": TEXT,
            "ruleset": TEXT,
            "complete": FLAG,
            "today": OPTIONAL_TEXT,
            "worse_by": NUMBER,
            "renamed": record({"parts": mapping(TEXT), "nets": mapping(TEXT)}),
            "findings": listing(ref("MarkedFinding")),
            "gone": listing({"allOf": [ref("Finding"), record({"why": TEXT})]}),
            "eroded": listing(
                record(
                    {
                        "rule": TEXT,
                        "subject": listing(TEXT),
                        "state": OPTIONAL_TEXT,
                        "corner": OPTIONAL_TEXT,
                        "before": ref("Test"),
                        "after": ref("Test"),
                        "fell": OPTIONAL_NUMBER,
                    },
                    description="satisfied both times, by less than before and less than amply",
                )
            ),
            "unjudged": listing(
                record(
                    {
                        "rule": TEXT,
                        "subject": listing(TEXT),
                        "was": {"enum": ["satisfied", "violated"]},
                        "why": TEXT,
                    },
                    description="judged in the base, and not any more",
                )
            ),
            "terms": listing(
                record(
                    {
                        "what": {"enum": ["use", "ambient", "assumption", "stimulus", "requirement"]},
                        "name": TEXT,
                        "before": OPTIONAL_TEXT,
                        "after": OPTIONAL_TEXT,
                        "pointer": TEXT,
                    },
                    description="what the circuit is judged by, where the change gives it other terms",
                )
            ),
            "waivers": listing(ref("Waiver")),
            "base": or_null(
                record({"findings": {"type": "integer"}, "complete": FLAG, "failed": listing(TEXT)})
            ),
            "review": ref("Review"),
        },
        description="numbers are those of the head; names are those of the head, but for what is gone",
    ),
}
