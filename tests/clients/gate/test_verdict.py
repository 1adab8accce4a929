"""From marks to numbers and the exit status, on answers made by hand."""

from __future__ import annotations

from typing import Any

import pytest

from clients.gate.circuits import Subject
from clients.gate.verdict import Bar, Judged, folded, kind_of, roots, verdict

SUBJECT = Subject("lamp.yaml", "modified", "lamp.yaml", None)


def finding(identity: str, severity: str = "warning", counts: bool = True, **more: Any) -> dict[str, Any]:
    mark = "new" if counts else "known"
    return {"identity": identity, "severity": severity, "counts": counts, "mark": mark, "waiver": None,
            "caused_by": None, **more}  # fmt: skip


def judged(*findings: Any, eroded: int = 0, gone: int = 0, complete: bool = True, problems: Any = (),
           outcomes: Any = ()) -> Judged:
    review = {"complete": complete, "problems": list(problems), "outcomes": list(outcomes)}
    return Judged(SUBJECT, {"findings": list(findings), "eroded": [{}] * eroded, "gone": [{}] * gone,
                            "complete": complete, "review": review})  # fmt: skip


@pytest.mark.parametrize(("threshold", "counted"), [("error", ["e"]), ("warning", ["e", "w"]),
                                                    ("note", ["e", "w", "n"])])  # fmt: skip
def test_the_threshold_is_the_least_that_counts(threshold: str, counted: list[str]) -> None:
    item = judged(finding("e", "error"), finding("w"), finding("n", "note"),
                  finding("k", "error", counts=False))
    assert [one["identity"] for one in item.counted(Bar(threshold))] == counted


def test_strict_counts_all_but_what_a_waiver_covers() -> None:
    waived = finding("w", counts=False, waiver={"status": "in-force"})
    late = finding("x", counts=True, mark="known", waiver={"status": "expired"})
    item = judged(finding("k", counts=False), waived, late)
    assert [one["identity"] for one in item.counted(Bar())] == ["x"]
    assert [one["identity"] for one in item.counted(Bar(strict=True))] == ["k", "x"]
    assert [kind_of(one) for one in item.findings] == ["known", "waived", "reopened"]


def test_what_another_causes_is_folded_under_it() -> None:
    found = [finding("root"), finding("leaf", caused_by="root"), finding("lost", caused_by="not there")]
    assert list(folded(found, Bar())) == ["root"]
    assert [one["identity"] for one in roots(found, Bar())] == ["root", "lost"]
    answer = verdict([judged(*found)], Bar())
    assert (answer.counted, answer.consequences) == ({"new": 2}, 1)


@pytest.mark.parametrize("root", [finding("root", counts=False), finding("root", "note"),
                                  finding("root", counts=False, waiver={"status": "in-force"})])  # fmt: skip
def test_nothing_that_counts_is_hidden_under_what_does_not(root: Any) -> None:
    found = [root, finding("leaf", caused_by="root")]
    assert folded(found, Bar()) == {}
    answer = verdict([judged(*found)], Bar())
    assert (answer.status, answer.counted, answer.consequences) == (1, {"new": 1}, 0)


def test_causes_in_a_circle_hide_nothing() -> None:
    found = [finding("a", caused_by="b"), finding("b", caused_by="a"), finding("c", caused_by="c")]
    assert [one["identity"] for one in roots(found, Bar())] == ["a", "b", "c"]


def test_erosion_counts_when_asked() -> None:
    item = judged(eroded=2)
    assert (item.status(Bar()), item.status(Bar(erosion=True))) == (0, 1)
    assert verdict([item], Bar()).eroded == 2


@pytest.mark.parametrize("blocked", [
    judged(complete=False), judged(problems=["two sources fight"]),
    judged(outcomes=[{"kind": "failed", "rule": "trigger", "reason": "it raised"}]),
    Judged(SUBJECT, None, {"detail": "no"}),
])  # fmt: skip
def test_what_could_not_be_checked_comes_first(blocked: Judged) -> None:
    assert blocked.status(Bar()) == 2
    answer = verdict([judged(finding("e", "error")), blocked, judged()], Bar())
    assert (answer.status, answer.not_checked, answer.counted) == (2, 1, {"new": 1})


def test_nothing_at_all_passes_and_a_fault_beside_the_circuits_does_not() -> None:
    assert verdict([], Bar()).status == 0
    assert verdict([judged(gone=3)], Bar()).gone == 3
    assert verdict([judged()], Bar(), faults=1).status == 2
