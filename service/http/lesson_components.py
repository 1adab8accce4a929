"""JSON Schemas of a lesson: the rule, its derivation step by step, and the circuit of the reader."""

from __future__ import annotations

from collections.abc import Mapping
from typing import get_args

from rules.derivations.model import Relation, Why
from schemas.finding import SEVERITIES
from service.http.schema_parts import (
    FLAG,
    NUMBER,
    OPTIONAL_FLAG,
    OPTIONAL_NUMBER,
    OPTIONAL_TEXT,
    OUTCOME,
    POINTER,
    TEXT,
    Schema,
    listing,
    mapping,
    or_null,
    record,
    ref,
)
from service.lessons import DEPTHS

_PLACE: Schema = {"type": "integer", "minimum": 0}
_RELATION: Schema = {"enum": list(get_args(Relation))}


def lessons(rule: Mapping[str, Schema]) -> dict[str, Schema]:
    """The schemas; ``rule`` has the members of a rule in the catalogue."""
    return {
        "Lesson": record(
            {
                **rule,
                "depth": {"enum": list(DEPTHS)},
                "grounds": ref("Grounds"),
                "lesson": ref("LessonTexts"),
                "derivation": or_null(ref("Derivation")),
                "worked": ref("WorkedLesson"),
            },
            "grounds",
            "lesson",
            "derivation",
            "worked",
            description="grounds from depth card on, lesson and derivation at depth lesson",
        ),
        "LessonTexts": record(
            {
                "why": TEXT,
                "breaks": TEXT,
                "mend": TEXT,
                "failing": TEXT,
                "passing": TEXT,
                "dial": or_null(record({"pointer": POINTER, "good": TEXT, "bad": TEXT})),
                "undialled": TEXT,
            },
            description="dial is the value of the passing circuit that leads to a failing one",
        ),
        "Derivation": record(
            {
                "name": TEXT,
                "proven": {**OPTIONAL_FLAG, "description": "null unless a proof was asked for"},
                "symbols": listing(
                    record({"name": TEXT, "meaning": TEXT, "unit": TEXT, "domain": TEXT, "value": NUMBER,
                            "given": FLAG})
                ),
                "steps": listing(
                    record(
                        {
                            "place": _PLACE,
                            "says": TEXT,
                            "left": TEXT,
                            "relation": _RELATION,
                            "right": TEXT,
                            "why": {"enum": list(get_args(Why))},
                            "uses": listing(_PLACE),
                            "without": listing(TEXT),
                            "source": TEXT,
                            "left_value": OPTIONAL_NUMBER,
                            "right_value": OPTIONAL_NUMBER,
                            "unit": TEXT,
                            "holds": FLAG,
                            "how": OPTIONAL_TEXT,
                            "numbers": TEXT,
                        }
                    )
                ),
                "plain": listing(
                    record({"function": TEXT, "step": _PLACE, "arguments": mapping(TEXT),
                            "how": OPTIONAL_TEXT})
                ),
                "problems": listing(TEXT),
            },
            description="premises and what follows from them, with the numbers of an example in SI units",
        ),
        "WorkedLesson": record(
            {
                "circuit": TEXT,
                "complete": FLAG,
                "verdicts": listing(
                    record(
                        {
                            **OUTCOME,
                            "severity": {"enum": [*SEVERITIES, None]},
                            "message": TEXT,
                            "evidence": listing(ref("Quantity")),
                            "put_in": listing(ref("PutIn")),
                            "advice": listing(TEXT),
                        }
                    )
                ),
                "problems": listing(TEXT),
            },
            description="what the rule says of the circuit that was sent",
        ),
        "PutIn": record(
            {
                "formula": TEXT,
                "numbers": TEXT,
                "left": OPTIONAL_NUMBER,
                "relation": _RELATION,
                "right": OPTIONAL_NUMBER,
                "unit": TEXT,
                "agrees": OPTIONAL_FLAG,
            },
            description="a step of the derivation with the numbers of the evidence put in",
        ),
    }  # fmt: skip
