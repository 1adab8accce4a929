"""Pointers, near names, and how a problem reads."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schemas.document import read
from schemas.problems import (
    DocumentProblems,
    Problem,
    edit_distance,
    escape,
    listed,
    nearest_name,
    pointer,
    quoted,
    show,
    unescape,
)
from tests.schemas.corpus import GOOD_YAML


@pytest.mark.parametrize(
    ("path", "text"),
    [
        # RFC 6901, section 5
        ((), ""),
        (("foo",), "/foo"),
        (("foo", 0), "/foo/0"),
        (("",), "/"),
        (("a/b",), "/a~1b"),
        (("c%d",), "/c%d"),
        (("e^f",), "/e^f"),
        (("g|h",), "/g|h"),
        (("i\\j",), "/i\\j"),
        (('k"l',), '/k"l'),
        ((" ",), "/ "),
        (("m~n",), "/m~0n"),
        # RFC 6901, section 4: "~01" is "~1", never "/"
        (("~1",), "/~01"),
    ],
)
def test_pointers(path: tuple[str | int, ...], text: str) -> None:
    assert pointer(path) == text


@given(st.text(st.characters(exclude_categories=["Cs"])))
def test_escape_and_unescape(token: str) -> None:
    assert unescape(escape(token)) == token
    assert "/" not in escape(token)


def test_half_a_character_does_not_get_into_a_pointer() -> None:
    assert pointer(("a\ud800b",)) == "/a?b"


WORDS = st.text("abR1 ", max_size=5)


@given(WORDS, WORDS)
def test_edit_distance_against_its_definition(a: str, b: str) -> None:
    def distance(i: int, j: int) -> int:
        """Optimal string alignment by the plain recursion."""
        if not i or not j:
            return i + j
        best = min(
            distance(i - 1, j) + 1, distance(i, j - 1) + 1, distance(i - 1, j - 1) + (a[i - 1] != b[j - 1])
        )
        if i > 1 and j > 1 and a[i - 1] == b[j - 2] and a[i - 2] == b[j - 1]:
            best = min(best, distance(i - 2, j - 2) + 1)
        return best

    exact = distance(len(a), len(b))
    assert edit_distance(a, b) == exact
    for most in range(8):
        bounded = edit_distance(a, b, most)
        assert bounded == exact if exact <= most else bounded > most


@pytest.mark.parametrize(
    ("word", "known", "nearest"),
    [
        ("resistence", ["resistance", "tolerance"], "resistance"),
        ("GND", ["gnd", "rail"], "gnd"),
        ("nnp", ["npn", "pnp"], "npn"),
        ("baes", ["base", "emitter"], "base"),
        ("Q3", ["D1", "Q1", "Q2"], "Q1"),
        ("R1", ["C1", "R12"], "R12"),
        ("xyz", ["resistance"], None),
        ("", ["a"], None),
        ("a", ["", "b"], "b"),
        ("w" * 100, ["w" * 100], None),
        ("rail", [], None),
        ("colector", ["collector", "base"], "collector"),
    ],
)
def test_nearest_name(word: str, known: list[str], nearest: str | None) -> None:
    assert nearest_name(word, known) == nearest
    assert nearest_name(word, list(reversed(known))) == nearest


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (None, "null"),
        (True, "true"),
        (False, "false"),
        (5, "5"),
        (0.1, "0.1"),
        ("4k7", '"4k7"'),
        ({}, "{}"),
        ({"a": 1}, "an object with 1 member"),
        ({"a": 1, "b": 2}, "an object with 2 members"),
        ([], "an empty list"),
        ([1, 2], "a list of 2"),
        (10**400, "a very large integer"),
        ("\x1b[2J", '"\\u001b[2J"'),
        ("\u202eabc", '"\\u202eabc"'),
        ("a" * 100, '"' + "a" * 57 + '..."'),
        ("\ud800", '"\\ud800"'),
        ("\u03a9", '"\u03a9"'),
    ],
)
def test_what_was_seen_is_short_printable_and_in_json_notation(value: object, text: str) -> None:
    assert show(value) == text


@given(st.text())
def test_anything_seen_can_be_printed_on_one_line(text: str) -> None:
    assert quoted(text).isprintable()
    quoted(text).encode("utf-8")


def test_long_lists_are_cut() -> None:
    assert listed(f"n{i}" for i in range(25)).endswith("n19, and 5 more")
    assert listed(f"{i:060d}" for i in range(20)).endswith(f"{8:060d}, and 11 more")
    assert listed(["n\u00a0\x07", "b"]) == '"n\\u00a0\\u0007", b'


def test_a_problem_reads_as_one_line() -> None:
    problem = Problem("/parts/R1", "a sentence", "4", "5", "6", 7, 8)
    assert str(problem) == "/parts/R1, line 7, column 8: a sentence; seen: 4; accepted: 5; nearest: 6"
    assert str(Problem("", "a sentence")) == "(document): a sentence"
    assert problem.as_dict() == {
        "pointer": "/parts/R1",
        "detail": "a sentence",
        "seen": "4",
        "accepted": "5",
        "nearest": "6",
        "line": 7,
        "column": 8,
    }
    assert Problem("", "a").as_dict() == {"pointer": "", "detail": "a"}


def test_problems_are_sorted_and_survive_a_process_boundary() -> None:
    with pytest.raises(DocumentProblems) as caught:
        read(
            GOOD_YAML.replace("4k7", "x").replace("470 uF", "y").replace("ground: gnd", "ground: z").encode()
        )
    problems = caught.value
    assert [p.pointer for p in problems.problems] == [
        "/ground",
        "/parts/C1/capacitance",
        "/parts/R1/resistance",
    ]
    again = pickle.loads(pickle.dumps(problems))
    assert again.problems == problems.problems
    assert type(again) is DocumentProblems
    assert str(again) == str(problems)
