"""The shapes of the bench sheet for the OpenAPI document."""

from __future__ import annotations

from collections.abc import Mapping

from service.http.schema_parts import (
    FLAG,
    NUMBER,
    OPTIONAL_FLAG,
    OPTIONAL_NUMBER,
    POSITIONS,
    TEXT,
    Schema,
    listing,
    mapping,
    record,
    ref,
)

BENCH: Mapping[str, Schema] = {
    "BenchSheet": record(
        {
            "circuit": TEXT,
            "meter": record({"resistance": OPTIONAL_NUMBER, "per_volt": OPTIONAL_NUMBER}),
            "measured": mapping(NUMBER),
            "complete": FLAG,
            "parts": listing(ref("PartsLine")),
            "bring_up": listing(record({"do": TEXT, "expect": TEXT})),
            "states": listing(ref("BenchState")),
            "cautions": listing(TEXT),
        },
        description="What to buy, in which order to bring it up, and what a meter has to show; SI units",
    ),
    "PartsLine": record(
        {
            "parts": listing(TEXT),
            "quantity": {"type": "integer", "minimum": 1},
            "kind": TEXT,
            "value": TEXT,
            "details": listing(TEXT),
            "series": TEXT,
            "ratings": listing(
                record(
                    {
                        "what": TEXT,
                        "unit": TEXT,
                        "worst": NUMBER,
                        "state": TEXT,
                        "corner": TEXT,
                        "at": OPTIONAL_NUMBER,
                        "share": NUMBER,
                        "least": NUMBER,
                        "buy": NUMBER,
                        "stated": OPTIONAL_NUMBER,
                        "enough": OPTIONAL_FLAG,
                        "source": TEXT,
                    }
                )
            ),
            "alternative": TEXT,
        }
    ),
    "BenchState": record(
        {
            "name": TEXT,
            **POSITIONS,
            "how": TEXT,
            "held": mapping(NUMBER),
            "lasts": OPTIONAL_NUMBER,
            "devices": mapping(TEXT),
            "readings": listing(
                record(
                    {
                        "net": TEXT,
                        "free": OPTIONAL_NUMBER,
                        "shown": OPTIONAL_NUMBER,
                        "low": OPTIONAL_NUMBER,
                        "high": OPTIONAL_NUMBER,
                        "loading": OPTIONAL_NUMBER,
                        "meter": NUMBER,
                        "range": OPTIONAL_NUMBER,
                        "moves_to": OPTIONAL_NUMBER,
                        "advice": TEXT,
                    }
                )
            ),
            "currents": listing(record({"source": TEXT, "expect": NUMBER, "low": NUMBER, "high": NUMBER})),
        }
    ),
}
