"""One policy file: what it may say, and what is wrong with it, each with its place."""

from __future__ import annotations

import random
import tomllib
from pathlib import Path
from typing import Any

import pytest

from schemas.problems import Problem, pointer
from service.policy import PolicyRefused, read_policy
from service.policy.places import nearest_place, places

WHOLE = """\
extends = ["base.toml"]  # first

[limits.divider-stiffness]
stiff = 12
weak = "4"

[severity]
loop-gain = "note"

[rules]
run = ["loop-gain",
  "divider-stiffness"]
skip = []

[series]
resistor = "E96"

[plugins]
allowed = ["thumbrule"]

[derating]
profile = "house"
"""


def refused(text: str | bytes) -> tuple[Problem, ...]:
    with pytest.raises(PolicyRefused) as caught:
        read_policy(text if isinstance(text, bytes) else text.encode(), "t.toml")
    assert caught.value.file == "t.toml"
    return caught.value.problems


def test_everything_a_policy_may_say() -> None:
    policy, extends = read_policy(WHOLE.encode(), "t.toml")
    assert [(item.value, item.place) for item in extends] == [("base.toml", "t.toml:1")]
    assert {key: (s.value, s.line) for key, s in policy.limits.items()} == {
        ("divider-stiffness", "stiff"): (12, 4),
        ("divider-stiffness", "weak"): ("4", 5),
    }
    assert policy.severity["loop-gain"].value == "note"
    assert [(item.value, item.line) for item in policy.run or ()] == [
        ("loop-gain", 11),
        ("divider-stiffness", 12),
    ]
    assert policy.skip == ()
    assert policy.series["resistor"].value == "E96"
    assert [item.value for item in policy.allowed or ()] == ["thumbrule"]
    assert policy.profile is not None
    assert policy.profile.line == 22


def test_an_empty_file_says_nothing() -> None:
    policy, extends = read_policy(b"# nothing yet\n", "t.toml")
    assert not extends
    assert (policy.limits, policy.run, policy.allowed, policy.profile) == ({}, None, None, None)


@pytest.mark.parametrize(
    ("text", "place", "at", "words"),
    [
        ("[limits.x]\nsure = true\n", "/limits/x/sure", (2, 1), ("a quantity is needed", "true", "SI unit")),
        ("[limits.x]\na = 2026-01-01\n", "/limits/x/a", (2, 1), ("a quantity is needed", "SI unit")),
        ("[limits.x]\na-b = 3\na_b = 4\n", "/limits/x/a_b", (3, 1), ("set twice, also as a-b", '"a_b"')),
        ("[limits]\nx = 3\n", "/limits/x", (2, 1), ("a table is needed", "3", "[limits.x]")),
        ("limits = 3\n", "/limits", (1, 1), ("a table is needed", "3", "[limits]")),
        ("rules = 3\n", "/rules", (1, 1), ("a table is needed", "3", "[rules]")),
        (
            '[severity]\na-b = "warn"\n',
            "/severity/a-b",
            (2, 1),
            ("a severity is needed", '"warn"', "warning"),
        ),
        (
            "[severity]\na-b = 2\n",
            "/severity/a-b",
            (2, 1),
            ("a severity is needed", "2", "error, warning, note"),
        ),
        ('[series]\nresistr = "E24"\n', "/series/resistr", (2, 1), ('"resistr"', "resistor", "film")),
        ('[series]\nfilm = "E13"\n', "/series/film", (2, 1), ('"E13"', "E12", "IEC 60063")),
        ('[rules]\nskip = "a"\n', "/rules/skip", (2, 1), ("a list of texts", '"a"')),
        ('[rules]\nskip = ["a",\n  3]\n', "/rules/skip/1", (3, 3), ("text is needed", "3")),
        ('[rules]\nskp = ["a"]\n', "/rules/skp", (2, 1), ("no such member", '"skp"', "run, skip", "skip")),
        ('[severty]\na = "note"\n', "/severty", (1, 1), ("no such member", '"severty"', "severity")),
        ("[derating]\nprofile = 3\n", "/derating/profile", (2, 1), ("text is needed", "3")),
        ("extends = 3\n", "/extends", (1, 1), ("a list of texts", "3")),
    ],
)
def test_what_is_wrong_is_told_with_its_place(
    text: str, place: str, at: tuple[int, int], words: tuple[str, ...]
) -> None:
    (problem,) = refused(text)
    assert (problem.pointer, problem.line, problem.column) == (place, *at)
    for word in words:
        assert word in problem.message


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ("a = 1\nb = = 2\n", 2, "this is not TOML"),
        ("a = 1\na = 2\n", 2, "this is not TOML"),
        ('a = "never ends', 1, "this is not TOML"),
        ("[limits\n", 1, "this is not TOML"),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(text: str, line: int, word: str) -> None:
    (problem,) = refused(text)
    assert word in problem.detail
    assert problem.line == line
    assert problem.seen is not None
    assert problem.column is not None


