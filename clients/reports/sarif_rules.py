"""Rules, their distributions and the rules of thumb as SARIF 2.1.0 descriptors (sections 3.19 and 3.49)."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

Json = dict[str, Any]
Facts = Mapping[str, Any]

OWN = "thumbrule"
TAXONOMY = "rules of thumb"
LONGEST = 1024
"""Characters of a description; large hosts of SARIF show no more."""


def fetched(ask: Callable[[str], Facts], slugs: Iterable[str]) -> list[Facts]:
    """The facts of each rule as :func:`service.facade.lesson` gives them, sorted by slug.

    A rule of which ``ask`` knows nothing (one that could not be loaded) is left out.
    """
    from clients.sources import CannotCheck

    found = []
    for slug in sorted(set(slugs)):
        try:
            found.append(ask(slug))
        except (CannotCheck, LookupError):
            continue
    return found


@dataclass(frozen=True)
class Catalogue:
    """The rules a log speaks of: ``slugs``, and ``facts`` of those that are known."""

    slugs: frozenset[str]
    facts: Mapping[str, Facts]

    @classmethod
    def of(cls, slugs: Iterable[str], facts: Sequence[Facts]) -> Catalogue:
        return cls(frozenset(slugs), {str(item["slug"]): item for item in facts})

    @cached_property
    def by_distribution(self) -> Mapping[str, tuple[str, ...]]:
        """Distribution -> slugs, both sorted; a rule of which nothing is known counts as our own."""
        found: dict[str, list[str]] = {}
        for slug in sorted(self.slugs):
            found.setdefault(str(self.facts.get(slug, {}).get("distribution") or OWN), []).append(slug)
        return {name: tuple(found[name]) for name in sorted(found)}

    @cached_property
    def extensions(self) -> tuple[str, ...]:
        return tuple(name for name in self.by_distribution if name != OWN)

    @cached_property
    def thumbs(self) -> tuple[str, ...]:
        """Slugs of the rules whose rule of thumb is known: the taxa."""
        return tuple(slug for slug in sorted(self.slugs) if self.facts.get(slug, {}).get("rule_of_thumb"))

    def reference(self, slug: str) -> Json:
        """What says in a result which rule it is of.

        ``ruleIndex`` counts in the rules of the driver only, so a rule of
        another distribution is named by ``rule`` instead (section 3.27.7).
        """
        for at, name in enumerate(self.extensions):
            if slug in self.by_distribution[name]:
                rule = {"id": slug, "index": self.by_distribution[name].index(slug),
                        "toolComponent": {"name": name, "index": at}}
                return {"ruleId": slug, "rule": rule}
        return {"ruleId": slug, "ruleIndex": self.by_distribution[OWN].index(slug)}

    def associated(self, slug: str) -> Json:
        """The reporting descriptor reference of a rule, for a notification."""
        found = self.reference(slug)
        rule: Json = found.get("rule") or {"id": slug, "index": found["ruleIndex"]}
        return rule

    def taxon(self, slug: str) -> Json | None:
        if slug not in self.thumbs:
            return None
        return {"id": slug, "index": self.thumbs.index(slug), "toolComponent": {"name": TAXONOMY, "index": 0}}

    def rules(self, distribution: str) -> list[Json]:
        return [self._rule(slug) for slug in self.by_distribution.get(distribution, ())]

    def _rule(self, slug: str) -> Json:
        made: Json = {"id": slug, "name": "".join(word.capitalize() for word in slug.split("-"))}
        facts = self.facts.get(slug)
        if facts is None:
            text = f"The rule {slug}, of which nothing more is known here."
            return {**made, "shortDescription": {"text": text}, "fullDescription": {"text": text},
                    "help": {"text": text}, "defaultConfiguration": {"level": "warning"}}
        made["shortDescription"] = {"text": short(_sentence(str(facts["title"])))}
        made["fullDescription"] = {"text": short(_full(facts))}
        made["defaultConfiguration"] = {"level": "warning"}
        made["help"] = {"text": _help(facts, marked=False), "markdown": _help(facts, marked=True)}
        made["properties"] = {"precision": precision(facts), "tags": ["circuit", "rule-of-thumb"]}
        taxon = self.taxon(slug)
        if taxon is not None:
            made["relationships"] = [{"target": taxon, "kinds": ["relevant"]}]
        return made

    def extension_components(self) -> list[Json]:
        """One tool component for each distribution that is not our own."""
        found = []
        for name in self.extensions:
            versions = {str(self.facts[slug].get("version") or "") for slug in self.by_distribution[name]}
            version = max(versions)
            made: Json = {"name": name, **({"version": version} if version else {})}
            found.append({**made, "rules": self.rules(name)})
        return found

    def taxonomies(self) -> list[Json]:
        """The rules of thumb behind the rules, with what they rest on."""
        if not self.thumbs:
            return []
        text = "The rules of thumb by which circuits are judged, with their sources and where they hold."
        return [{"name": TAXONOMY, "shortDescription": {"text": text}, "isComprehensive": False,
                 "taxa": [self._taxon(slug) for slug in self.thumbs]}]

    def _taxon(self, slug: str) -> Json:
        facts = self.facts[slug]
        grounds = facts.get("grounds") or {}
        made: Json = {"id": slug, "shortDescription": {"text": short(str(facts["rule_of_thumb"]))}}
        if grounds.get("formula"):
            made["fullDescription"] = {"text": short(f"{facts['rule_of_thumb']} {grounds['formula']}")}
        kept = {key: str(grounds[key]) for key in ("source", "holds", "fails") if grounds.get(key)}
        return {**made, "properties": kept} if kept else made


def precision(facts: Facts) -> str:
    """How far a finding can be trusted, by what the rule of thumb rests on: a source, or practice alone."""
    source = str((facts.get("grounds") or {}).get("source") or "no source")
    return "medium" if "no source" in source or "from memory" in source else "high"


def short(text: str) -> str:
    """At most :data:`LONGEST` characters, cut between words."""
    if len(text) <= LONGEST:
        return text
    return text[:LONGEST - 3].rsplit(None, 1)[0] + "..."


def _sentence(text: str) -> str:
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _full(facts: Facts) -> str:
    protects = facts.get("protects")
    return f"{_sentence(str(facts['rule_of_thumb']))}" + (f" It protects {protects}." if protects else "")


def _help(facts: Facts, marked: bool) -> str:
    """Rule of thumb, formula, why, where it breaks, how to mend, source; with headings if ``marked``."""
    grounds, lesson = facts.get("grounds") or {}, facts.get("lesson") or {}
    formula = str(grounds.get("formula") or "")
    rows = (("Rule of thumb", facts.get("rule_of_thumb")),
            ("Formula", f"`{formula}`" if marked and formula and "`" not in formula else formula),
            ("Why", lesson.get("why")), ("Holds", grounds.get("holds")),
            ("Does not hold", grounds.get("fails")), ("Where it breaks", lesson.get("breaks")),
            ("How to mend", lesson.get("mend")), ("Source", grounds.get("source")))
    told = [(name, " ".join(str(text).split())) for name, text in rows if text]
    return "\n\n".join(f"**{name}:** {text}" if marked else f"{name}: {text}" for name, text in told)
