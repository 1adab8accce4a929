"""Every malformed document of the corpus is refused with just the problems it has, each in its place."""

from __future__ import annotations

from typing import Any

import pytest

from schemas.document import load, read
from schemas.problems import DocumentProblems
from tests.schemas.corpus import MALFORMED, READABLE, Case

each_case = pytest.mark.parametrize("case", MALFORMED, ids=str)


@each_case
def test_the_problems_are_those_expected(case: Case) -> None:
    with pytest.raises(DocumentProblems) as caught:
        read(case.text.encode(), case.spelling)
    problems = caught.value.problems
    assert [p.pointer for p in problems] == [pointer for pointer, _ in case.expected], str(caught.value)
    for problem, (_, words) in zip(problems, case.expected, strict=True):
        assert words in problem.message
    if case.line is not None:
        assert problems[0].line == case.line


@each_case
def test_every_problem_has_a_place_in_the_text_and_says_what_was_seen(case: Case) -> None:
    with pytest.raises(DocumentProblems) as caught:
        read(case.text.encode(), case.spelling)
    lines = case.text.splitlines() or [""]
    for problem in caught.value.problems:
        assert problem.line is not None
        assert problem.column is not None
        assert 1 <= problem.line <= len(lines) + 1
        assert problem.seen is not None
        assert problem.message.isprintable()
        assert len(problem.message) < 700
        problem.message.encode("utf-8")


@pytest.mark.parametrize(("case", "raw"), READABLE, ids=[str(case) for case, _ in READABLE])
def test_plain_data_gives_the_same_problems_without_lines(case: Case, raw: Any) -> None:
    """Where the text is readable, ``load`` says of the data what ``read`` says of the text."""
    with pytest.raises(DocumentProblems) as of_text:
        read(case.text.encode(), case.spelling)
    with pytest.raises(DocumentProblems) as of_data:
        load(raw)
    assert [p.message for p in of_text.value.problems] == [p.message for p in of_data.value.problems]
    assert [p.pointer for p in of_text.value.problems] == [p.pointer for p in of_data.value.problems]
    assert all(p.line is None for p in of_data.value.problems)
