"""How long reading takes; run with ``--benchmark-enable`` for figures."""

from __future__ import annotations

from typing import Any

import pytest

from schemas.document import dump, load, read
from schemas.marshmallow_schemas import circuit_schema_class
from tests.schemas.corpus import GOOD_JSON, GOOD_YAML

CIRCUIT = read(GOOD_YAML.encode())


@pytest.mark.parametrize(
    ("name", "work"),
    [
        ("read YAML", lambda: read(GOOD_YAML.encode(), "yaml").circuit),
        ("read JSON", lambda: read(GOOD_JSON.encode(), "json").circuit),
        ("load text quantities", lambda: load(CIRCUIT.raw)),
        ("load numbers", lambda: load(dump(CIRCUIT.circuit))),
        ("marshmallow", lambda: circuit_schema_class()().load(CIRCUIT.raw)),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_reading(benchmark: Any, name: str, work: Any) -> None:
    assert benchmark(work) == CIRCUIT.circuit, name
