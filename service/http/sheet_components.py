"""JSON Schemas of the sheets of hand working."""

from __future__ import annotations

from collections.abc import Mapping

from rules.analysis.derivation.model import KINDS
from service.http.schema_parts import (
    FLAG,
    NUMBER,
    OPTIONAL_NUMBER,
    OPTIONAL_TEXT,
    POSITIONS,
    TEXT,
    Schema,
    listing,
    mapping,
    or_null,
    record,
    ref,
)

_SYMBOL = record({"base": TEXT, "of": TEXT}, description="the two halves of a symbol: V and b1 of V(b1)")
_FORMULA = {"formula": TEXT, "numbers": TEXT, "tree": ref("Formula"), "value": OPTIONAL_NUMBER}


_BESIDE = or_null(record(_FORMULA))

SHEETS: Mapping[str, Schema] = {
    "Formula": {
        "description": "a formula as nested operations; with the unrounded values it gives the value",
        "oneOf": [
            record({"op": {"const": "symbol"}, "id": TEXT, "base": TEXT, "of": TEXT}),
            record({"op": {"const": "number"}, "value": {"type": "integer"}}),
            record(
                {
                    "op": {"const": "sum"},
                    "signs": listing({"enum": [1, -1]}),
                    "of": listing(ref("Formula")),
                }
            ),
            record(
                {"op": {"enum": ["product", "quotient", "parallel", "log"]}, "of": listing(ref("Formula"))}
            ),
        ],
    },
    "SheetGiven": record(
        {
            "id": TEXT,
            "symbol": _SYMBOL,
            "meaning": TEXT,
            "value": OPTIONAL_NUMBER,
            "unit": TEXT,
            "origin": {
                "enum": ["declared", "derived", "assumed", "held", "course"],
                "description": "held: a voltage or current that is kept; course: from the course in time",
            },
            "pointer": OPTIONAL_TEXT,
        },
        description="a number that is not worked out",
    ),
    "SheetStep": record(
        {
            "id": TEXT,
            "kind": {"enum": [*KINDS, "course"]},
            "unknown": TEXT,
            "symbol": _SYMBOL,
            "helping": {**FLAG, "description": "a helping number of equations solved together"},
            "says": TEXT,
            **_FORMULA,
            "unit": TEXT,
            "uses": listing({"type": "string", "description": "the id of a given or of an earlier step"}),
            "together": listing(record({"text": TEXT, "left": ref("Formula"), "right": ref("Formula")})),
            "approximate": or_null(
                record(
                    {
                        "neglects": TEXT,
                        **_FORMULA,
                        "difference": {
                            **OPTIONAL_NUMBER,
                            "description": "(rough - exact) / exact",
                        },
                        "ratio": _BESIDE,
                        "shift": _BESIDE,
                    },
                    description="the rule-of-thumb twin; ratio: divider current over base current",
                )
            ),
        },
        description="one line of working; together lists equations that had to be solved at once",
    ),
    "SheetCheck": record(
        {
            "kind": TEXT,
            "subject": TEXT,
            "says": TEXT,
            "formula": TEXT,
            "numbers": TEXT,
            "left": OPTIONAL_NUMBER,
            "relation": {"enum": ["<=", ">=", "=", ""]},
            "right": OPTIONAL_NUMBER,
            "unit": TEXT,
            "holds": {"type": ["boolean", "null"], "description": "null where the circuit does not say"},
        }
    ),
    "Sheet": record(
        {
            "state": TEXT,
            "stable": FLAG,
            "index": {"type": ["integer", "null"], "enum": [1, -1, 0, None]},
            "timed": FLAG,
            **POSITIONS,
            "held": mapping(OPTIONAL_NUMBER),
            "assume": listing(TEXT),
            "givens": listing(ref("SheetGiven")),
            "steps": listing(ref("SheetStep")),
            "checks": listing(ref("SheetCheck")),
            "rough_vs_exact": listing(
                record(
                    {
                        "id": TEXT,
                        "symbol": _SYMBOL,
                        "unit": TEXT,
                        "rough": OPTIONAL_NUMBER,
                        "exact": OPTIONAL_NUMBER,
                        "difference": OPTIONAL_NUMBER,
                    }
                )
            ),
            "undefined": listing(TEXT),
            "missing": listing(TEXT),
            "agreement": record(
                {"volts": NUMBER, "amperes": NUMBER},
                description="largest difference between this sheet and the solver",
            ),
            "next": or_null(
                record(
                    {
                        "capacitor": TEXT,
                        "says": TEXT,
                        "givens": listing(ref("SheetGiven")),
                        "steps": listing(ref("SheetStep")),
                    }
                )
            ),
        },
        description="the hand working of one state; null is undefined",
    ),
    "Sheets": record(
        {
            "circuit": TEXT,
            "beta": TEXT,
            "complete": FLAG,
            "sheets": listing(ref("Sheet")),
            "assumed": listing(ref("Assumed")),
            "problems": listing(TEXT),
        }
    ),
}
