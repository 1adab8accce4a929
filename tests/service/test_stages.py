"""A review in stages is the review, and it can be ended between two rules."""

from __future__ import annotations

from pathlib import Path

import pytest

from schemas.document import Document
from service import engine, facade, shapes
from service.mend import mend
from service.ruleset import installed
from service.stages import Cancelled, StagedReview

EXAMPLES = Path(__file__).parents[2] / "clients" / "examples"


def read(name: str) -> Document:
    path = EXAMPLES / name
    return facade.read(path.read_bytes(), name=path.name)


def staged(document: Document) -> StagedReview:
    return StagedReview(document.circuit, document.raw, installed())


class After:
    """A pause that ends the work when it is called for the n-th time."""

    def __init__(self, calls: int) -> None:
        self.left = calls

    def __call__(self) -> None:
        self.left -= 1
        if self.left < 0:
            raise Cancelled


@pytest.fixture(scope="module")
def lamp() -> Document:
    return read("workshop-lamp.yaml")


def test_the_end_is_the_review_whatever_the_order(lamp: Document) -> None:
    whole = shapes.review_shape(engine.review(lamp.circuit, installed(), True, lamp.raw))
    assert whole["findings"], "an example without findings would show nothing"
    backwards = [entry.slug for entry in reversed(installed().rules)]
    under_way = staged(lamp)
    assert list(under_way.verdicts(backwards)) == backwards
    assert not under_way.missing
    assert shapes.review_shape(under_way.review()) == whole


def test_verdicts_so_far_are_those_of_the_rules_that_were_asked(lamp: Document) -> None:
    plain = engine.run(lamp.circuit, installed(), proposing=False)
    first = plain.findings[0].rule
    under_way = staged(lamp)
    asking = under_way.verdicts(["no-such-rule", first])
    assert next(asking) == first
    assert under_way.heard == {first}
    assert {finding.rule for finding in under_way.so_far().findings} == {first}
    assert first not in under_way.missing
    assert len(under_way.missing) == len(installed().rules) - 1


def test_a_pause_ends_the_asking_and_it_goes_on_later(lamp: Document) -> None:
    under_way = staged(lamp)
    asked = []
    with pytest.raises(Cancelled):
        asked.extend(under_way.verdicts(pause=After(5)))
    assert len(under_way.heard) == 5
    later = list(under_way.verdicts())
    assert len(later) == len(installed().rules) - 5
    assert under_way.whole().findings == engine.run(lamp.circuit, installed(), proposing=False).findings


def test_a_search_for_remedies_that_was_ended_starts_anew_and_finds_the_same(lamp: Document) -> None:
    expected = engine.review(lamp.circuit, installed(), True, lamp.raw).findings
    assert any(finding.remedies for finding in expected)
    under_way = staged(lamp)
    under_way.whole()
    for calls in (3, 70, 90):
        with pytest.raises(Cancelled):
            list(under_way.remedies(After(calls)))
        assert under_way.findings is None
    told = list(under_way.remedies())
    assert under_way.findings == expected
    assert [finding.identity for finding in told] == [finding.identity for finding in expected]
    assert [finding.remedies for finding in told] == [finding.remedies for finding in expected]
    assert list(under_way.remedies(After(0))) == list(expected), "what is known is not searched for again"


def test_mending_can_be_ended_too(lamp: Document) -> None:
    with pytest.raises(Cancelled):
        mend(lamp.circuit, lamp.raw, installed(), pause=After(80))
    found = mend(lamp.circuit, lamp.raw, installed(), pause=After(10**9))
    assert found.patch == tuple(facade.mend(lamp)["patch"])
