"""A change is written into a text of any layout exactly, or refused; never anything else."""

from __future__ import annotations

import json
from collections import Counter
from random import Random
from typing import Any

import pytest

from clients.edit import CannotEdit, patch_text, same
from clients.splices import edits_of
from schemas.document import Spelling, parse_text
from tests.schemas.layouts import JsonWriter, Writer, every, scalar
from tests.schemas.test_layouts import written
from tests.schemas.yaml_layouts import YamlWriter


def operation(rng: Random, data: Any) -> dict[str, Any]:
    """A change somewhere below the root."""
    place, value = rng.choice(list(every(data)))
    kind = rng.choice(("replace", "remove", "add"))
    if kind == "add" and isinstance(value, (dict, list)):
        end = "/new" if isinstance(value, dict) else "/-"
        return {"op": "add", "path": place + end, "value": scalar(rng)}
    if kind == "remove":
        return {"op": kind, "path": place}
    return {"op": "replace", "path": place, "value": scalar(rng)}


def patched(data: Any, change: dict[str, Any]) -> Any:
    import jsonpatch

    apart = json.loads(json.dumps(data))  # the writer's data hold one list in several places
    return jsonpatch.apply_patch(apart, [change])


@pytest.mark.parametrize(("writer", "spelling"), [(JsonWriter, "json"), (YamlWriter, "yaml")])
@pytest.mark.parametrize("start", range(0, 2000, 250))
def test_changes(writer: type[Writer], spelling: Spelling, start: int) -> None:
    ends: Counter[str] = Counter()
    for seed in range(start, start + 250):
        told, data = written(writer, seed)
        change = operation(Random(seed), data)
        if not change["path"]:
            continue
        try:
            text = patch_text(told.text, spelling, [change])
        except CannotEdit:
            ends["refused"] += 1
            continue
        assert same(parse_text(text, spelling)[0], patched(data, change))
        edits = edits_of(told.text, spelling, [change])
        assert [edit[:2] for edit in edits] == sorted(edit[:2] for edit in edits)
        spliced = told.text
        for begin, end, new in reversed(edits):
            spliced = spliced[:begin] + new + spliced[end:]
        assert same(parse_text(spliced, spelling)[0], patched(data, change))
        ends["written"] += 1
    assert ends["written"] > 50
    assert ends["refused"] == 0 if spelling == "json" else ends["refused"] < ends["written"] / 4
