"""Which policy files count: the nearest above a circuit, those it extends, circles and what is not there."""

from __future__ import annotations

import os
from itertools import pairwise
from pathlib import Path

import pytest

from service.policy import NO_POLICY, PolicyRefused, load, nearest


def put(path: Path, text: str = "") -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def test_the_nearest_file_upward_counts(tmp_path: Path) -> None:
    (tmp_path / ".git").mkdir()
    upper = put(tmp_path / "thumbrule.toml")
    circuit = put(tmp_path / "pond" / "pump" / "circuit.yaml")
    assert nearest(circuit) == upper
    lower = put(tmp_path / "pond" / "thumbrule.toml")
    assert nearest(circuit) == lower
    assert nearest(circuit.parent) == lower
    assert nearest(tmp_path) == upper
    assert nearest(tmp_path / "not" / "there.yaml") == upper


def test_the_search_ends_at_the_root_of_a_repository(tmp_path: Path) -> None:
    put(tmp_path / "thumbrule.toml")
    (tmp_path / "repo" / ".git").mkdir(parents=True)
    circuit = put(tmp_path / "repo" / "deep" / "circuit.yaml")
    assert nearest(circuit) is None
    own = put(tmp_path / "repo" / "thumbrule.toml")
    assert nearest(circuit) == own  # the root itself is looked at


def test_a_folder_of_that_name_is_no_policy(tmp_path: Path) -> None:
    (tmp_path / ".git").mkdir()
    (tmp_path / "thumbrule.toml").mkdir()
    assert nearest(tmp_path) is None


def test_no_file_says_nothing() -> None:
    assert load(None) is NO_POLICY


def test_a_later_file_counts_more_and_the_own_one_most(tmp_path: Path) -> None:
    put(
        tmp_path / "a" / "one.toml",
        '[series]\nfilm = "E3"\nresistor = "E6"\nceramic = "E3"\n[rules]\nskip = ["x"]\n',
    )
    put(tmp_path / "two.toml", '[series]\nresistor = "E12"\nceramic = "E6"\n[rules]\nskip = ["y"]\n')
    own = put(
        tmp_path / "b" / "own.toml", 'extends = ["../a/one.toml", "../two.toml"]\n[series]\nceramic = "E24"\n'
    )
    policy = load(own)
    assert {kind: s.value for kind, s in policy.series.items()} == {
        "film": "E3",
        "resistor": "E12",
        "ceramic": "E24",
    }
    assert [item.value for item in policy.skip or ()] == ["y"]  # a list replaces a list
    assert [os.path.basename(file) for file in policy.files] == ["one.toml", "two.toml", "own.toml"]
    assert policy.series["film"].file.endswith("one.toml")


def test_a_limit_written_in_another_way_is_the_same_limit(tmp_path: Path) -> None:
    put(tmp_path / "one.toml", '[limits.x]\n"supply share" = 0.1\n')
    put(tmp_path / "two.toml", "[limits.x]\nsupply-share = 0.2\n")
    own = put(tmp_path / "own.toml", 'extends = ["one.toml", "two.toml"]\n[limits.x]\n"supply share" = 0.3\n')
    assert {key: s.value for key, s in load(own).limits.items()} == {("x", "supply share"): 0.3}


def test_a_file_reached_twice_is_no_circle(tmp_path: Path) -> None:
    put(tmp_path / "base.toml", '[series]\nfilm = "E3"\n')
    put(tmp_path / "l.toml", 'extends = ["base.toml"]\n')
    put(tmp_path / "r.toml", 'extends = ["base.toml"]\n')
    policy = load(put(tmp_path / "own.toml", 'extends = ["l.toml", "r.toml"]\n'))
    assert [os.path.basename(file) for file in policy.files] == ["base.toml", "l.toml", "r.toml", "own.toml"]


@pytest.mark.parametrize("names", [("own.toml",), ("b.toml", "own.toml"), ("b.toml", "c.toml", "b.toml")])
def test_circles_are_refused_where_they_close(tmp_path: Path, names: tuple[str, ...]) -> None:
    chain = ("own.toml", *names)
    for here, there in pairwise(chain):
        put(tmp_path / here, f'\nextends = ["{there}"]\n')
    with pytest.raises(PolicyRefused, match="circle") as caught:
        load(tmp_path / "own.toml")
    assert caught.value.file.endswith(chain[-2])
    assert (caught.value.problems[0].pointer, caught.value.problems[0].line) == ("/extends/0", 2)


def test_a_file_that_is_not_there_is_told_where_it_is_named(tmp_path: Path) -> None:
    put(tmp_path / "workshop.toml")
    own = put(tmp_path / "own.toml", 'extends = [\n  "workshp.toml",\n]\n')
    with pytest.raises(PolicyRefused) as caught:
        load(own)
    (problem,) = caught.value.problems
    assert (problem.pointer, problem.line, problem.seen) == ("/extends/0", 2, '"workshp.toml"')
    assert (problem.nearest or "").endswith("workshop.toml")
    with pytest.raises(PolicyRefused, match="cannot be read"):
        load(tmp_path / "nowhere.toml")


def test_endless_numbers_of_files_are_refused(tmp_path: Path) -> None:
    put(tmp_path / "0.toml")
    for k in range(1, 8):  # each reads the one before twice: 2**k files
        put(tmp_path / f"{k}.toml", f'extends = ["{k - 1}.toml", "{k - 1}.toml"]\n')
    with pytest.raises(PolicyRefused, match="too many files"):
        load(tmp_path / "7.toml")
