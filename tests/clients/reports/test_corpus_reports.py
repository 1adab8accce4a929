"""Every circuit of the corpus and every example as SARIF, held against the official schema."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from clients.edit_text import parse
from clients.reports import Entry, entry_of, junit, markdown, rule_facts, sarif
from clients.sources import Source
from clients.splices import applied, edits_of, same
from service import engine, facade, shapes
from service.patches import CannotPatch, patch_for
from service.patches import apply as patched
from service.ruleset import installed
from tests.clients.reports.circuits import EXAMPLES, ROOT
from tests.corpus import cases

CIRCUITS = sorted([case.path for case in cases()] + list(EXAMPLES.iterdir()))
WITH_REMEDIES = CIRCUITS[::9]


@dataclass(frozen=True)
class Surveyed:
    """A circuit with its review and with every patch that a rule proposed for it, proven or not."""

    entry: Entry
    patches: tuple[tuple[Mapping[str, Any], ...], ...]


def _survey(path: Path) -> Surveyed:
    source = Source(str(path))
    document = source.document
    run = engine.run(document.circuit, installed())
    review = shapes.review_shape(engine.to_review(run, installed(), run.findings))
    patches = []
    for proposals in run.proposals.values():
        for proposal in proposals:
            try:
                patches.append(patch_for(document.raw, proposal.changes))
            except CannotPatch:
                continue
    return Surveyed(entry_of(path.relative_to(ROOT).as_posix(), source, review=review), tuple(patches))


@pytest.mark.slow
def test_every_circuit_in_every_report(valid: Callable[[Any], None]) -> None:
    """One test, because the reviews behind it take most of its time."""
    surveyed = [_survey(path) for path in CIRCUITS]
    entries = [item.entry for item in surveyed]
    facts = rule_facts(facade.lesson, entries, True)
    _check_whole(entries, sarif(entries, rules=facts, everything=True), valid)
    for entry in entries:
        valid(sarif([entry], rules=facts))
    _check_others(entries)
    patches = [(item.entry, patch) for item in surveyed for patch in item.patches]
    assert len(patches) > 140
    for entry, patch in patches:
        for ends in ("\n", "\r\n"):
            _check_edits(entry, patch, ends)


def _check_whole(entries: list[Entry], log: dict[str, Any], valid: Callable[[Any], None]) -> None:
    valid(log)
    (run,) = log["runs"]
    assert len(run["artifacts"]) == len(CIRCUITS) > 130
    assert run["invocations"][0]["executionSuccessful"] is True
    found = [item for item in run["results"] if item["kind"] == "fail"]
    assert len(found) == sum(len(entry.findings) for entry in entries) > 200
    for item in found:
        region = item["locations"][0]["physicalLocation"]["region"]
        assert region["startLine"] == region["endLine"]
        assert 1 <= region["startColumn"] < region["endColumn"]
    prints = {(item["locations"][0]["physicalLocation"]["artifactLocation"]["uri"], item["ruleId"],
               item["partialFingerprints"]["primaryLocationLineHash"]) for item in found}
    assert len(prints) == len(found)


def _check_others(entries: list[Entry]) -> None:
    root = ElementTree.fromstring(junit(entries, threshold="note"))
    assert len(root) == len(CIRCUITS)
    failing = {(entry.label, finding["rule"]) for entry in entries for finding in entry.findings}
    assert int(root.attrib["failures"]) == len(failing)
    assert f"and {sum(len(entry.findings) for entry in entries) - 20} more findings" in markdown(entries)


def _check_edits(entry: Entry, patch: tuple[Mapping[str, Any], ...], ends: str) -> None:
    """Whether proven or not: a patch that a rule proposed, as edits of the text."""
    text = entry.text
    assert text is not None
    written = text.text.replace("\n", ends)
    found = parse(applied(written, edits_of(written, text.spelling, patch)), text.spelling)[0]
    assert same(found, patched(text.raw, patch)), f"{entry.label}: {patch}"


@pytest.mark.slow
def test_some_circuits_with_their_remedies(valid: Callable[[Any], None]) -> None:
    entries = []
    for path in WITH_REMEDIES:
        source = Source(str(path))
        entries.append(entry_of(path.name, source, review=facade.review(source.document)))
    log = sarif(entries, rules=rule_facts(facade.lesson, entries))
    valid(log)
    fixes = [fix for item in log["runs"][0]["results"] for fix in item.get("fixes", [])]
    proven = [remedy for entry in entries for finding in entry.findings for remedy in finding["remedies"]
              if remedy["proof"]["proven"]]
    assert len(fixes) == len(proven) > 5
