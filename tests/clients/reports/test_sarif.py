"""SARIF 2.1.0 from real reviews and comparisons; what the standard asks for beyond its schema."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from clients.edit import patch_text
from clients.reports import Entry, entry_of, rule_facts, sarif, sarif_text
from service import facade
from tests.clients.reports.circuits import EXAMPLES, LAMP, lamp, waiver

Made = Callable[..., Entry]
Valid = Callable[[Any], None]


def log_of(*entries: Entry, everything: bool = False) -> Any:
    rules = rule_facts(facade.lesson, entries, everything)
    return sarif(entries, rules=rules, everything=everything, version="1.2.3")


def results(*entries: Entry) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = log_of(*entries)["runs"][0]["results"]
    return found


def by_rule(entry: Entry) -> dict[str, dict[str, Any]]:
    return {item["ruleId"]: item for item in results(entry)}


def test_a_finding_hugs_the_value_and_links_what_it_rests_on(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    valid(log_of(entry))
    found = by_rule(entry)["min-beta-drive"]
    place = found["locations"][0]
    line = next(at for at, text in enumerate(LAMP.splitlines(), 1) if text.startswith("  R1:"))
    column = LAMP.splitlines()[line - 1].index("10k") + 1
    assert place["physicalLocation"] == {"artifactLocation": {"uri": "lamp.yaml"}, "region": {
        "startLine": line, "startColumn": column, "endLine": line, "endColumn": column + 3}}
    assert place["logicalLocations"][0]["fullyQualifiedName"] == "/parts/R1/resistance"
    assert (found["kind"], found["level"]) == ("fail", "error")
    ids = [item["id"] for item in found["relatedLocations"]]
    assert ids == list(range(1, len(ids) + 1))
    assert all(f"]({number})" in found["message"]["text"] for number in ids)
    assert found["message"]["text"].startswith(entry.findings[0]["message"])
    assert found["properties"]["identity"] == entry.findings[0]["identity"]
    assert found["properties"]["evidence"] == entry.findings[0]["evidence"]
    assert found["properties"]["margin"] == pytest.approx(-0.862, abs=0.001)
    assert by_rule(entry)["saturation-headroom"]["properties"]["caused_by"] == entry.findings[0]["identity"]


def test_rules_have_what_hosts_ask_for(made: Made) -> None:
    run = log_of(made(lamp()))["runs"][0]
    driver = run["tool"]["driver"]
    assert (driver["name"], driver["semanticVersion"]) == ("thumbrule", "1.2.3")
    assert [rule["id"] for rule in driver["rules"]] == ["min-beta-drive", "saturation-headroom"]
    taxonomy = run["taxonomies"][0]
    for at, rule in enumerate(driver["rules"]):
        assert rule["name"] == "".join(word.title() for word in rule["id"].split("-"))
        assert all(0 < len(rule[key]["text"]) <= 1024 for key in ("shortDescription", "fullDescription"))
        assert "Why: " in rule["help"]["text"]
        assert "**Why:** " in rule["help"]["markdown"]
        assert rule["defaultConfiguration"] == {"level": "warning"}
        assert rule["properties"]["precision"] in ("high", "medium")
        assert rule["relationships"][0]["target"] == {
            "id": rule["id"], "index": at, "toolComponent": {"name": taxonomy["name"], "index": 0}}
        assert taxonomy["taxa"][at]["id"] == rule["id"]
        assert taxonomy["taxa"][at]["properties"]["source"]
    for result in run["results"]:
        assert driver["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
        assert taxonomy["taxa"][result["taxa"][0]["index"]]["id"] == result["ruleId"]


def test_rules_of_other_distributions_are_extensions(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    facts = [{**item, "distribution": "pond-rules", "version": "0.3"} if item["slug"] == "min-beta-drive"
             else item for item in rule_facts(facade.lesson, [entry])]
    log = sarif([entry], rules=facts)
    valid(log)
    run = log["runs"][0]
    (extension,) = run["tool"]["extensions"]
    assert (extension["name"], extension["version"]) == ("pond-rules", "0.3")
    assert [rule["id"] for rule in extension["rules"]] == ["min-beta-drive"]
    foreign, own = run["results"]
    assert foreign["rule"] == {"id": "min-beta-drive", "index": 0,
                               "toolComponent": {"name": "pond-rules", "index": 0}}
    assert "ruleIndex" not in foreign  # it counts in the rules of the driver
    assert run["tool"]["driver"]["rules"][own["ruleIndex"]]["id"] == "saturation-headroom"


def test_descriptions_are_cut_between_words(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    facts = [{**item, "rule_of_thumb": "word " * 400} for item in rule_facts(facade.lesson, [entry])]
    log = sarif([entry], rules=facts)
    valid(log)
    rule = log["runs"][0]["tool"]["driver"]["rules"][0]
    text = rule["fullDescription"]["text"]
    assert 1015 < len(text) <= 1024
    assert text.endswith(" word...")


def test_without_facts_the_rules_are_told_by_name(made: Made, valid: Valid) -> None:
    log = sarif([made(lamp())])
    valid(log)
    assert "taxonomies" not in log["runs"][0]
    assert [rule["id"] for rule in log["runs"][0]["tool"]["driver"]["rules"]] == [
        "min-beta-drive", "saturation-headroom"]


def offset(text: str, line: int, column: int) -> int:
    """The offset of a place of SARIF, counted on the bytes of UTF-16."""
    rows = text.splitlines(keepends=True)
    row = rows[line - 1] if line <= len(rows) else ""
    units = row.encode("utf-16-le")[:2 * (column - 1)]
    return sum(map(len, rows[:line - 1])) + len(units.decode("utf-16-le"))


def with_fix(text: str, fix: dict[str, Any]) -> str:
    (change,) = fix["artifactChanges"]
    for item in reversed(change["replacements"]):
        gone = item["deletedRegion"]
        start = offset(text, gone["startLine"], gone["startColumn"])
        end = offset(text, gone["endLine"], gone["endColumn"])
        text = text[:start] + item.get("insertedContent", {}).get("text", "") + text[end:]
    return text


@pytest.mark.parametrize("ends", ["\n", "\r\n"])
@pytest.mark.parametrize("name", ["vent-relay.yaml", "workshop-lamp.yaml", "class-microphone.yaml"])
def test_fixes_give_the_patched_text(made: Made, valid: Valid, name: str, ends: str) -> None:
    text = (EXAMPLES / name).read_text(encoding="utf-8")
    text = text.replace("parts:\n", "parts:   # \U0001f514 µΩ\n").replace("\n", ends)
    entry = made(text, remedies=True)
    valid(log_of(entry))
    applied = 0
    for finding, result in zip(entry.findings, results(entry), strict=True):
        remedies = [item for item in finding["remedies"] if item["proof"]["proven"]]
        assert len(result.get("fixes", [])) == len(remedies)
        for remedy, fix in zip(remedies, result.get("fixes", []), strict=True):
            assert with_fix(text, fix) == patch_text(text, "yaml", remedy["patch"])
            assert remedy["summary"] in fix["description"]["text"]
            assert "(limit " in fix["description"]["text"]
            applied += 1
    assert applied


def test_a_fix_touches_the_value_alone(made: Made) -> None:
    fixes = by_rule(made(lamp(), remedies=True))["min-beta-drive"]["fixes"]
    (change,) = fixes[0]["artifactChanges"]
    (replacement,) = change["replacements"]
    gone = replacement["deletedRegion"]
    assert gone["endColumn"] - gone["startColumn"] == len("10k")
    assert replacement["insertedContent"]["text"].endswith("kohm")


def test_withdrawn_remedies_are_no_fixes(made: Made) -> None:
    entry = made(lamp(), remedies=True)
    for finding in entry.findings:
        for remedy in finding["remedies"]:
            remedy["proof"]["proven"] = False
    assert all("fixes" not in item for item in results(entry))


def test_suppressions_on_all_results_or_none(made: Made, valid: Valid) -> None:
    plain = results(made(lamp()))
    assert all("suppressions" not in item for item in plain)
    entry = made(lamp(waiver("min-beta-drive", "Q1", "R1", reason='"wired, and \\"good\\""')))
    valid(log_of(entry))
    first, second = results(entry)
    assert second["suppressions"] == []
    (only,) = first["suppressions"]
    assert (only["kind"], only["status"]) == ("inSource", "accepted")
    assert only["justification"] == 'wired, and "good" (Anna, until 2026-12-31)'
    assert only["location"]["logicalLocations"][0]["fullyQualifiedName"] == "/waivers/0"
    lines = lamp(waiver("x", "Q1")).splitlines()
    assert only["location"]["physicalLocation"]["region"]["startLine"] == len(lines)


def test_other_outcomes_have_suppressions_as_well_once_one_result_has(made: Made, valid: Valid) -> None:
    log = log_of(made(lamp(waiver("min-beta-drive", "Q1", "R1"))), everything=True)
    valid(log)
    assert [item for item in log["runs"][0]["results"] if "suppressions" not in item] == []


def test_an_expired_waiver_is_rejected_and_told(made: Made, valid: Valid) -> None:
    entry = made(lamp(waiver("min-beta-drive", "Q1", "R1"), waiver("flyback-path", "LP1")),
                 today=date(2027, 1, 1))
    log = log_of(entry)
    valid(log)
    assert by_rule(entry)["min-beta-drive"]["suppressions"][0]["status"] == "rejected"
    notes = log["runs"][0]["invocations"][0]["toolConfigurationNotifications"]
    assert [note["message"]["text"].partition(":")[0] for note in notes] == [
        "The waiver of min-beta-drive for Q1, R1 is expired", "The waiver of flyback-path for LP1 is unused"]
    assert all(note["level"] == "warning" for note in notes)


def test_a_waiver_that_a_change_brings_is_under_review(made: Made, valid: Valid) -> None:
    entry = made(lamp(waiver("min-beta-drive", "Q1", "R1")), base=lamp())
    valid(log_of(entry))
    found = by_rule(entry)["min-beta-drive"]["suppressions"]
    assert [item["status"] for item in found] == ["underReview"]
    assert "region" in found[0]["location"]["physicalLocation"]


def test_a_waiver_of_the_base_has_no_line_in_the_head(made: Made, valid: Valid) -> None:
    entry = made(lamp(R1="22k"), base=lamp(waiver("min-beta-drive", "Q1", "R1")))
    valid(log_of(entry))
    (only,) = by_rule(entry)["min-beta-drive"]["suppressions"]
    assert (only["status"], only["properties"]["status"]) == ("rejected", "withdrawn")
    assert "region" not in only["location"]["physicalLocation"]


def test_baseline_states_on_all_results_or_none(made: Made, valid: Valid) -> None:
    assert all("baselineState" not in item for item in results(made(lamp())))
    same = made(lamp(), base=lamp())
    worse = made(lamp(R1="22k"), "worse.yaml", base=lamp())
    fresh = made(lamp(), "fresh.yaml", compare=True)
    mended = made(lamp(R1="1.3k"), "mended.yaml", base=lamp())
    alone = made(lamp(), "alone.yaml")
    log = log_of(same, worse, fresh, mended, alone)
    valid(log)
    states: dict[str, set[str]] = {}
    for item in log["runs"][0]["results"]:
        uri = item["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
        states.setdefault(uri, set()).add(item["baselineState"])
    assert states == {"lamp.yaml": {"unchanged"}, "worse.yaml": {"updated"}, "fresh.yaml": {"new"},
                      "mended.yaml": {"absent"}, "alone.yaml": {"new"}}


def test_what_is_gone_has_no_region_and_no_fix(made: Made) -> None:
    entry = made(lamp(R1="1.3k"), base=lamp(), remedies=True)
    gone = results(entry)
    assert {item["ruleId"] for item in gone} == {"min-beta-drive", "saturation-headroom"}
    for item in gone:
        assert "region" not in item["locations"][0]["physicalLocation"]
        assert "fixes" not in item
        assert item["partialFingerprints"].keys() == {"thumbrule/identity/v1"}


def test_fingerprints_hold_no_line_numbers(made: Made) -> None:
    text = lamp()
    moved = "# one\n# two\n\n" + text.replace("  R1:", "  # moved\n  R1:")
    before, after = (by_rule(made(item))["min-beta-drive"] for item in (text, moved))
    assert before["partialFingerprints"] == after["partialFingerprints"]
    assert before["locations"] != after["locations"]
    other = by_rule(made(text.replace("# too large", "# far too large")))["min-beta-drive"]
    assert other["partialFingerprints"] != before["partialFingerprints"]


def test_one_wording_of_a_line_twice_gives_two_hashes(made: Made) -> None:
    text = (EXAMPLES / "vent-relay.yaml").read_text(encoding="utf-8")
    prints = [item["partialFingerprints"]["primaryLocationLineHash"] + item["ruleId"]
              for item in results(made(text))]
    assert len(set(prints)) == len(prints)


def test_outcomes_other_than_findings(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    log = log_of(entry, everything=True)
    valid(log)
    (run,) = log["runs"]
    kinds = {item["kind"]: item["level"] for item in run["results"]}
    assert kinds == {"fail": "error", "pass": "none", "notApplicable": "none"}
    said = {item["ruleId"] for item in run["results"] if item["kind"] == "notApplicable"}
    assert said == {item["rule"] for item in entry.answer["outcomes"] if item["kind"] == "not-applicable"}
    passed = next(item for item in run["results"]
                  if (item["kind"], item["ruleId"]) == ("pass", "drop-budget"))
    assert " <= " in passed["message"]["text"] or " >= " in passed["message"]["text"]


def test_undecided_outcomes_are_always_told(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    outcome = {"rule": "reset-path", "kind": "undecided", "subject": ["Q1"],
               "reason": "needs {a} [requirement]", "state": None, "corner": None, "test": None}
    entry.answer["outcomes"].append(outcome)  # type: ignore[attr-defined]
    log = log_of(entry)
    valid(log)
    (found,) = [item for item in log["runs"][0]["results"] if item["kind"] == "open"]
    assert found["level"] == "none"
    assert found["message"]["text"] == (
        "reset-path could not be decided for Q1: needs {{a}} \\[requirement\\].")
    assert found["locations"][0]["logicalLocations"][0]["fullyQualifiedName"] == "/parts/Q1"


def test_in_a_comparison_outcomes_have_a_run_of_their_own(made: Made, valid: Valid) -> None:
    log = log_of(made(lamp(), base=lamp()), everything=True)
    valid(log)
    findings, others = log["runs"]
    assert {item["kind"] for item in findings["results"]} == {"fail"}
    assert all("baselineState" in item for item in findings["results"])
    assert all("baselineState" not in item for item in others["results"])
    assert findings["automationDetails"]["id"] != others["automationDetails"]["id"]


def test_a_failed_rule_is_a_notification_and_no_success(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    outcome = {"rule": "reset-path", "kind": "failed", "subject": [], "reason": "the rule raised KeyError"}
    entry.answer["outcomes"].append(outcome)  # type: ignore[attr-defined]
    log = log_of(entry)
    valid(log)
    (invocation,) = log["runs"][0]["invocations"]
    assert invocation["executionSuccessful"] is False
    (note,) = invocation["toolExecutionNotifications"]
    assert note["associatedRule"]["id"] == "reset-path"
    assert note["level"] == "error"
    assert note["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == "lamp.yaml"


def test_an_unreadable_document_is_a_notification_with_its_line(made: Made, valid: Valid) -> None:
    entry = made(lamp().replace("resistance: 10k", "resistence: 10k"))
    log = log_of(entry, made("{", "torn.json"), made(lamp(), "good.yaml"))
    valid(log)
    (invocation,) = log["runs"][0]["invocations"]
    assert invocation["executionSuccessful"] is False
    notes = invocation["toolConfigurationNotifications"]
    places = {(place["artifactLocation"]["uri"], place["region"]["startLine"]) for note in notes
              for place in [note["locations"][0]["physicalLocation"]]}
    line = next(at for at, text in enumerate(LAMP.splitlines(), 1) if text.startswith("  R1:"))
    assert places == {("lamp.yaml", line), ("torn.json", 1)}
    assert any("resistance" in note["message"]["text"] for note in notes)
    assert len(log["runs"][0]["results"]) == 2


def test_paths_with_blanks_and_umlauts(made: Made, valid: Valid, tmp_path: Path) -> None:
    entry = made(lamp(), str(tmp_path / "Gärten am Teich" / "Lampe 1.yaml"))
    text = sarif_text([entry])
    valid(json.loads(text))
    assert '"G%C3%A4rten%20am%20Teich/Lampe%201.yaml"' in text
    assert str(tmp_path) not in text


def test_standard_input_has_places_in_the_data_only(valid: Valid, made: Made) -> None:
    given = made(lamp(), remedies=True)
    entry = entry_of("-", given.source, review=given.review)
    log = log_of(entry)
    valid(log)
    for item in log["runs"][0]["results"]:
        assert "physicalLocation" not in item["locations"][0]
        assert "fixes" not in item
    assert "artifacts" not in log["runs"][0]


def test_a_file_named_twice_is_one_artifact(made: Made, valid: Valid) -> None:
    log = log_of(made(lamp(), base=lamp()), made(lamp(), base=lamp()))
    valid(log)
    assert [item["location"]["uri"] for item in log["runs"][0]["artifacts"]] == ["lamp.yaml"]
    assert len(log["runs"][0]["results"]) == 4


def test_an_empty_run_is_valid(valid: Valid) -> None:
    log = log_of()
    valid(log)
    assert log["runs"][0]["results"] == []
    assert log["runs"][0]["invocations"][0]["executionSuccessful"] is True


def test_messages_are_escaped_as_message_strings(made: Made, valid: Valid) -> None:
    entry = made(lamp())
    entry.findings[0]["message"] = r"A net {0} of [a](b) and c:\d."  # type: ignore[index]
    log = log_of(entry)
    valid(log)
    assert log["runs"][0]["results"][0]["message"]["text"].startswith(
        r"A net {{0}} of \[a\](b) and c:\\d. See [")
