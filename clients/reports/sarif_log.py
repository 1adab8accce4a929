"""A SARIF 2.1.0 log of reviews or comparisons: plain data, valid by the schema, the same every time.

Shape: ``{"$schema", "version", "runs": [...]}``.  There are no times, no
machine, no absolute paths.  Findings stand in the first run; undecided
outcomes too, and with ``everything`` those that are satisfied or do not
apply.  Where findings carry a ``baselineState``, every result of a run has to
(section 3.27.24), and nothing is known of the outcomes of the base: there the
outcomes stand in a second run without it.  Section numbers here and in the
modules beside are those of the standard, from memory.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from clients.reports.entry import Entry, ordered
from clients.reports.sarif_notes import configuration_notes, descriptors, execution_notes
from clients.reports.sarif_places import uri
from clients.reports.sarif_results import KINDS, finding_results, number_line_hashes, outcome_results
from clients.reports.sarif_rules import OWN, Catalogue, fetched

Json = dict[str, Any]
Facts = Mapping[str, Any]

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
OUTCOMES = "thumbrule/outcomes/"


def sarif(entries: Iterable[Entry], *, rules: Sequence[Facts] = (), run: str = "thumbrule/review/",
          everything: bool = False, version: str | None = None) -> Json:
    """The log.  ``rules`` are the answers of ``lesson`` (see :func:`rule_facts`); ``run`` names the run.

    ``version`` is that of this program, read from its metadata unless given.
    """
    told = ordered(entries)
    catalogue = Catalogue.of(told_rules(told, everything), rules)
    compared = any(entry.comparison is not None for entry in told)
    suppressing = any(entry.covering(finding) for entry in told for finding in entry.findings)
    results = [item for entry in told for item in finding_results(entry, catalogue, suppressing)]
    if compared:
        for item in results:  # a review among comparisons has nothing it could be compared with
            item.setdefault("baselineState", "new")
    number_line_hashes(results)
    others = [item for entry in told for item in outcome_results(entry, catalogue, everything)]
    if suppressing and not compared:
        for item in others:
            item["suppressions"] = []
    shared = _Run(told, catalogue, _version() if version is None else version)
    runs = [shared.made(results if compared else results + others, run)]
    if compared and others:
        runs.append(shared.made(others, OUTCOMES))
    return {"$schema": SCHEMA, "version": "2.1.0", "runs": runs}


def sarif_text(entries: Iterable[Entry], **options: Any) -> str:
    """:func:`sarif` as text: ASCII, indented, with a final line break."""
    return json.dumps(sarif(entries, **options), indent=2, allow_nan=False) + "\n"


def rule_facts(ask: Callable[[str], Facts], entries: Iterable[Entry],
               everything: bool = False) -> list[Facts]:
    """What the log has to know of its rules; ``ask`` gives the answer of ``lesson`` for a slug."""
    return fetched(ask, told_rules(entries, everything))


def told_rules(entries: Iterable[Entry], everything: bool = False) -> frozenset[str]:
    """The rules of which the log speaks."""
    kinds = ("failed", *(KINDS if everything else ("undecided",)))
    found: set[str] = set()
    for entry in entries:
        found.update(str(item["rule"]) for item in (*entry.findings, *entry.gone, *entry.outcomes(*kinds)))
    return frozenset(found)


class _Run:
    """What the runs of one log have in common."""

    def __init__(self, entries: list[Entry], catalogue: Catalogue, version: str) -> None:
        self.entries, self.catalogue, self.version = entries, catalogue, version

    def made(self, results: list[Json], name: str) -> Json:
        made: Json = {"tool": self._tool()}
        taxonomies = self.catalogue.taxonomies()
        if taxonomies:
            made["taxonomies"] = taxonomies
        made["automationDetails"] = {"id": name}
        made["invocations"] = [self._invocation()]
        artifacts = self._artifacts()
        if artifacts:
            made["artifacts"] = artifacts
        made |= {"columnKind": "utf16CodeUnits", "newlineSequences": ["\r\n", "\n", "\r"],
                 "defaultEncoding": "UTF-8", "results": results, "properties": self._properties()}
        return made

    def _tool(self) -> Json:
        driver: Json = {"name": OWN, "semanticVersion": self.version,
                        "rules": self.catalogue.rules(OWN), "notifications": descriptors()}
        if self.catalogue.thumbs:
            driver["supportedTaxonomies"] = [{"name": "rules of thumb", "index": 0}]
        extensions = self.catalogue.extension_components()
        return {"driver": driver, **({"extensions": extensions} if extensions else {})}

    def _invocation(self) -> Json:
        """Not successful where a circuit could not be checked: that must never read as nothing found."""
        execution = [item for entry in self.entries for item in execution_notes(entry, self.catalogue)]
        configuration = [item for entry in self.entries for item in configuration_notes(entry)]
        return {"executionSuccessful": not any(entry.unchecked for entry in self.entries),
                "toolExecutionNotifications": execution, "toolConfigurationNotifications": configuration}

    def _artifacts(self) -> list[Json]:
        """Each file once, however often it was named: the array must not repeat itself."""
        found = (uri(entry.label) for entry in self.entries)
        once = dict.fromkeys(item for item in found if item is not None)
        return [{"location": {"uri": item}, "roles": ["analysisTarget"]} for item in once]

    def _properties(self) -> Json:
        answers = (entry.comparison or entry.review or {} for entry in self.entries)
        return {"rulesets": sorted({str(item["ruleset"]) for item in answers if item.get("ruleset")})}


def _version() -> str:
    from importlib import metadata

    try:
        return metadata.version(OWN)
    except metadata.PackageNotFoundError:
        return "0.0.0"
