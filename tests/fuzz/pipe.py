"""Files typed into the real server over a pipe, one character after the other."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lsprotocol import converters
from lsprotocol import types as lsp

from tests.clients.language_server.editing import (
    COMMAND,
    PATIENCE,
    Editor,
    capabilities,
    make_editor,
    position,
)
from tests.fuzz.probes import hold
from tests.fuzz.seeds import Seed

EVERY = 20  # a completion and the symbols are asked for at each of so many keys


@dataclass
class Typed:
    """How many versions were sent, and how many requests were answered."""

    files: int = 0
    versions: int = 0
    answered: int = 0


async def start() -> Editor:
    """A server with its editor; ended by ``shutdown_session``."""
    editor = make_editor()
    await editor.start_io(*COMMAND)
    await editor.initialize_session(parameters())
    return editor


def parameters() -> lsp.InitializeParams:
    """Without remedies the last diagnostics are there as soon as every rule was asked."""
    return lsp.InitializeParams(capabilities=capabilities(), initialization_options={"remedies": False})


async def type_in(editor: Editor, seed: Seed, typed: Typed) -> None:
    """Type a file; it has to end with the diagnostics of a fresh one.  Raises :class:`probes.Broken`."""
    uri, fresh = f"file:///garden/typed/{seed.name}", f"file:///garden/fresh/{seed.name}"
    text = seed.text.replace("\r\n", "\n")
    editor.open(uri, "", seed.spelling)
    asked: list[Any] = []
    for at, char in enumerate(text):
        end = position(text, at)
        editor.change(uri, [lsp.TextDocumentContentChangePartial(lsp.Range(end, end), char)], text[: at + 1])
        typed.versions += 1
        if at % EVERY == 0:
            place = position(text, at + 1)
            about = lsp.TextDocumentIdentifier(uri)
            asked.append(editor.text_document_completion_async(lsp.CompletionParams(about, place)))
            asked.append(editor.text_document_document_symbol_async(lsp.DocumentSymbolParams(about)))
            await asyncio.sleep(0)
    answers = await asyncio.wait_for(asyncio.gather(*asked), PATIENCE)
    typed.answered += len(answers)
    editor.open(fresh, text, seed.spelling)
    first, second = [await last(editor, one) for one in (uri, fresh)]
    hold(first == second, "typed and opened differ", seed.name, first, second)
    typed.answered += 2
    typed.files += 1
    for one in (uri, fresh):
        editor.close(one)


async def last(editor: Editor, uri: str) -> list[Any]:
    """The diagnostics of a document as they are in the end, without their version."""
    params = lsp.DocumentDiagnosticParams(lsp.TextDocumentIdentifier(uri))
    report = await asyncio.wait_for(editor.text_document_diagnostic_async(params), PATIENCE)
    assert isinstance(report, lsp.RelatedFullDocumentDiagnosticReport)
    told = converters.get_converter().unstructure(report.items)
    for item in told:
        item.get("data", {}).pop("version", None)
    return plain(told, uri)


def plain(told: Any, uri: str) -> Any:
    """The same without the name of the document."""
    if isinstance(told, dict):
        return {key: plain(value, uri) for key, value in told.items()}
    if isinstance(told, list):
        return [plain(value, uri) for value in told]
    return "" if told == uri else told


async def type_all(seeds: Sequence[Seed]) -> Typed:
    editor, typed = await start(), Typed()
    for seed in seeds:
        await type_in(editor, seed, typed)
    await editor.shutdown_session()
    hold(editor._server is not None and editor._server.returncode == 0, "the server did not end well")
    return typed
