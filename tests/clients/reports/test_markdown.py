"""The Markdown summary: a table that stays a table, sections, caps, and nothing that a reader could run."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from html import unescape

import pytest

from clients.reports import Entry, entry_of, markdown
from clients.reports.markdown_summary import HEAD, cell, opening, plain
from tests.clients.reports.circuits import lamp, waiver

Made = Callable[..., Entry]
_BAR = re.compile(r"(?<!\\)\|")


def rows(text: str) -> list[list[str]]:
    """The cells of the table, read as GitHub Flavored Markdown reads them (section 4.10, from memory)."""
    lines = [line for line in text.splitlines() if line.startswith("|")]
    cells = [[part.strip() for part in _BAR.split(line)[1:-1]] for line in lines]
    assert all(len(row) == len(HEAD) for row in cells)
    return cells


def body(text: str) -> list[list[str]]:
    return rows(text)[2:]


def test_the_table_has_the_promised_columns(made: Made) -> None:
    text = markdown([made(lamp(), remedies=True)])
    head, marks, drive, headroom = rows(text)
    assert head == ["Finding", "Number", "Limit", "Margin before", "Margin now", "Mend"]
    assert all(re.fullmatch(r"-+:?", mark) for mark in marks)
    assert drive[:5] == ["**error: min-beta-drive: Q1, R1, base**<br>lamp.yaml:15", "0.4144", "&gt;= 3", "",
                         "-86.2 %"]
    assert drive[5].startswith("R1 10 kohm to 1.3 kohm")
    assert "0.4144 -&gt; 3.237 (limit 3)" in drive[5]
    assert headroom[5] == "follows from min-beta-drive"
    assert text.splitlines()[0] == "### thumbrule: fails: 1 error, and 1 consequence of these"


def test_a_comparison_shows_the_margin_before(made: Made) -> None:
    drive = body(markdown([made(lamp(R1="22k"), base=lamp())]))[0]
    assert drive[0].startswith("**worsened error: min-beta-drive")
    assert drive[3:5] == ["-86.2 %", "-94.1 %"]


def test_known_and_waived_findings_are_not_counted(made: Made) -> None:
    known = markdown([made(lamp(), base=lamp())])
    assert known.splitlines()[0] == "### thumbrule: passes; 2 findings not counted"
    assert [row[0].partition("<br>")[0] for row in body(known)] == [
        "known error: min-beta-drive: Q1, R1, base", "known error: saturation-headroom: Q1, lamp"]
    waived = markdown([made(lamp(waiver("min-beta-drive", "Q1", "R1")))])
    assert waived.splitlines()[0] == "### thumbrule: fails: 1 error; 1 finding not counted"
    assert [row[0].split(":")[0] for row in body(waived)] == ["**error", "waived error"]
    assert "- in force: 1" in waived


def test_gone_findings_and_eroded_margins_have_their_lists(made: Made) -> None:
    mended = markdown([made(lamp(R1="1.3k"), base=lamp())])
    assert mended.splitlines()[0] == "### thumbrule: passes"
    assert "- lamp.yaml: min-beta-drive: Q1, R1, base" in mended.partition("**Gone**")[2]
    entry = made(lamp(R1="22k"), base=lamp())
    worn = markdown([entry]).partition("**Still satisfied, with less margin**")[2]
    assert worn.count("\n- lamp.yaml: ") == len(entry.eroded) > 1
    assert "model-agreement: 79.18 mV -&gt; 93.04 mV (limit &lt;= 300 mV), margin fell by 4.62 %" in worn
    assert "limit &lt;= 186.1 uA -&gt; &lt;= 79.96 uA), margin fell by 12.6 %" in worn
    assert "base-bleed: Q1: 17.69 uA -&gt; 17.69 uA (limit &lt;= 186.1 uA -&gt; &lt;= 79.96 uA)" in worn


def test_a_caller_may_have_a_verdict_of_its_own(made: Made) -> None:
    text = markdown([made(lamp())], title="gate", verdict="2 new (threshold *note*); exit status 1")
    assert text.startswith("### gate: 2 new (threshold \\*note\\*); exit status 1\n")


def test_what_follows_from_a_finding_stands_below_it(made: Made) -> None:
    one, two = made(lamp(), "a.yaml"), made(lamp(), "b.yaml")
    for finding in two.findings:
        finding["severity"] = "warning"  # type: ignore[index]
    found = [row[0] for row in body(markdown([two, one]))]
    assert [name.partition(":")[0] + name.partition("<br>")[2] for name in found] == [
        "**errora.yaml:15", "**errora.yaml:17", "**warningb.yaml:15", "**warningb.yaml:17"]


def test_waivers_are_told_by_status(made: Made) -> None:
    late = markdown([made(lamp(waiver("min-beta-drive", "Q1", "R1"), waiver("flyback-path", "LP1")),
                          today=date(2027, 1, 1))])
    assert "- expired, no longer in force: lamp.yaml: min-beta-drive for Q1, R1: a dummy" in late
    assert "- unused, may be deleted: lamp.yaml: flyback-path for LP1: a dummy" in late
    fresh = markdown([made(lamp(waiver("min-beta-drive", "Q1", "R1")), base=lamp())])
    assert "- proposed by this change, in force once it is merged: lamp.yaml: min-beta-drive" in fresh
    gone = markdown([made(lamp(), base=lamp(waiver("min-beta-drive", "Q1", "R1")))])
    assert "- taken away by this change: lamp.yaml: min-beta-drive" in gone


def test_what_could_not_be_checked_comes_first(made: Made) -> None:
    torn = entry_of("torn.yaml", problem={"detail": "The text is not a circuit document."})
    entry = made(lamp(), base=lamp())
    text = markdown([entry, torn])
    assert text.splitlines()[0] == ("### thumbrule: could not check 1 of 2 circuits; "
                                    "2 findings not counted")
    assert text.index("- torn.yaml: The text is not a circuit document.") < text.index("| Finding")
    entry.answer["outcomes"].append(  # type: ignore[attr-defined]
        {"rule": "reset-path", "kind": "failed", "subject": [], "reason": "the rule raised KeyError"})
    assert "- lamp.yaml: reset-path could not be run" in markdown([entry])


def test_long_lists_are_cut_and_the_rest_is_counted(made: Made) -> None:
    entries = [made(lamp(), f"{name}.yaml") for name in "abcdef"]
    text = markdown(entries, rows=5)
    assert len(body(text)) == 5
    assert "and 7 more findings" in text
    assert len(markdown(entries, rows=1).splitlines()) < len(text.splitlines())
    assert "more finding" not in markdown(entries, rows=12)


NASTY = "a|b `c` <img src=x onerror=1> [d](e) *f* _g_ @anna #12 $x$ ~h~ \\ &amp;\n\n# end\r\n| - |\u202e\x07"


@pytest.mark.parametrize("write", [plain, cell, opening])
def test_text_of_a_document_stays_text(write: Callable[[str], str]) -> None:
    shown = write(NASTY)
    assert "\n" not in shown
    assert shown.isprintable()
    assert not re.search(r"(?<!\\)[|`*_\[\]#$~]", shown.replace("&#64;", ""))
    assert "<" not in shown
    assert "@" not in shown
    # Read back by undoing the escapes, it is the text again, on one line.
    back = unescape(re.sub(r"\\([\\`*_\[\]#!|~$])", r"\1", shown))
    assert back == "a|b `c` <img src=x onerror=1> [d](e) *f* _g_ @anna #12 $x$ ~h~ \\ &amp; # end | - |"


def test_a_table_with_nasty_names_is_still_a_table(made: Made) -> None:
    entry = made(lamp(), remedies=True)
    finding = entry.findings[0]
    finding["parts"][:] = [NASTY]
    finding["remedies"][0]["summary"] = NASTY
    entry.review["waivers"].append(  # type: ignore[index]
        {"rule": NASTY, "status": "unused", "parts": [NASTY], "nets": [], "reason": NASTY, "owner": NASTY,
         "expires": NASTY, "explanation": NASTY, "covers": []})
    text = markdown([entry])
    assert len(body(text)) == 2
    assert "- unused, may be deleted: " in text
    assert "<img" not in text
    assert "@anna" not in text


@pytest.mark.parametrize(("text", "written"), [
    ("- x", "\\- x"), ("+ x", "\\+ x"), ("12. x", "12\\. x"), ("1) x", "1\\) x"), ("1.5 V", "1\\.5 V"),
    ("# x", "\\# x"), ("lamp-1.yaml", "lamp-1.yaml")])
def test_the_beginning_of_a_block_opens_no_list(text: str, written: str) -> None:
    assert opening(text) == written


def test_long_cells_are_cut() -> None:
    assert len(cell("x" * 500)) == 200
    assert cell("x" * 500).endswith("...")


def test_nothing_at_all() -> None:
    assert markdown([]) == "### thumbrule: passes\n"


def test_other_terms_and_what_is_not_judged_any_more_are_told(made: Made) -> None:
    entry = made(lamp(), base=lamp())
    assert entry.comparison is not None
    terms = {"what": "requirement", "name": "delay glow", "before": "target 30 s", "after": "target 60 s",
             "pointer": "/requirements/0"}  # fmt: skip
    lost = {"rule": "true-off", "subject": ["Q1"], "was": "violated", "why": "not-applicable: no | switch"}
    text = markdown([replace(entry, comparison={**entry.comparison, "terms": [terms], "unjudged": [lost]})])
    assert ("**Judged by other terms**\n\n- lamp.yaml: requirement delay glow: "
            "target 30 s -&gt; target 60 s") in text  # fmt: skip
    assert ("**Not judged any more**\n\n- lamp.yaml: true-off: Q1: violated before, not judged any more: "
            "not-applicable: no \\| switch") in text  # fmt: skip


def test_remedies_that_were_not_looked_for_are_not_denied(made: Made) -> None:
    entry = made(lamp())
    assert body(markdown([entry]))[0][5] == "no proven change"
    assert body(markdown([replace(entry, searched=False)]))[0][5] == "not looked for"
