"""A policy over a rule set: other limits and severities, rules left out, series preferred.

A rule set comes in and a rule set goes out.  Rules are never changed: one with other limits is a copy.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

from rules.analysis.preferred import Preferences
from rules.contract import Rule
from schemas.finding import Limit
from schemas.problems import Complaint, Problem, quoted
from service.policy.model import Policy, PolicyRefused, Setting
from service.policy.profiles import PROFILES
from service.policy.reading import unknown
from service.policy.values import find_limit, limit_text, limit_value
from service.ruleset import LeftOut, LoadedRule, LoadFault, Ruleset, distributions, installed, normal

MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Override:
    """Another value of one limit: where it was set, and by which profile if by one."""

    value: float
    setting: Setting
    profile: str | None
    source: str


def allowed_rules(policy: Policy) -> Ruleset:
    """The installed rules as they are; code of a distribution that is not allowed is not loaded.

    Raises :class:`PolicyRefused`.
    """
    if policy.allowed is None:
        return installed()
    _check_names(policy.allowed, distributions())
    return installed(frozenset(normal(item.value) for item in policy.allowed))


def installed_under(policy: Policy) -> Ruleset:
    """The installed rules under ``policy``.  Raises :class:`PolicyRefused`."""
    return apply(policy, allowed_rules(policy))


def apply(policy: Policy, ruleset: Ruleset) -> Ruleset:
    """``ruleset`` under ``policy``.  Raises :class:`PolicyRefused` for what does not fit it."""
    faults = _Problems()
    if policy.allowed is not None:
        _check_names(policy.allowed, _distributions_of(ruleset))
    _check_rules(policy, ruleset, faults)
    overrides = limits_under(policy, ruleset, faults)
    kept, left = _split(policy, ruleset)
    changed = []
    for entry in kept:
        given = overrides.get(entry.slug, {})
        severity = policy.severity.get(entry.slug)
        try:
            if severity is not None:
                _check_severity(entry, severity, given)
            changed.append(_changed(entry, given, severity))
        except Complaint as complaint:
            at = severity or next(iter(given.values())).setting
            faults.add(at, complaint)
    faults.refuse()
    broken = tuple(item for item in ruleset.faults if verdict(policy, item.name, item.distribution) is None)
    if not kept and policy.files:
        last = (policy.run or policy.skip or policy.allowed or (None,))[0]
        detail = "this policy leaves no rule that could run"
        problem = Problem("", detail) if last is None else last.problem(Complaint(detail))
        raise PolicyRefused(policy.files[-1] if last is None else last.file, [problem])
    made = replace(
        ruleset,
        rules=tuple(changed),
        faults=broken,
        left_out=left,
        preferences=replace(ruleset.preferences, **{kind: s.value for kind, s in policy.series.items()}),
    )
    return replace(made, policy=_told(policy, overrides, made, ruleset.preferences))


class _Problems:
    """Problems by file; the first file that has some is refused with all of its own."""

    def __init__(self) -> None:
        self.found: dict[str, list[Problem]] = {}

    def add(self, setting: Setting, complaint: Complaint) -> None:
        self.found.setdefault(setting.file, []).append(setting.problem(complaint))

    def refuse(self) -> None:
        for file in self.found:
            raise PolicyRefused(file, self.found[file])


def _distributions_of(ruleset: Ruleset) -> tuple[str, ...]:
    every: Iterable[LoadedRule | LoadFault | LeftOut] = (*ruleset.rules, *ruleset.faults, *ruleset.left_out)
    return tuple(sorted({item.distribution for item in every}))


def _check_names(allowed: tuple[Setting, ...], known: tuple[str, ...]) -> None:
    faults = _Problems()
    plain = {normal(name) for name in known}
    for setting in allowed:
        if normal(setting.value) not in plain:
            detail = "no installed distribution of this name brings rules"
            faults.add(setting, unknown(detail, setting.value, known))
    faults.refuse()


def _check_rules(policy: Policy, ruleset: Ruleset, faults: _Problems) -> None:
    known = tuple(sorted(_slugs(ruleset)))
    named: list[tuple[str, Setting]] = [
        *policy.tables.items(),
        *policy.severity.items(),
        *((setting.value, setting) for setting in (*(policy.run or ()), *(policy.skip or ()))),
    ]
    for slug, setting in named:
        if slug not in known:
            faults.add(setting, unknown("no rule has this name", slug, known))


def _slugs(ruleset: Ruleset) -> set[str]:
    return {
        *(entry.slug for entry in ruleset.rules),
        *(fault.name for fault in ruleset.faults),
        *(item.name for item in ruleset.left_out),
    }


def limits_under(
    policy: Policy, ruleset: Ruleset, faults: _Problems | None = None
) -> Mapping[str, Mapping[str, Override]]:
    """Slug -> limit -> its other value.  The profile comes first, what ``[limits]`` says counts more."""
    faults = _Problems() if faults is None else faults
    found: dict[str, dict[str, Override]] = {}
    if policy.profile is not None:
        name = policy.profile.value
        if name not in PROFILES:
            faults.add(policy.profile, unknown("no profile has this name", name, tuple(PROFILES)))
        else:
            for (slug, key), row in PROFILES[name].rows.items():
                entry = ruleset.find(slug)
                if entry is not None and key in entry.rule.limits:
                    place = f"profile {name} in policy {policy.profile.file}, line {policy.profile.line}"
                    made = Override(row.value, policy.profile, name, f"{row.source}; by {place}")
                    found.setdefault(slug, {})[key] = made
    for (slug, plain), setting in policy.limits.items():
        entry = ruleset.find(slug)
        if entry is None:
            continue  # a rule that does not run; a name that nobody knows was told already
        known = find_limit(plain, entry.rule.limits)
        try:
            if known is None:
                raise unknown(f"{slug} has no limit of this name", plain, tuple(entry.rule.limits))
            limit = entry.rule.limits[known]
            value = limit_value(setting.value, slug, limit)
        except Complaint as complaint:
            faults.add(setting, complaint)
            continue
        own = f"; the rule's own is {limit_text(limit.value, limit.unit)}"
        source = f"policy {setting.file}, line {setting.line}{own}"
        found.setdefault(slug, {})[known] = Override(value, setting, None, source)
    return found


def _check_severity(entry: LoadedRule, setting: Setting, given: Mapping[str, Override]) -> None:
    """A limit from memory never makes an error, whoever wants it."""
    if setting.value != "error":
        return
    for key, limit in sorted(entry.rule.limits.items()):
        if MEMORY in (given[key].source if key in given else limit.source):
            raise Complaint(
                f"the limit {key} of {entry.slug} is from memory, and such a limit makes no error",
                seen=quoted(setting.value),
                accepted=f"warning, note; or a value of your own for {key} in [limits.{entry.slug}]",
            )


def verdict(policy: Policy, slug: str, distribution: str) -> tuple[str, Setting | None] | None:
    """Why a rule is left out and the setting that decides (none in an empty list); ``None`` when it runs."""
    allowed = policy.allowed
    if allowed is not None and normal(distribution) not in {normal(item.value) for item in allowed}:
        where = f" in {allowed[0].file}, line {allowed[0].line}" if allowed else f" in {policy.files[-1]}"
        reason = f"its distribution {distribution} is not among those allowed{where}"
        return reason, allowed[0] if allowed else None
    skipped = next((item for item in policy.skip or () if item.value == slug), None)
    if skipped is not None:
        return f"skipped by policy {skipped.file}, line {skipped.line}", skipped
    if policy.run is not None and slug not in {item.value for item in policy.run}:
        where = f" {policy.run[0].file}, line {policy.run[0].line}" if policy.run else ""
        return f"not among the rules that run by policy{where}", policy.run[0] if policy.run else None
    return None


def _split(policy: Policy, ruleset: Ruleset) -> tuple[tuple[LoadedRule, ...], tuple[LeftOut, ...]]:
    kept = [entry for entry in ruleset.rules if verdict(policy, entry.slug, entry.distribution) is None]
    every = [(entry.slug, entry.distribution) for entry in ruleset.rules]
    every += [(fault.name, fault.distribution) for fault in ruleset.faults]
    every += [(item.name, item.distribution) for item in ruleset.left_out]
    left = []
    for slug, distribution in every:
        out = verdict(policy, slug, distribution)
        if out is not None:
            left.append(LeftOut(slug, distribution, out[0]))
    return tuple(kept), tuple(sorted(left, key=lambda item: (item.name, item.distribution)))


def _changed(entry: LoadedRule, given: Mapping[str, Override], severity: Setting | None) -> LoadedRule:
    """The entry with a copy of its rule; the limits and the grounds say what the policy changed."""
    if not given and severity is None:
        return entry
    rule = entry.rule
    limits = {
        key: limit if key not in given else replace(limit, value=given[key].value, source=given[key].source)
        for key, limit in rule.limits.items()
    }
    notes = [_note(rule.limits[key], given[key]) for key in sorted(given)]
    if severity is not None:
        notes.append(f"severity {severity.value} by policy {severity.file}, line {severity.line}")
    grounds = replace(rule.grounds, source="; ".join((rule.grounds.source, *notes)))
    other = _with(rule, limits=MappingProxyType(limits), grounds=grounds)
    return replace(entry, rule=other, original=rule, severity=severity.value if severity else entry.severity)


def _note(limit: Limit, given: Override) -> str:
    now, was = (limit_text(value, limit.unit) for value in (given.value, limit.value))
    by = f"profile {given.profile}" if given.profile else "policy"
    where = f"{given.setting.file}, line {given.setting.line}"
    return f"limit {limit.name} is {now} instead of {was} by {by} ({where})"


def _with(rule: Rule, **members: Any) -> Rule:
    """A shallow copy of a rule with other members, frozen or not.  Raises :class:`Complaint`."""
    other = copy.copy(rule)
    for name, value in members.items():
        try:
            object.__setattr__(other, name, value)
        except AttributeError:
            detail = f"{rule.slug} is a rule whose {name} cannot be set on a copy"
            raise Complaint(detail, accepted="leave its limits and its severity as they are") from None
    return other


def _told(
    policy: Policy, overrides: Mapping[str, Mapping[str, Override]], made: Ruleset, before: Preferences
) -> tuple[str, ...]:
    """What a reader of a review has to know: the files, and everything that they changed."""
    if not policy.files:
        return ()
    lines = [f"from {', '.join(policy.files)}"]
    for reason in sorted({item.reason for item in made.left_out}):
        names = ", ".join(item.name for item in made.left_out if item.reason == reason)
        lines.append(f"not run, {reason}: {names}")
    for entry in made.rules:
        was = entry.original
        for key, given in sorted(overrides.get(entry.slug, {}).items()):
            if was is not None and given.value != was.limits[key].value:
                lines.append(f"{entry.slug}: {_note(was.limits[key], given)}")
        if entry.severity is not None:
            where = policy.severity[entry.slug].place
            lines.append(f"{entry.slug}: every finding is told as {entry.severity} ({where})")
    for kind, setting in sorted(policy.series.items()):
        if setting.value != getattr(before, kind):
            lines.append(f"{kind}: values are proposed from {setting.value} ({setting.place})")
    return tuple(lines)
