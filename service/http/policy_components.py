"""The OpenAPI schemas of the policy in effect."""

from __future__ import annotations

from collections.abc import Mapping

from schemas.finding import SEVERITIES
from service.http.schema_parts import FLAG, NUMBER, OPTIONAL_TEXT, TEXT, Schema, listing, or_null, record, ref

_ORIGIN: Schema = ref("Origin")
_SEVERITY: Schema = or_null({"type": "string", "enum": list(SEVERITIES)})

POLICY: Mapping[str, Schema] = {
    "Origin": record(
        {
            "kind": {"type": "string", "enum": ["file", "profile", "default"]},
            "file": OPTIONAL_TEXT,
            "line": or_null({"type": "integer", "minimum": 1}),
            "profile": OPTIONAL_TEXT,
            "source": OPTIONAL_TEXT,
        },
        description="where a setting comes from: a policy file, a derating profile, or the rule itself",
    ),
    "Policy": record(
        {
            "files": listing(TEXT),
            "ruleset": TEXT,
            "derating": record({"profile": TEXT, "title": TEXT, "known": listing(TEXT), "origin": _ORIGIN}),
            "plugins": record(
                {"allowed": or_null(listing(TEXT)), "origin": _ORIGIN},
            ),
            "rules": listing(
                record(
                    {
                        "rule": TEXT,
                        "distribution": TEXT,
                        "runs": FLAG,
                        "severity": _SEVERITY,
                        "reason": TEXT,
                        "origin": _ORIGIN,
                    }
                )
            ),
            "limits": listing(
                record(
                    {
                        "rule": TEXT,
                        "limit": TEXT,
                        "value": NUMBER,
                        "unit": TEXT,
                        "default": NUMBER,
                        "origin": _ORIGIN,
                    }
                )
            ),
            "series": listing(record({"kind": TEXT, "value": TEXT, "origin": _ORIGIN})),
        }
    ),
}
