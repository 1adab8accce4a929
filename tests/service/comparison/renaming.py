"""Documents under other names, and the corpus to try it on."""

from __future__ import annotations

import random
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

from schemas.document import Document
from service.documents import load_circuit, read_document

Json = dict[str, Any]
CORPUS = Path(__file__).parents[2] / "corpus" / "circuits"


@cache
def corpus() -> Mapping[str, Document]:
    return {
        path.stem: read_document(path.read_bytes(), None, path.name) for path in sorted(CORPUS.glob("*.yaml"))
    }


def document_of(raw: Mapping[str, Any], text_of: Document) -> Document:
    """A document from plain data; ``text_of`` lends its text, which nothing here looks at."""
    return Document(load_circuit(raw), dict(raw), text_of.text, text_of.spelling, text_of.positions)


def renamed(raw: Mapping[str, Any], parts: Mapping[str, str], nets: Mapping[str, str]) -> Json:
    """The document with other names of parts and nets, wherever one is used."""

    def part(name: str) -> str:
        return parts.get(name, name)

    def net(name: str) -> str:
        return nets.get(name, name)

    out: Json = dict(raw)
    out["ground"] = net(raw["ground"])
    out["parts"] = {
        part(name): {**item, "pins": {pin: net(at) for pin, at in item["pins"].items()}}
        for name, item in raw["parts"].items()
    }
    if "nets" in raw:
        out["nets"] = {net(name): note for name, note in raw["nets"].items()}
    if "states" in raw:
        out["states"] = {
            state: {part(name): region for name, region in regions.items()}
            for state, regions in raw["states"].items()
        }
    if "stimuli" in raw:
        out["stimuli"] = {
            name: [{**action, "part": part(action["part"])} for action in actions]
            for name, actions in raw["stimuli"].items()
        }
    if "requirements" in raw:
        out["requirements"] = [
            {**item, "net": net(item["net"])} if "net" in item else item for item in raw["requirements"]
        ]
    if "waivers" in raw:
        out["waivers"] = [
            {
                **item,
                **({"parts": [part(name) for name in item["parts"]]} if "parts" in item else {}),
                **({"nets": [net(name) for name in item["nets"]]} if "nets" in item else {}),
            }
            for item in raw["waivers"]
        ]
    return out


def shuffled(names: Iterable[str], seed: int) -> dict[str, str]:
    """The same names dealt out anew, among those that begin alike (``R1`` to ``R7``, ``n1`` to ``n4``)."""
    draw = random.Random(seed)
    groups: dict[str, list[str]] = {}
    for name in sorted(names):
        groups.setdefault(name.rstrip("0123456789"), []).append(name)
    made: dict[str, str] = {}
    for group in groups.values():
        made |= dict(zip(group, draw.sample(group, len(group)), strict=True))
    return made


def fresh(names: Iterable[str], seed: int, some: float = 1.0) -> dict[str, str]:
    """New names, none of which was in use, for a share of the old ones."""
    draw = random.Random(seed)
    old = [name for name in sorted(names) if draw.random() < some]
    new = [f"Z{k}" for k in range(100, 100 + len(old))]
    draw.shuffle(new)
    return dict(zip(old, new, strict=True))
