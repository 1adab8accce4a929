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
    """How many versions were sent to a server, and how many requests it answered."""

    offers: lsp.ServerCapabilities
    files: int = 0
    versions: int = 0
    answered: int = 0


async def start() -> tuple[Editor, Typed]:
    """A server with its editor; ended by ``shutdown_session``."""
    editor = make_editor()
    await editor.start_io(*COMMAND)
    answer = await editor.initialize_session(parameters())
    return editor, Typed(answer.capabilities)


def parameters() -> lsp.InitializeParams:
    """An editor that asks for diagnostics; without remedies they are there once every rule was asked."""
    options = {"remedies": False, "diagnostics": "pull"}
    return lsp.InitializeParams(capabilities=capabilities(), initialization_options=options)


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
            asked += requests(editor, typed.offers, uri, position(text, at + 1))
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


def requests(editor: Editor, offers: lsp.ServerCapabilities, uri: str, place: lsp.Position) -> list[Any]:
    """What an editor asks by itself while somebody types, as far as the server offers it."""
    about = lsp.TextDocumentIdentifier(uri)
    here = lsp.Range(place, place)
    context = lsp.CodeActionContext([])
    found = []
    if offers.completion_provider:
        found.append(editor.text_document_completion_async(lsp.CompletionParams(about, place)))
    if offers.document_symbol_provider:
        found.append(editor.text_document_document_symbol_async(lsp.DocumentSymbolParams(about)))
    if offers.hover_provider:
        found.append(editor.text_document_hover_async(lsp.HoverParams(about, place)))
    if offers.code_action_provider:
        found.append(editor.text_document_code_action_async(lsp.CodeActionParams(about, here, context)))
    if offers.inlay_hint_provider:
        found.append(editor.text_document_inlay_hint_async(lsp.InlayHintParams(about, here)))
    return found


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
    editor, typed = await start()
    for seed in seeds:
        await type_in(editor, seed, typed)
    await editor.shutdown_session()
    hold(editor._server is not None and editor._server.returncode == 0, "the server did not end well")
    return typed
