"""The place of every value and name is right in every layout, as the writer of the text knows it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest
import yaml

from clients.edit import same
from schemas import yaml_text
from schemas.document import parse_text
from schemas.problems import escape
from tests.schemas.layouts import JsonWriter, Writer, every, naive_place, plain_data
from tests.schemas.yaml_layouts import YamlWriter

ROOT = Path(__file__).parents[2]
ENDINGS = ("\n", "\r\n", "\r")


def written(writer: type[Writer], seed: int) -> tuple[Writer, Any]:
    rng = Random(seed)
    found: Any = writer(rng, rng.choice(ENDINGS))
    data = plain_data(rng)
    found.document(data)
    return found, data


def check(told: Writer, data: Any, spelling: Any) -> None:
    text = told.text
    read, positions = parse_text(text, spelling)
    assert same(read, data), text
    values = dict(every(data))
    assert list(positions) == list(values)
    for place in values:
        mark = positions.value(place)
        assert (mark.start, mark.end) == told.values[place], place
        assert (mark.line, mark.column) == naive_place(text, mark.start)
        assert (mark.end_line, mark.end_column) == naive_place(text, mark.end)
        if place in told.keys:
            name = positions.key(place)
            assert (name.start, name.end) == told.keys[place], place
            assert (name.line, name.column) == naive_place(text, name.start)


@pytest.mark.parametrize("seed", range(0, 400, 20))
def test_json(seed: int) -> None:
    for one in range(seed, seed + 20):
        told, data = written(JsonWriter, one)
        check(told, data, "json")
        decoder = json.JSONDecoder()
        for place, value in every(data):
            start, end = told.values[place]
            assert decoder.raw_decode(told.text, start) == (value, end)


@pytest.fixture(params=["CSafeLoader", "SafeLoader"])
def build(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Both builds of the parser: in C, and in Python (slow, takes fewer tabs) where that is missing."""
    monkeypatch.setattr(yaml_text, "_Base", getattr(yaml, request.param))
    return str(request.param)


@pytest.mark.parametrize("seed", range(0, 1200, 60))
def test_yaml(seed: int, build: str) -> None:
    quick = build == "CSafeLoader"
    for one in range(seed, seed + (60 if quick else 10)):
        told, data = written(YamlWriter, one)
        if not quick and "\t" in told.text:
            continue
        check(told, data, "yaml")
        for place, value in every(data):
            start, end = told.values[place]
            piece = told.text[start:end]
            if piece and not isinstance(value, (dict, list)) and piece[0] not in "|>":
                assert same(parse_text(f"[{piece}]", "yaml")[0], [value])


def test_the_writer_uses_every_layout() -> None:
    """A writer that never wrote an alias would check none."""
    texts = [written(YamlWriter, seed) for seed in range(1200)]
    for pattern in (r"\*a\d", r"&a\d", r"\|\d?[-+]?\s", r">\d?-?\s", r"[|>]\d?\+", r"^ *\? ", r"\{", r"%YAML",
                    "\u2028", "\r\n", "\r(?!\n)", r"'(?:''|[^'])*\s *(?:''|[^'])*'", r"\.\.\."):  # fmt: skip
        assert sum(bool(re.search(pattern, told.text, re.MULTILINE)) for told, _ in texts) > 4, pattern
    assert sum(bool(told.shared) for told, _ in texts) > 10


CIRCUITS = sorted([*(ROOT / "tests" / "corpus" / "circuits").glob("**/*.yaml"),
                   *(ROOT / "clients" / "examples").glob("*.yaml")])  # fmt: skip


def test_values_of_the_circuits_stand_where_the_parser_of_nodes_has_them() -> None:
    assert len(CIRCUITS) > 100
    for path in CIRCUITS:
        text = path.read_bytes().decode()
        positions = parse_text(text, "yaml")[1]
        root = yaml.compose(text, Loader=yaml.SafeLoader)
        marks = dict(scalars(root, ""))
        assert len(marks) > 5
        for place, (start, end) in marks.items():
            mark = positions.value(place)
            assert (mark.start, mark.end) == (start, end), (path.name, place)


def scalars(node: Any, place: str) -> Iterator[tuple[str, tuple[int, int]]]:
    """Plain and quoted scalars; the ends of blocks are those of the next token there."""
    if isinstance(node, yaml.ScalarNode) and node.style not in ("|", ">") and node.value:
        yield place, (node.start_mark.index, node.end_mark.index)
    elif isinstance(node, yaml.MappingNode):
        for key, value in node.value:
            yield from scalars(value, f"{place}/{escape(key.value)}")
    elif isinstance(node, yaml.SequenceNode):
        for index, value in enumerate(node.value):
            yield from scalars(value, f"{place}/{index}")
