"""The documents that are damaged: the circuits of the corpus, the examples, each in both spellings."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from random import Random

from schemas.document import parse_text
from tests.schemas.corpus import GOOD_JSON, GOOD_YAML
from tests.schemas.yaml_layouts import YamlWriter

ROOT = Path(__file__).parents[2]
FOLDERS = (ROOT / "tests" / "corpus" / "circuits", ROOT / "clients" / "examples")


@dataclass(frozen=True, slots=True)
class Seed:
    """A good document; ``name`` tells its spelling by the ending."""

    name: str
    text: str

    @property
    def spelling(self) -> str:
        return "json" if self.name.endswith(".json") else "yaml"


@cache
def files() -> tuple[Seed, ...]:
    """Every file of the corpus and every example, as it is."""
    paths = [path for folder in FOLDERS for path in folder.iterdir() if path.suffix in (".yaml", ".json")]
    return tuple(Seed(path.name, path.read_bytes().decode()) for path in sorted(paths))


@cache
def seeds() -> tuple[Seed, ...]:
    """The files and the good document of the intake, their twins in JSON and in YAML of another layout."""
    found = [*files(), Seed("good.yaml", GOOD_YAML), Seed("good.json", GOOD_JSON)]
    for number, seed in enumerate(tuple(found)):
        data = parse_text(seed.text, "json" if seed.spelling == "json" else "yaml")[0]
        stem = seed.name.rpartition(".")[0]
        indent = (None, 1, 2, "\t")[number % 4]
        found.append(Seed(f"{stem}-twin.json", json.dumps(data, indent=indent, ensure_ascii=number % 2 == 0)))
        writer = YamlWriter(Random(number), ("\n", "\r\n", "\r")[number % 3])
        writer.document(data)
        found.append(Seed(f"{stem}-twin.yaml", writer.text))
    return tuple(found)
