"""Accepted findings: what a waiver covers, until when, and what it can never do."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from schemas.circuit import Waiver
from schemas.problems import DocumentProblems
from service import facade
from service.ruleset import Ruleset, of_rules
from service.waivers import UNWRITTEN, entries
from tests.service.fakes import document, least_resistance, most_in_all

TODAY = date(2026, 11, 29)
RULES = of_rules([least_resistance(100.0, "150 ohm"), most_in_all(1e6)])
Json = dict[str, Any]
GOOD: Json = {"rule": "least-resistance", "parts": ["R1"], "reason": "picked at test", "owner": "bench",
              "expires": "2027-06-30"}  # fmt: skip


def waiver(**changes: Any) -> Json:
    return {key: value for key, value in {**GOOD, **changes}.items() if value is not None}


def review(*waivers: Any, today: date | None = TODAY, ruleset: Ruleset = RULES, **ohms: Any) -> Json:
    raw = document(**(ohms or {"R1": "47 ohm"})) | {"waivers": list(waivers)}
    found, malformed = facade.read_leniently(json.dumps(raw).encode(), "json")
    return facade.review(found, remedies=False, ruleset=ruleset, today=today, malformed=malformed)


def told(answer: Json, at: int = 0) -> tuple[str, str]:
    return answer["waivers"][at]["status"], answer["waivers"][at]["explanation"]


def test_a_waiver_in_force_takes_its_finding_out_of_the_count_and_no_other() -> None:
    answer = review(waiver(), R1="47 ohm", R2="22 ohm")
    first, second = answer["findings"]
    assert first["waiver"] == {
        "pointer": "/waivers/0", "reason": "picked at test", "owner": "bench", "expires": "2027-06-30",
        "status": "in-force", "explanation": "in force to 2027-06-30, 213 days more"}  # fmt: skip
    assert second["waiver"] is None
    assert answer["waivers"] == [
        {**first["waiver"], "rule": "least-resistance", "parts": ["R1"], "nets": [], "accepted": None,
         "covers": [first["identity"]]}]  # fmt: skip
    assert facade.exit_status(answer) == 1
    assert facade.exit_status(review(waiver(), R1="47 ohm", R2="220 ohm")) == 0


def test_without_a_date_nothing_is_waived() -> None:
    answer = review(waiver(), today=None)
    assert told(answer)[0] == "not-judged"
    assert answer["findings"][0]["waiver"]["status"] == "not-judged"
    assert facade.exit_status(answer) == 1


def test_without_waivers_the_members_are_there_and_empty() -> None:
    answer = review(today=None)
    assert answer["waivers"] == []
    assert [finding["waiver"] for finding in answer["findings"]] == [None]


@pytest.mark.parametrize(("expires", "status", "said"), [
    ("2026-11-28", "expired", "to 2026-11-28, 1 day ago"),
    ("2026-11-29", "in-force", "the last day"),
    ("2026-11-30", "in-force", "1 day more"),
    ("0001-01-01", "expired", "days ago"),
    ("9999-12-31", "in-force", "days more"),
])  # fmt: skip
def test_the_day_of_expiry_still_counts(expires: str, status: str, said: str) -> None:
    answer = review(waiver(expires=expires))
    assert told(answer)[0] == status
    assert said in told(answer)[1]
    assert facade.exit_status(answer) == (0 if status == "in-force" else 1)


@pytest.mark.parametrize(("changes", "pointer"), [
    ({"expires": "2026-13-01"}, "/waivers/0/expires"),
    ({"expires": "soon"}, "/waivers/0/expires"),
    ({"reason": None}, "/waivers/0/reason"),
    ({"reason": "  "}, "/waivers/0/reason"),
    ({"owner": None}, "/waivers/0/owner"),
    ({"parts": ["R9"]}, "/waivers/0/parts/0"),
    ({"parts": None}, "/waivers/0"),
    ({"accepted": "about 47 ohm"}, "/waivers/0/accepted"),
    ({"accepted": True}, "/waivers/0/accepted"),
    ({"until": "2027-01-01"}, "/waivers/0/until"),
])  # fmt: skip
def test_a_malformed_waiver_counts_as_expired_and_hides_nothing(changes: Json, pointer: str) -> None:
    answer = review(waiver(**changes), waiver(rule="most-in-all"))
    status, explanation = told(answer)
    assert status == "malformed"
    assert f"{pointer}: " in explanation
    assert told(answer, 1)[0] == "unused"  # and its neighbour keeps its own place
    assert answer["waivers"][1]["pointer"] == "/waivers/1"
    assert facade.exit_status(answer) == 1
    covered = changes.get("parts", ["R1"]) == ["R1"]
    (finding,) = answer["findings"]
    assert (finding["waiver"] or {}).get("status") == ("malformed" if covered else None)
    raw = document(R1="47 ohm") | {"waivers": [waiver(**changes)]}
    with pytest.raises(DocumentProblems) as refused:  # all else reads strictly, as ever
        facade.read(json.dumps(raw).encode(), "json")
    assert [problem.pointer for problem in refused.value.problems] == [pointer]


@pytest.mark.parametrize("waivers", [{}, "R1", None, 3, [waiver()] * 501])
def test_waivers_that_are_no_list_are_one_malformed_waiver(waivers: Any) -> None:
    raw = document(R1="47 ohm") | {"waivers": waivers}
    found, malformed = facade.read_leniently(json.dumps(raw).encode(), "json")
    answer = facade.review(found, ruleset=RULES, today=TODAY, malformed=malformed)
    assert [(item["pointer"], item["status"]) for item in answer["waivers"]] == [("/waivers", "malformed")]
    assert answer["findings"][0]["remedies"] != []  # proofs work on the document without them
    assert facade.exit_status(answer) == 1


def test_more_malformed_waivers_than_problems_are_told() -> None:
    answer = review(*[waiver(expires=f"day {k}") for k in range(300)])
    assert [item["status"] for item in answer["waivers"]] == ["malformed"]
    assert facade.exit_status(answer) == 1


def test_any_other_problem_refuses_the_document_with_all_of_them() -> None:
    raw = document(R1="47 V") | {"waivers": [waiver(expires="soon")]}
    with pytest.raises(DocumentProblems) as refused:
        facade.read_leniently(json.dumps(raw).encode(), "json")
    pointers = [problem.pointer for problem in refused.value.problems]
    assert pointers == ["/parts/R1/resistance", "/waivers/0/expires"]
    twice = json.dumps(document(R1="47 ohm"))[:-1] + ', "waivers": [{"rule": "a", "rule": "b"}]}'
    with pytest.raises(DocumentProblems, match="stands twice"):
        facade.read_leniently(twice.encode(), "json")


def test_an_unused_waiver_is_told_with_the_name_that_was_meant() -> None:
    answer = review(waiver(), R1="470 ohm")
    said = "least-resistance has no finding that names just R1; take the waiver out"
    assert told(answer) == ("unused", said)
    answer = review(waiver(rule="least-resistence"))
    assert told(answer) == ("unused", "no rule is called least-resistence; nearest: least-resistance")
    assert facade.exit_status(answer) == 1


@pytest.mark.parametrize(
    "lists", [{"parts": ["R1", "R2"]}, {"parts": ["R2"]}, {"parts": ["R1"], "nets": ["rail"]}]
)
def test_a_waiver_is_never_wider_or_narrower_than_a_finding(lists: Json) -> None:
    answer = review(waiver(**lists), R1="47 ohm", R2="470 ohm")
    assert told(answer)[0] == "unused"
    assert facade.exit_status(answer) == 1


def test_the_order_of_parts_in_a_waiver_is_of_no_account() -> None:
    rules = of_rules([most_in_all(100.0)])
    for parts in (["R1", "R2"], ["R2", "R1"]):
        answer = review(waiver(rule="most-in-all", parts=parts), ruleset=rules, R1="1k", R2="2k")
        assert told(answer)[0] == "in-force"


@pytest.mark.parametrize(("accepted", "status"), [
    (47.0, "in-force"), ("47 ohm", "in-force"), ("47R", "in-force"), (40, "in-force"),
    (48.0, "in-force"),  # 1 % of the limit of 100 ohm may be missing
    (48.1, "changed"), ("0.0481 kohm", "changed"), ("47 V", "malformed"), ("5 %", "malformed"),
])  # fmt: skip
def test_a_waiver_holds_while_the_number_is_no_worse_than_accepted(accepted: Any, status: str) -> None:
    answer = review(waiver(accepted=accepted))
    assert told(answer)[0] == status
    assert facade.exit_status(answer) == (0 if status == "in-force" else 1)


def test_changed_numbers_are_told_before_and_now() -> None:
    answer = review(waiver(accepted="68 ohm"))
    assert told(answer)[1] == "it was given for 68 ohm and the finding now has 47 ohm (limit 100 ohm)"
    rules = of_rules([most_in_all(100.0)])
    answer = review(waiver(rule="most-in-all", accepted=2000), ruleset=rules, R1=2002)
    assert told(answer)[1] == "it was given for 2 kohm and the finding now has 2.002 kohm (limit 100 ohm)"


@pytest.mark.parametrize("slug", ["extra-low-voltage", "supply-short"])
def test_some_rules_can_never_be_waived(slug: str) -> None:
    rules = of_rules([least_resistance(100.0, "150 ohm", slug)])
    answer = review(waiver(rule=slug), ruleset=rules)
    assert told(answer) == ("not-waivable", f"a finding of {slug} can never be waived")
    assert answer["findings"][0]["waiver"]["status"] == "not-waivable"
    assert facade.exit_status(answer) == 1
    assert [rule["waivable"] for rule in facade.rules(ruleset=rules)] == [False]
    assert [rule["waivable"] for rule in facade.rules(ruleset=RULES)] == [True, True]


def test_of_several_waivers_for_one_finding_one_in_force_is_enough() -> None:
    answer = review(waiver(expires="2020-01-01"), waiver(owner="the other bench"))
    assert [item["status"] for item in answer["waivers"]] == ["expired", "in-force"]
    assert answer["findings"][0]["waiver"]["pointer"] == "/waivers/1"
    assert facade.exit_status(answer) == 0


def test_the_rules_that_cannot_be_waived_are_installed() -> None:
    from service.waivers import NOT_WAIVABLE

    assert {rule["slug"] for rule in facade.rules() if not rule["waivable"]} == NOT_WAIVABLE


@pytest.mark.parametrize(("given", "fault"), [
    ({"reason": UNWRITTEN["reason"]}, "its reason has still to be written"),
    ({"owner": UNWRITTEN["owner"]}, "its owner has still to be written"),
    (UNWRITTEN, "its reason and its owner have still to be written"),
])  # fmt: skip
def test_a_waiver_that_nobody_has_filled_in_waives_nothing(given: dict[str, str], fault: str) -> None:
    whole = Waiver("preferred-values", ("R1",), (), "found at test", "bench", "2027-06-30")
    (entry,) = entries([replace(whole, **given)])
    assert entry.fault == fault
    assert entries([whole])[0].fault == ""
