"""The waivers of the base judge a change: it cannot exempt itself, nor hide what it takes back."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest

from service import facade
from service.ruleset import of_rules
from tests.service.fakes import document, least_resistance

Json = dict[str, Any]
TODAY = date(2026, 11, 29)
RULES = of_rules([least_resistance(100.0, "150 ohm")])
GOOD: Json = {"rule": "least-resistance", "parts": ["R1"], "reason": "picked at test", "owner": "bench",
              "expires": "2027-06-30"}  # fmt: skip


def waiver(**changes: Any) -> Json:
    return {key: value for key, value in {**GOOD, **changes}.items() if value is not None}


def circuit(ohms: str, *waivers: Json, part: str = "R1") -> Json:
    return document(**{part: ohms}) | ({"waivers": list(waivers)} if waivers else {})


def compare(base: Json | None, head: Json, slug: str = "", today: date | None = TODAY, **more: Any) -> Json:
    rules = of_rules([least_resistance(100.0, "150 ohm", slug)]) if slug else RULES
    before, bad = (None, ()) if base is None else facade.read_leniently(json.dumps(base).encode(), "json")
    after, worse = facade.read_leniently(json.dumps(head).encode(), "json")
    return facade.compare(before, after, ruleset=rules, remedies=False, today=today, base_malformed=bad,
                          head_malformed=worse, **more)  # fmt: skip


def told(answer: Json) -> list[tuple[str, str]]:
    return [(item["side"], item["status"]) for item in answer["waivers"]]


def the_finding(answer: Json) -> tuple[str, str | None, bool]:
    (finding,) = answer["findings"]
    assert answer["review"]["findings"][0]["waiver"] == finding["waiver"]
    return finding["mark"], (finding["waiver"] or {}).get("status"), finding["counts"]


def test_a_waiver_of_the_base_is_in_force() -> None:
    answer = compare(circuit("50 ohm", waiver()), circuit("50 ohm", waiver()))
    assert told(answer) == [("base", "in-force")]
    assert the_finding(answer) == ("known", "in-force", False)
    assert answer["today"] == "2026-11-29"
    (finding,) = answer["findings"]
    assert finding["waiver"]["side"] == "base"
    assert finding["why"] == (
        "with the same numbers before; waiver in-force: in force to 2027-06-30, 213 days more")  # fmt: skip
    assert facade.exit_status(answer["review"]) == 0


def test_a_change_cannot_exempt_itself() -> None:
    for base in (None, circuit("200 ohm"), circuit("60 ohm")):
        answer = compare(base, circuit("50 ohm", waiver()))
        assert told(answer) == [("head", "proposed")]
        (proposed,) = answer["waivers"]
        said = "proposed by this change; it is in force only once it is in the base"
        assert proposed["explanation"] == said
        assert proposed["covers"] == [answer["findings"][0]["identity"]]
        mark = "worsened" if base is not None and base["parts"]["R1"]["resistance"] == "60 ohm" else "new"
        assert the_finding(answer) == (mark, None, True)
        assert facade.exit_status(answer["review"]) == 1


def test_nor_by_giving_a_waiver_more_time_or_room() -> None:
    base = circuit("50 ohm", waiver(expires="2026-11-28"))
    answer = compare(base, circuit("50 ohm", waiver(expires="2029-01-01")))
    assert told(answer) == [("base", "expired"), ("head", "proposed")]
    assert "it changes expires from 2026-11-28 to 2029-01-01" in answer["waivers"][1]["explanation"]
    assert the_finding(answer) == ("known", "expired", True)
    base = circuit("50 ohm", waiver(accepted="50 ohm"))
    answer = compare(base, circuit("40 ohm", waiver(accepted="40 ohm")))
    assert told(answer) == [("base", "changed"), ("head", "proposed")]
    assert the_finding(answer) == ("worsened", "changed", True)


def test_a_waiver_that_a_change_takes_out_counts_no_more() -> None:
    answer = compare(circuit("50 ohm", waiver()), circuit("50 ohm"))
    assert told(answer) == [("base", "withdrawn")]
    assert answer["waivers"][0]["explanation"] == "the change takes it out; the finding counts again"
    assert the_finding(answer) == ("known", "withdrawn", True)
    # mended, and the waiver taken out with it
    answer = compare(circuit("50 ohm", waiver()), circuit("500 ohm"))
    assert answer["waivers"][0]["explanation"] == "the change takes it out; and what it was given for is gone"
    assert answer["findings"] == []
    # of two for the same finding one is left
    answer = compare(circuit("50 ohm", waiver(), waiver(owner="b")), circuit("50 ohm", waiver(owner="b")))
    assert the_finding(answer)[1:] == ("in-force", False)


def test_a_waiver_that_the_change_has_made_useless_is_told() -> None:
    answer = compare(circuit("50 ohm", waiver()), circuit("500 ohm", waiver()))
    assert told(answer) == [("base", "unused")]
    assert answer["waivers"][0]["explanation"].endswith("take the waiver out")


@pytest.mark.parametrize(("expires", "today", "status", "counts"), [
    ("2026-11-29", TODAY, "in-force", False), ("2026-11-28", TODAY, "expired", True),
    ("2026-11-28", date(2026, 11, 28), "in-force", False), ("2027-06-30", None, "not-judged", False),
])  # fmt: skip
def test_expiry_is_judged_at_the_given_day(
    expires: str, today: date | None, status: str, counts: bool
) -> None:
    both = circuit("50 ohm", waiver(expires=expires))
    assert the_finding(compare(both, both, today=today)) == ("known", status, counts)


@pytest.mark.parametrize(
    "changes", [{"expires": "2026-02-30"}, {"reason": None}, {"owner": ""}, {"accepted": "50 V"}]
)
def test_a_malformed_waiver_counts_as_expired(changes: Json) -> None:
    bad = circuit("50 ohm", waiver(**changes))
    answer = compare(bad, bad)
    assert told(answer) == [("base", "malformed")]
    assert the_finding(answer) == ("known", "malformed", True)
    assert "counts as expired" in answer["findings"][0]["why"]
    # put right by the change: proposed
    answer = compare(bad, circuit("50 ohm", waiver()))
    assert told(answer) == [("base", "malformed"), ("head", "proposed")]
    assert the_finding(answer) == ("known", "malformed", True)


def test_spoiling_a_waiver_takes_it_out() -> None:
    answer = compare(circuit("50 ohm", waiver()), circuit("50 ohm", waiver(reason=None)))
    assert told(answer) == [("base", "withdrawn"), ("head", "malformed")]
    assert the_finding(answer) == ("known", "withdrawn", True)


@pytest.mark.parametrize(("now", "accepted", "expected"), [
    ("49.6 ohm", None, ("known", "in-force", False)),  # within the share that is let pass
    ("45 ohm", None, ("worsened", "changed", True)),
    ("45 ohm", "40 ohm", ("worsened", "in-force", False)),  # worse, but no worse than what was accepted
    ("50 ohm", "60 ohm", ("known", "changed", True)),  # it never was as good as what was accepted
    ("55 ohm", None, ("known", "in-force", False)),
])  # fmt: skip
def test_numbers_that_changed_open_a_finding_again(now: str, accepted: str | None, expected: Any) -> None:
    given = waiver(accepted=accepted)
    answer = compare(circuit("50 ohm", given), circuit(now, given))
    assert the_finding(answer) == expected


@pytest.mark.parametrize("slug", ["extra-low-voltage", "supply-short"])
def test_what_can_never_be_waived(slug: str) -> None:
    given = waiver(rule=slug)
    answer = compare(circuit("50 ohm", given), circuit("50 ohm", given), slug)
    assert told(answer) == [("base", "not-waivable")]
    assert the_finding(answer) == ("known", "not-waivable", False)
    answer = compare(circuit("500 ohm", given), circuit("50 ohm", given), slug)
    assert the_finding(answer) == ("new", "not-waivable", True)
    answer = compare(circuit("50 ohm"), circuit("50 ohm", given), slug)
    assert told(answer) == [("head", "not-waivable")]
    answer = compare(circuit("50 ohm", given), circuit("50 ohm"), slug)  # it waived nothing before
    assert the_finding(answer) == ("known", "not-waivable", False)


def test_a_waiver_given_before_its_finding_comes_is_in_force() -> None:
    answer = compare(circuit("500 ohm", waiver()), circuit("50 ohm", waiver()))
    assert the_finding(answer) == ("new", "in-force", False)


def test_a_waiver_goes_with_its_part_to_another_name() -> None:
    base = circuit("50 ohm", waiver())
    answer = compare(base, circuit("50 ohm", waiver(parts=["R7"]), part="R7"))
    assert answer["renamed"]["parts"] == {"R1": "R7"}
    assert told(answer) == [("base", "in-force")]
    assert answer["waivers"][0]["parts"] == ["R1"]  # as the base has it
    assert the_finding(answer) == ("known", "in-force", False)


def test_a_proposed_waiver_that_would_do_nothing_is_told_to_be_so() -> None:
    (proposed,) = compare(circuit("50 ohm"), circuit("50 ohm", waiver(expires="2026-11-01")))["waivers"]
    assert proposed["explanation"].endswith("it would do nothing: it was in force to 2026-11-01, 28 days ago")
    (proposed,) = compare(circuit("50 ohm"), circuit("50 ohm", waiver(rule="least-resistanc")))["waivers"]
    assert proposed["explanation"].endswith("nearest: least-resistance")


def test_moved_lines_are_no_change() -> None:
    text = json.dumps(circuit("50 ohm", waiver(expires="never")), indent=1)
    one, bad_one = facade.read_leniently(text.encode(), "json")
    two, bad_two = facade.read_leniently(("\n\n" + text).encode(), "json")
    answer = facade.compare(one, two, ruleset=RULES, remedies=False, today=TODAY, base_malformed=bad_one,
                            head_malformed=bad_two)  # fmt: skip
    assert told(answer) == [("base", "malformed")]
