"""Finding the installed rules, and refusing those that are not fit to run.

Built-in rules and rules of other packages come through the same door: the
entry-point group ``thumbrule.rules``.  A rule that cannot be loaded, or whose
metadata is incomplete, becomes a :class:`LoadFault`.  The faults travel with
the rule set into every review, where each of them is a ``failed`` outcome: a
broken plugin never reads as a pass.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import re
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

from rules.analysis.preferred import USUAL, Preferences
from rules.contract import API_LEVEL, ENTRY_POINT_GROUP, Rule
from rules.metadata import complaints_about
from schemas.finding import Grounds, Severity

DISTRIBUTION = "thumbrule"
_RULE_MODULE = re.compile(r"^RULE\b[^\n=]*=", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class LoadedRule:
    """A rule that may run, and the distribution that brought it.

    A policy may set ``severity`` for every finding of it, and other limits;
    ``original`` is then the rule as its distribution brought it.
    """

    rule: Rule
    distribution: str
    version: str
    severity: Severity | None = None
    original: Rule | None = None

    @property
    def slug(self) -> str:
        return self.rule.slug


@dataclass(frozen=True, slots=True)
class LoadFault:
    """A rule that was announced but cannot run, and why."""

    name: str
    distribution: str
    reason: str

    def __str__(self) -> str:
        return f"rule {self.name!r} of {self.distribution or 'an unknown package'}: {self.reason}"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A rule that a policy keeps from running, and why: told with every review, but no failure."""

    name: str
    distribution: str
    reason: str


