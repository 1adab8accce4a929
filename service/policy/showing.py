"""The policy in effect, line by line, each with where it comes from."""

from __future__ import annotations

from typing import Any

from service.policy.applying import Override, apply, limits_under, verdict
from service.policy.model import SERIES_KINDS, Policy, Setting
from service.policy.profiles import HOUSE, PROFILES
from service.ruleset import Ruleset

Json = dict[str, Any]


def effective(policy: Policy, ruleset: Ruleset) -> Json:
    """Every setting that counts for ``ruleset`` (the rules before the policy), JSON-ready.

    An origin is of the kind ``file`` (with file and line), ``profile`` (with its name, where it was chosen
    and the published source) or ``default`` (with the source that the rule gives, where it has one).  Raises
    :class:`service.policy.PolicyRefused`.
    """
    made = apply(policy, ruleset)
    overrides = limits_under(policy, ruleset)
    profile = HOUSE if policy.profile is None else policy.profile.value
    return {
        "files": list(policy.files),
        "ruleset": made.digest,
        "derating": {
            "profile": profile,
            "title": PROFILES[profile].title,
            "known": sorted(PROFILES),
            "origin": _origin(policy.profile),
        },
        "plugins": {
            "allowed": None if policy.allowed is None else [item.value for item in policy.allowed],
            "origin": _origin(policy.allowed[0] if policy.allowed else None),
        },
        "rules": _rules(policy, made),
        "limits": [
            {
                "rule": entry.slug,
                "limit": name,
                "value": entry.rule.limits[name].value,
                "unit": entry.rule.limits[name].unit,
                "default": (entry.original or entry.rule).limits[name].value,
                "origin": _of_limit(overrides.get(entry.slug, {}).get(name), entry.rule.limits[name].source),
            }
            for entry in made.rules
            for name in sorted(entry.rule.limits)
        ],
        "series": [
            {
                "kind": kind,
                "value": getattr(made.preferences, kind),
                "origin": _origin(policy.series.get(kind), "common practice, no source"),
            }
            for kind in SERIES_KINDS
        ],
    }


def _rules(policy: Policy, made: Ruleset) -> list[Json]:
    """Every rule that is known: whether it runs, and the severity that the policy gives its findings."""
    lines = [
        {
            "rule": entry.slug,
            "distribution": entry.distribution,
            "runs": True,
            "severity": entry.severity,
            "reason": "",
            "origin": _origin(policy.severity.get(entry.slug)),
        }
        for entry in made.rules
    ]
    for item in made.left_out:
        out = verdict(policy, item.name, item.distribution)
        lines.append(
            {
                "rule": item.name,
                "distribution": item.distribution,
                "runs": False,
                "severity": None,
                "reason": item.reason,
                "origin": _origin(out[1] if out else None),
            }
        )
    return sorted(lines, key=lambda line: (str(line["rule"]), str(line["distribution"])))


def _of_limit(given: Override | None, source: str) -> Json:
    if given is None:
        return _origin(None, source)
    if given.profile is None:
        return _origin(given.setting)
    return {**_origin(given.setting, given.source), "kind": "profile", "profile": given.profile}


def _origin(setting: Setting | None, source: str | None = None) -> Json:
    return {
        "kind": "default" if setting is None else "file",
        "file": None if setting is None else setting.file,
        "line": None if setting is None else setting.line,
        "profile": None,
        "source": source if setting is None or source is not None else None,
    }