def test_bytes_that_are_no_text_and_too_many_of_them() -> None:
    (problem,) = refused(b'[rules]\nskip = ["\xff"]\n')
    assert (problem.line, problem.column, problem.accepted) == (2, 10, "UTF-8")
    (problem,) = refused(b"#" * (300 << 10))
    assert "too large" in problem.detail


def test_endless_nesting_is_refused() -> None:
    (problem,) = refused("extends = " + "[" * 20_000 + "]" * 20_000)
    assert "nested too deep" in problem.detail or "this is not TOML" in problem.detail


def test_all_problems_come_at_once_in_order() -> None:
    found = refused('[severity]\na = "x"\nb = "y"\n[series]\nfilm = 1\n')
    assert [problem.line for problem in found] == [2, 3, 5]


TEXTS = [
    WHOLE,
    'a.b."c d".e = 1\n[x.y]\nz = [1, [2, 3], {q = "]", r = [4]}]\n',
    "# only\r\n[a]\r\nb = 1 # c\r\n",
    "s = '''\n[not.a.table]\n'''\nt = \"\"\"a\\\"\"\"\"\"\nu = 'x' # y\n",
    '[[m]]\na = 1\n[[m]]\na = 2\n[m.n]\nb = "# no comment"\n',
    'e = ""\nf = [ # c\n 1, # d\n]\ng = 1979-05-27T07:32:00Z\nh = [[], {}]\n',
    '"a~b"."c/d" = 3\n',
]


def _members(raw: Any, path: tuple[str | int, ...] = ()) -> list[str]:
    found = [pointer(path)] if path else []
    items = raw.items() if isinstance(raw, dict) else enumerate(raw) if isinstance(raw, list) else ()
    for key, value in items:
        found += _members(value, (*path, key))
    return found


@pytest.mark.parametrize("text", TEXTS)
def test_every_member_of_a_text_has_a_place_that_holds_it(text: str) -> None:
    plain = text.replace("\r\n", "\n")
    found = places(plain)
    lines = plain.split("\n")
    for member in _members(tomllib.loads(text)):
        at = nearest_place(found, member)
        assert at is not None
        last = member.rpartition("/")[2].replace("~1", "/").replace("~0", "~")
        if not last.isdigit() and member in found:
            assert last.split()[0] in lines[at[0] - 1]
            assert at[1] <= len(lines[at[0] - 1])
    # no place of anything that the standard reader does not find there
    assert {m for m in found if m} <= set(_members(tomllib.loads(text)))


def test_the_examples_of_the_folder_are_all_read(tmp_path: Path) -> None:
    path = tmp_path / "thumbrule.toml"
    path.write_text(WHOLE)
    assert read_policy(path.read_bytes(), "x")[0].series["resistor"].place == "x:16"


def test_places_of_mutilated_texts_are_places_of_what_is_there() -> None:
    draw = random.Random(5)
    accepted = 0
    for _ in range(1500):
        letters = list(draw.choice(TEXTS).replace("\r", ""))
        for _ in range(draw.randint(1, 3)):
            at = draw.randrange(len(letters))
            letters[at : at + draw.randint(0, 1)] = draw.choice("[]{}\"'=.,#\n\\ ab1-_")
        text = "".join(letters)
        try:
            raw = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            assert refused(text)
            continue
        accepted += 1
        assert {member for member in places(text) if member} <= set(_members(raw))
    assert accepted > 50
