"""Ranges and changes over the pipe where characters, bytes and code units are not the same number."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

import pytest
from lsprotocol import types as lsp

from tests.clients.language_server.editing import COMMAND, PATIENCE, Editor, capabilities, make_editor

LAMP = (Path(__file__).parents[3] / "clients" / "examples" / "workshop-lamp.yaml").read_text()
VALUE = "'10000 \N{OHM SIGN}'"
LINE = ("  R1:  {pins: {a: order, b: base}, kind: resistor, power: 250000 \N{MICRO SIGN}W, tolerance: 5 %,"
        f" resistance: {VALUE}}}")
EMOJI = "\N{POTTED PLANT}"
pytestmark = pytest.mark.asyncio

UNITS: dict[str, Callable[[str], int]] = {
    "utf-16": lambda text: len(text.encode("utf-16-le")) // 2,
    "utf-8": lambda text: len(text.encode()),
    "utf-32": len,
}


def circuit(mark: str = "", ends: str = "\n") -> str:
    """The lamp with an emoji in a label, a micro sign and an ohm sign before the end of the line of R1."""
    lines = LAMP.splitlines()
    row = next(index for index, line in enumerate(lines) if line.startswith("  R1:"))
    lines[row] = LINE
    lines.insert(row, f"  # {EMOJI} \N{LINE SEPARATOR} no line ends here")
    return mark + ends.join(lines) + ends


async def start(*encodings: str) -> Editor:
    editor = make_editor()
    await editor.start_io(*COMMAND)
    answer = await editor.initialize_session(lsp.InitializeParams(capabilities=(
        capabilities(position_encodings=list(encodings)) if encodings else capabilities())))
    assert str(answer.capabilities.position_encoding) == (encodings[0] if encodings else "utf-16")
    return editor


@pytest.mark.parametrize("encoding", sorted(UNITS))
async def test_ranges_and_changes_in_each_encoding(encoding: str) -> None:
    units = UNITS[encoding]
    editor = await start(*([encoding] if encoding != "utf-16" else []))
    try:
        for index, (mark, ends) in enumerate([("", "\n"), ("", "\r\n"), ("\ufeff", "\n"), ("", "\r")]):
            uri, text = f"file:///nowhere/{encoding}-{index}.yaml", circuit(mark, ends)
            row = text[:text.index("  R1:")].count(ends)
            editor.open(uri, text)
            first = (await editor.shows(uri, ["min-beta-drive", "saturation-headroom"]))[0]
            before = LINE.partition(VALUE)[0]
            start_at, end_at = units(before), units(before + VALUE)
            assert first.range == lsp.Range(lsp.Position(row, start_at), lsp.Position(row, end_at))

            inside = lsp.Range(lsp.Position(row, start_at), lsp.Position(row, end_at))
            change = lsp.TextDocumentContentChangePartial(inside, "1k2")
            editor.change(uri, [change], text.replace(VALUE, "1k2"))
            await editor.shows(uri, [])
            late = lsp.Range(lsp.Position(row - 1, units(f"  # {EMOJI}")), lsp.Position(row - 1, 9999))
            gone = text.replace(VALUE, "1k2").replace(" \N{LINE SEPARATOR} no line ends here", "")
            back = lsp.Range(lsp.Position(row, start_at), lsp.Position(row, start_at + 3))
            both = [lsp.TextDocumentContentChangePartial(late, ""),
                    lsp.TextDocumentContentChangePartial(back, "10k")]
            editor.change(uri, both, gone.replace("1k2", "10k"))
            again = (await editor.shows(uri, ["min-beta-drive", "saturation-headroom"]))[0]
            assert again.range == lsp.Range(lsp.Position(row, start_at), lsp.Position(row, start_at + 3))
    finally:
        await asyncio.wait_for(editor.shutdown_session(), PATIENCE)
        await editor.stop()
