"""The corpus of good and malformed circuit documents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import yaml

from schemas.document import parse_text
from schemas.problems import DocumentProblems

HERE = Path(__file__).parent
GOOD_YAML = (HERE / "pond_pump.yaml").read_text(encoding="utf-8")
GOOD_JSON = (HERE / "pond_pump.json").read_text(encoding="utf-8")
FILES = ("quantities", "members", "references", "json_text", "yaml_text")


@dataclass(frozen=True)
class Case:
    """One malformed document and all that must be found in it."""

    name: str
    text: str
    spelling: Literal["json", "yaml"]
    expected: tuple[tuple[str, str], ...]
    line: int | None
    beyond: str | None

    def __str__(self) -> str:
        return self.name


def cases(*files: str) -> Iterator[Case]:
    for file in files:
        entries = yaml.safe_load((HERE / "malformed" / f"{file}.yaml").read_text(encoding="utf-8"))
        for index, entry in enumerate(entries):
            yield _case(file, index, entry)


def _case(file: str, index: int, entry: dict[str, Any]) -> Case:
    unknown = entry.keys() - {"was", "becomes", "text", "spelling", "at", "says", "also", "line", "beyond"}
    assert not unknown, f"{file} {index}: unknown members {sorted(unknown)}"
    name = f"{file}-{index}"
    if "text" in entry:
        text = entry["text"]
        spelling = entry.get("spelling", "json" if text.startswith("{") else "yaml")
    else:
        spelling = "json" if file == "json_text" else "yaml"
        base = GOOD_JSON if spelling == "json" else GOOD_YAML
        assert base.count(entry["was"]) == 1, f"{name}: {entry['was']!r} is not in the good document once"
        text = base.replace(entry["was"], entry["becomes"])
    expected = ((entry["at"], entry["says"]), *(tuple(pair) for pair in entry.get("also", ())))
    return Case(
        name,
        text,
        spelling,
        tuple(sorted(expected)),
        entry.get("line"),
        "reference" if file == "references" else entry.get("beyond"),
    )


def _plain(case: Case) -> tuple[Any, ...]:
    """The plain data of a case, or nothing when the intake refuses its text."""
    try:
        return (parse_text(case.text, case.spelling)[0],)
    except DocumentProblems:
        return ()


@dataclass(frozen=True)
class Good:
    """The good document with one value spelt another way, and the value it must have."""

    text: str
    pointer: str
    value: Any

    def __str__(self) -> str:
        return f"{self.pointer}={self.value}"


def good() -> Iterator[Good]:
    for entry in yaml.safe_load((HERE / "good.yaml").read_text(encoding="utf-8")):
        for becomes, value in entry["spellings"]:
            assert GOOD_YAML.count(entry["was"]) == 1, entry["was"]
            yield Good(
                GOOD_YAML.replace(entry["was"], f"{entry['was'].split(':')[0]}: {becomes}"),
                entry["at"],
                value,
            )


ACCEPTED = tuple(good())
MALFORMED = tuple(cases(*FILES))
READABLE = tuple((case, *_plain(case)) for case in MALFORMED if _plain(case))
"""Cases that get past the intake, with their plain data."""
