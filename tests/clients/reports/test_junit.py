"""The JUnit-style XML: a suite per circuit, a case per rule, one thing said of each case."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import pytest

from clients.reports import Entry, entry_of, junit
from tests.clients.reports.circuits import lamp, waiver

Made = Callable[..., Entry]
CHECKED = "the circuit could be checked"


def suites(*entries: Entry, threshold: str = "warning", erosion: bool = False) -> list[Element]:
    text = junit(entries, threshold=threshold, erosion=erosion)
    assert text.isascii()
    root = ElementTree.fromstring(text)
    counted(root)
    return list(root)


def counted(root: Element) -> None:
    """The numbers on each suite are those of its cases, and no case has more than one verdict."""
    for suite in [root, *root]:
        cases = suite.findall(".//testcase")
        assert suite.attrib["tests"] == str(len(cases))
        for kind, name in (("failure", "failures"), ("error", "errors"), ("skipped", "skipped")):
            assert suite.attrib[name] == str(sum(case.find(kind) is not None for case in cases))
        assert all(len(case) <= 1 for case in cases)
        named = {name for case in [suite, *cases] for name in case.attrib}
        assert named <= {"name", "classname", "tests", "failures", "errors", "skipped"}  # no time, no machine


def case_of(entry: Entry, name: str, threshold: str = "warning", erosion: bool = False) -> Element | None:
    """What is said of a case; ``None`` when it just passed."""
    (suite,) = suites(entry, threshold=threshold, erosion=erosion)
    (case,) = [item for item in suite if item.attrib["name"] == name]
    assert case.attrib["classname"] == entry.label
    return case[0] if len(case) else None


def said(entry: Entry, name: str, threshold: str = "warning", erosion: bool = False) -> tuple[str, str]:
    found = case_of(entry, name, threshold, erosion)
    assert found is not None
    return found.tag, found.attrib.get("message", "")


def test_every_rule_is_a_case(made: Made) -> None:
    entry = made(lamp(), "pond/lamp.yaml")
    (suite,) = suites(entry)
    assert suite.attrib["name"] == "workshop-lamp"
    rules = sorted({item["rule"] for item in entry.answer["outcomes"]})
    assert [case.attrib["name"] for case in suite] == [CHECKED, *rules]
    assert case_of(entry, CHECKED) is None
    assert case_of(entry, "drop-budget") is None


def test_a_finding_is_a_failure_with_its_numbers(made: Made) -> None:
    entry = made(lamp(), remedies=True)
    found = case_of(entry, "min-beta-drive")
    assert found is not None
    assert (found.tag, found.attrib["type"]) == ("failure", "error")
    assert found.attrib["message"] == entry.findings[0]["message"]
    lines = (found.text or "").splitlines()
    assert lines[0].startswith("lamp.yaml:15: error: min-beta-drive: Q1, R1, net base")
    assert "judged: 0.4144 >= 3, margin -86.2 %" in lines
    assert any(line.startswith("proven: R1 10 kohm to 1.3 kohm") and "0.4144 -> 3.237 (limit 3)" in line
               for line in lines)


def test_findings_of_one_rule_are_one_failure(made: Made) -> None:
    entry = made(lamp())
    twin = {**entry.findings[0], "identity": "min-beta-drive/1/twin", "severity": "warning"}
    entry.answer["findings"].append(twin)  # type: ignore[attr-defined]
    found = case_of(entry, "min-beta-drive")
    assert found is not None
    assert found.attrib["message"].endswith(" (and 1 more)")
    assert (found.text or "").count("identity: min-beta-drive/1/") == 2


def test_what_is_below_the_threshold_passes_and_is_told(made: Made) -> None:
    entry = made(lamp())
    for finding in entry.findings:
        finding["severity"] = "note"  # type: ignore[index]
    assert case_of(entry, "min-beta-drive", "note").tag == "failure"  # type: ignore[union-attr]
    found = case_of(entry, "min-beta-drive", "warning")
    assert found is not None
    assert found.tag == "system-out"
    assert "note: min-beta-drive" in (found.text or "")


def test_a_waived_finding_is_skipped_with_its_reason_and_an_expired_one_fails(made: Made) -> None:
    text = lamp(waiver("min-beta-drive", "Q1", "R1"))
    assert said(made(text), "min-beta-drive") == ("skipped", "waived: a dummy (Anna, until 2026-12-31)")
    late = made(text, today=date(2027, 1, 1))
    found = case_of(late, "min-beta-drive")
    assert found is not None
    assert found.tag == "failure"
    assert "waiver, expired: a dummy (Anna, until 2026-12-31)" in (found.text or "").splitlines()


def test_what_does_not_apply_is_skipped_with_the_reason(made: Made) -> None:
    entry = made(lamp())
    assert said(entry, "battery-sag") == ("skipped", "not-applicable: there is no battery")
    add(entry, rule="reset-path", kind="undecided", reason="needs a requirement")
    assert said(entry, "reset-path") == ("skipped", "undecided: needs a requirement")


def add(entry: Entry, *, rule: str, kind: str, reason: str) -> None:
    entry.answer["outcomes"].append(  # type: ignore[attr-defined]
        {"rule": rule, "kind": kind, "subject": [], "reason": reason})


def test_a_rule_that_could_not_be_run_is_an_error_whatever_else_it_said(made: Made) -> None:
    entry = made(lamp())
    add(entry, rule="min-beta-drive", kind="failed", reason="the rule raised KeyError")
    found = case_of(entry, "min-beta-drive")
    assert found is not None
    assert (found.tag, found.attrib["message"]) == ("error", "the rule raised KeyError")
    assert "judged: " in (found.text or "")


def test_an_unreadable_document_is_an_error(made: Made) -> None:
    entry = made(lamp().replace("resistance: 10k", "resistence: 10k"))
    (suite,) = suites(entry)
    (case,) = suite
    assert (case.attrib["name"], case[0].tag) == (CHECKED, "error")
    assert "lamp.yaml:15: /parts/R1/resistence: " in (case[0].text or "")


@pytest.mark.parametrize("change", [{"complete": False}, {"problems": ["a loop of ideal sources"]}])
def test_an_incomplete_search_is_an_error(made: Made, change: dict[str, object]) -> None:
    entry = made(lamp())
    entry.answer.update(change)  # type: ignore[attr-defined]
    assert said(entry, CHECKED)[0] == "error"


def test_known_findings_are_skipped_and_worsened_ones_fail(made: Made) -> None:
    known = made(lamp(), base=lamp())
    kind, message = said(known, "min-beta-drive")
    assert kind == "skipped"
    assert message.startswith("known: ")
    worse = made(lamp(R1="22k"), base=lamp())
    found = case_of(worse, "min-beta-drive")
    assert found is not None
    assert found.tag == "failure"
    assert "margin -94.1 %, before -86.2 %" in (found.text or "")


def test_an_eroded_margin_fails_only_when_asked(made: Made) -> None:
    entry = made(lamp(R1="22k"), base=lamp())
    assert any(item["rule"] == "base-bleed" for item in entry.eroded)
    found = case_of(entry, "base-bleed")
    assert found is not None
    assert found.tag == "system-out"
    kind, message = said(entry, "base-bleed", erosion=True)
    assert kind == "failure"
    assert "margin fell by" in message


def test_characters_that_xml_does_not_allow_are_written_out(made: Made) -> None:
    """XML 1.0, section 2.2: of the control characters only tab, line feed and carriage return."""
    entry = made(lamp())
    nasty = "a\x00b\x07<&>\"'\x1b\ud800\ufffe\U0001f600µ\r\n\tend ]]>"
    entry.findings[0]["message"] = nasty  # type: ignore[index]
    add(entry, rule="min-beta-drive", kind="failed", reason=nasty)
    found = case_of(entry, "min-beta-drive")
    assert found is not None
    shown = "a\\x00b\\x07<&>\"'\\x1b\\xd800\\xfffe\U0001f600µ\r\n\tend ]]>"
    assert found.attrib["message"] == shown
    assert shown in (found.text or "")


def test_suites_are_in_the_order_of_their_files(made: Made) -> None:
    one, two = made(lamp(), "b.yaml"), made(lamp(), "a.yaml")
    nothing = entry_of("c.yaml", problem={"detail": "no such file"})
    found = suites(one, nothing, two)
    assert [suite[0].attrib["classname"] for suite in found] == ["a.yaml", "b.yaml", "c.yaml"]
    assert suites() == []
