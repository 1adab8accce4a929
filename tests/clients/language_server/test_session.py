"""What a session does while nobody waits: hovers are made ready, and a fault there changes nothing."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from lsprotocol import types as lsp

from clients.language_server import hover_numbers
from clients.language_server.hover_numbers import Numbers, voltage
from clients.language_server.session import Session
from rules.analysis.study import Study
from tests.clients.language_server.editing import PATIENCE

LAMP = (Path(__file__).parents[3] / "clients" / "examples" / "workshop-lamp.yaml").read_text()
URI = "file:///nowhere/lamp.yaml"


class Desk:
    """An outlet that remembers."""

    def __init__(self) -> None:
        self.codes: list[list[str]] = []

    def publish(self, uri: str, version: int | None, diagnostics: Sequence[lsp.Diagnostic]) -> None:
        self.codes.append(sorted(str(item.code) for item in diagnostics))

    def show(self, kind: lsp.MessageType, message: str) -> None:
        raise AssertionError(message)

    def refresh(self, hints: bool) -> None:
        pass


@asynccontextmanager
async def settled() -> AsyncIterator[tuple[Session, Desk]]:
    """A session with the lamp open, after everything has been worked out."""
    desk = Desk()
    session = Session(desk, asyncio.get_running_loop())
    session.open(lsp.TextDocumentItem(URI, "yaml", 1, LAMP))
    async with asyncio.timeout(PATIENCE):
        while session._schedule.is_under_way(URI):
            await asyncio.sleep(0.01)
    try:
        yield session, desk
    finally:
        session.shut_down()


@pytest.mark.asyncio
async def test_the_bands_of_hovers_are_there_before_anybody_asks() -> None:
    async with settled() as (session, desk):
        with session.study(URI, session.snapshot(URI)) as (study, earlier):
            assert study is not None
            assert not earlier
            numbers = Numbers(study, left=0)  # may work out nothing itself
            rows = [row for row in numbers.shown() if row.bands]
            assert len(rows) == 2
            bands = [numbers.band(row, ("net", "base"), voltage("base")) for row in rows]
    assert all(band is not None and band[0] < band[1] for band in bands)
    assert desk.codes[-1] == ["min-beta-drive", "saturation-headroom"]


@pytest.mark.asyncio
async def test_a_fault_in_numbers_for_hovers_leaves_what_was_judged(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = []

    def broken(study: Study) -> Iterator[None]:
        asked.append(study)
        raise ArithmeticError("no such number")
        yield

    monkeypatch.setattr(hover_numbers, "warm", broken)
    async with settled() as (session, desk):
        assert len(asked) == 1
        assert desk.codes[-1] == ["min-beta-drive", "saturation-headroom"]
        judgement = session.judgement(URI)
        assert judgement is not None
        assert judgement.is_settled