@dataclass(frozen=True, slots=True)
class Ruleset:
    """The rules that run, sorted by slug, and the report on those that do not.

    ``preferences`` are the series from which proposals take their values;
    ``policy`` tells in words what a policy changed, for the reader of a review.
    """

    rules: tuple[LoadedRule, ...]
    faults: tuple[LoadFault, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    preferences: Preferences = USUAL
    policy: tuple[str, ...] = ()

    @property
    def digest(self) -> str:
        """A name for this rule set: slugs, limits, grounds, versions and faults; no clock, no paths."""
        facts: dict[str, Any] = {
            "api_level": API_LEVEL,
            "rules": [
                [entry.slug, entry.distribution, entry.version, _facts(entry.original or entry.rule)]
                for entry in self.rules
            ],
            "faults": [[fault.name, fault.distribution, fault.reason] for fault in self.faults],
        }
        changed = {entry.slug: made for entry in self.rules if (made := _changed(entry))}
        if changed or self.left_out or self.preferences != USUAL:
            facts["policy"] = {
                "rules": changed,
                "left out": [[item.name, item.distribution] for item in self.left_out],
                "series": {f.name: getattr(self.preferences, f.name) for f in fields(Preferences)},
            }
        text = json.dumps(facts, sort_keys=True, ensure_ascii=False)
        return "sha256:" + hashlib.sha256(text.encode()).hexdigest()

    def only(self, slugs: Collection[str]) -> Ruleset:
        """Some of the rules, and no report on those that do not run."""
        kept = tuple(entry for entry in self.rules if entry.slug in slugs)
        return replace(self, rules=kept, faults=(), left_out=())

    def as_brought(self) -> Ruleset:
        """The same rules as their distributions brought them, without what a policy changed."""
        kept = tuple(replace(e, rule=e.original or e.rule, original=None, severity=None) for e in self.rules)
        return replace(self, rules=kept, policy=())

    def find(self, slug: str) -> LoadedRule | None:
        return next((entry for entry in self.rules if entry.slug == slug), None)


def _facts(rule: Rule) -> dict[str, Any]:
    grounds = {f.name: getattr(rule.grounds, f.name) for f in fields(Grounds)}
    grounds["symbols"] = dict(rule.grounds.symbols)
    return {
        "title": rule.title,
        "grounds": grounds,
        "limits": {key: [limit.value, limit.unit, limit.source] for key, limit in rule.limits.items()},
    }


def _changed(entry: LoadedRule) -> dict[str, Any]:
    """What a policy changed of a rule: other values of limits, another severity; never where that stood."""
    found: dict[str, Any] = {} if entry.severity is None else {"severity": entry.severity}
    if entry.original is not None:
        was = entry.original.limits
        limits = {k: v.value for k, v in entry.rule.limits.items() if k in was and v.value != was[k].value}
        found |= {"limits": limits} if limits else {}
    return found


def of_rules(rules: Iterable[Rule], distribution: str = "local", version: str = "0") -> Ruleset:
    """A rule set from rule objects at hand (tests, notebooks), checked like installed ones."""
    return _collect((rule.slug, distribution, version, partial(_itself, rule)) for rule in rules)


def _itself(rule: Rule) -> Rule:
    return rule


@cache
def installed(allowed: frozenset[str] | None = None) -> Ruleset:
    """The rules of every installed distribution; found once per process.

    With ``allowed`` (names of distributions as :func:`normal` writes them) only theirs: no code of another
    one is loaded, and its rules are told as left out.
    """
    points = importlib.metadata.entry_points(group=ENTRY_POINT_GROUP)
    described, left = [], []
    for point, (name, version) in zip(points, _distributions(points), strict=True):
        if allowed is None or normal(name) in allowed:
            described.append((point.name, name, version, point.load))
        else:
            left.append(LeftOut(point.name, name, f"its distribution {name} is not allowed"))
    found = _collect(described)
    stale = _stale(point.value for point in points) if allowed is None or DISTRIBUTION in allowed else []
    faults = tuple(sorted((*found.faults, *stale), key=str))
    return Ruleset(found.rules, faults, tuple(sorted(left, key=lambda item: (item.name, item.distribution))))


def normal(distribution: str) -> str:
    """The name of a distribution as packaging tools compare it (PEP 503)."""
    return re.sub(r"[-_.]+", "-", distribution).lower()


def distributions() -> tuple[str, ...]:
    """Every installed distribution that brings rules, sorted; nothing of them is loaded."""
    points = importlib.metadata.entry_points(group=ENTRY_POINT_GROUP)
    return tuple(sorted({name for name, _ in _distributions(points)}))


def _distributions(points: Iterable[importlib.metadata.EntryPoint]) -> list[tuple[str, str]]:
    """Name and version of the distribution of each entry point; the metadata of each is read once."""
    known: dict[int, tuple[str, str]] = {}
    found = []
    for point in points:
        mark = id(point.dist)
        if mark not in known:
            known[mark] = _distribution(point)
        found.append(known[mark])
    return found


def _distribution(point: importlib.metadata.EntryPoint) -> tuple[str, str]:
    dist = point.dist
    if dist is None:
        return "", ""
    metadata = dist.metadata
    return str(metadata["Name"]), str(metadata["Version"])


def _collect(described: Iterable[tuple[str, str, str, Callable[[], Any]]]) -> Ruleset:
    loaded: dict[str, LoadedRule] = {}
    faults: list[LoadFault] = []
    twice: set[str] = set()
    for name, distribution, version, load in sorted(described, key=lambda item: item[:3]):
        try:
            rule = load()
            complaints = complaints_about(rule, name)
        except Exception as error:  # a plugin may raise anything; it must not take the others along
            faults.append(LoadFault(name, distribution, f"could not be loaded: {brief(error)}{_hint(error)}"))
            continue
        if complaints:
            faults.append(LoadFault(name, distribution, "; ".join(complaints)))
        elif rule.slug in loaded:
            twice.add(rule.slug)
            other = loaded[rule.slug].distribution
            faults.append(
                LoadFault(name, distribution, f"slug {rule.slug!r} is also claimed by {other}; neither runs")
            )
        else:
            loaded[rule.slug] = LoadedRule(rule, distribution, version)
    kept = tuple(loaded[slug] for slug in sorted(loaded) if slug not in twice)
    return Ruleset(kept, tuple(sorted(faults, key=str)))


def _hint(error: Exception) -> str:
    if isinstance(error, (ImportError, AttributeError)):
        return " (if its files were moved, install the package again so that its metadata is current)"
    return ""


def brief(error: BaseException) -> str:
    """Type and first line of an exception, cut to a length that fits a message; never a traceback."""
    lines = str(error).strip().splitlines()
    text = lines[0].strip() if lines else ""
    text = text if len(text) <= 160 else text[:157] + "..."
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def _stale(values: Iterable[str]) -> list[LoadFault]:
    """Built-in rules on disk that the installed metadata does not announce.

    An editable install keeps the entry points of the day it was made, so a
    rule file added since would silently not run.
    """
    announced = {value.partition(":")[0].strip() for value in values}
    folder = Path(__file__).resolve().parent.parent / "rules"
    found = []
    for path in sorted(folder.glob("*.py")):
        module = f"rules.{path.stem}"
        if module in announced or path.stem.startswith("_"):
            continue
        if _RULE_MODULE.search(path.read_text(encoding="utf-8")):
            found.append(
                LoadFault(
                    path.stem.replace("_", "-"),
                    DISTRIBUTION,
                    f"rules/{path.name} defines a rule that the installed metadata does not announce;"
                    " install the package again (an editable install does not notice new entry points)",
                )
            )
    if not announced:
        found.append(
            LoadFault(
                "*",
                DISTRIBUTION,
                "no rule is announced at all; the package has to be installed,"
                " because rules are found through its metadata",
            )
        )
    return found
