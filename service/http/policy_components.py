"""The OpenAPI schemas of the policy in effect."""

from __future__ import annotations

from collections.abc import Mapping

from schemas.finding import SEVERITIES
from service.http.schema_parts import FLAG, NUMBER, OPTIONAL_TEXT, TEXT, Schema, listing, record, ref

_ORIGIN: Schema = ref("Origin")
_SEVERITY: Schema = {"anyOf": [{"type": "string", "enum": list(SEVERITIES)}, {"type": "null"}]}

POLICY: Mapping[str, Schema] = {
    "Origin": record(
        {
            "kind": {"type": "string", "enum": ["file", "profile", "default"]},
            "file": OPTIONAL_TEXT,
            "line": {"anyOf": [{"type": "integer", "minimum": 1}, {"type": "null"}]},
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
                {"allowed": {"anyOf": [listing(TEXT), {"type": "null"}]}, "origin": _ORIGIN},
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
