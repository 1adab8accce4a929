"""A slice of what ``.ci/dev fuzz`` runs, the same on every run."""

from __future__ import annotations

import asyncio
from collections import Counter
from collections.abc import Iterator

import pytest

from tests.fuzz import hostile, probes
from tests.fuzz.mutators import MUTATORS, mutated
from tests.fuzz.pipe import type_all
from tests.fuzz.seeds import Seed, files, seeds


@pytest.fixture(autouse=True)
def budget(request: pytest.FixtureRequest) -> None:
    """Nothing here takes long; what hangs is stopped, not timed."""
    request.node.add_marker(pytest.mark.timeout(120))


def test_there_is_something_to_damage() -> None:
    assert len(files()) > 130
    assert {seed.spelling for seed in seeds()} == {"json", "yaml"}
    assert all(probes.intake(seed.text.encode(), seed.name) == "read" for seed in seeds())


@pytest.mark.parametrize("hundred", range(25))
def test_damaged_documents_are_read_or_refused(hundred: int) -> None:
    ends = Counter(probes.intake(*reversed(mutated(number, seeds())))
                   for number in range(hundred * 100, hundred * 100 + 100))  # fmt: skip
    assert ends.total() == 100
    assert len(ends) == 3, "some are read, some refused, some are no text of the language"


def test_the_damage_differs_and_is_the_same_again() -> None:
    made = [mutated(number, seeds()) for number in range(300)]
    assert len({data for _, data in made}) > 290
    assert made == [mutated(number, seeds()) for number in range(300)]
    assert len(set(MUTATORS)) > 12


@pytest.mark.parametrize("start", range(0, 300, 50))
def test_damaged_documents_in_the_editor(start: int) -> None:
    for number in range(start, start + 50):
        name, data = mutated(number, seeds())
        probes.editor(data.decode("utf-8", "replace"), name, number)


def prefixes() -> Iterator[tuple[Seed, int]]:
    """One prefix in four hundred, and every one of the shortest file."""
    for number, seed in enumerate(files()):
        yield from ((seed, end) for end in range(number % 397, len(seed.text), 397))
    shortest = min(files(), key=lambda seed: len(seed.text))
    yield from ((shortest, end) for end in range(0, len(shortest.text), 3))


def test_half_typed_files_in_the_editor() -> None:
    ends = Counter(probes.editor(seed.text[:end], seed.name, end, (end,)) for seed, end in prefixes())
    assert ends.total() > 500
    assert ends["malformed"] > 100
    assert ends["refused"] > 100


# Each was slow once, or the slowest of its kind; all of them run in `.ci/dev fuzz`.
SLOW = ("near net names", "near part names", "a long number, repeated", "aliases of aliases",
        "many names, repeated", "an open brace and words in quotes", "a wide object",
        "deep and long names, repeated")  # fmt: skip


@pytest.mark.parametrize("name", SLOW)
def test_hostile_texts(name: str) -> None:
    text = hostile.constructions()[name]()
    assert probes.intake(text.encode(), "x.yaml") in ("refused", "malformed")


def test_files_typed_over_a_pipe_end_as_if_opened() -> None:
    names = ("workshop-lamp.yaml", "shed-fan.json", "attic-radio.yaml")
    typed = asyncio.run(type_all([seed for seed in files() if seed.name in names]))
    assert typed.files == 3
    assert typed.versions > 2000
    assert typed.answered > 100
