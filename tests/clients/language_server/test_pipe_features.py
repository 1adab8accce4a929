"""Values, names and words over a real pipe: hover, completion, outline, rename, hints."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_lsp
from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException

from tests.clients.language_server.editing import Editor, capabilities, marked, position, server

EXAMPLES = Path(__file__).parents[3] / "clients" / "examples"
LAMP = (EXAMPLES / "workshop-lamp.yaml").read_text()
FAULTS = ["min-beta-drive", "saturation-headroom"]
pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_lsp.fixture(config=server(), scope="module")
async def editor(lsp_client: Editor) -> AsyncIterator[None]:
    await lsp_client.initialize_session(
        lsp.InitializeParams(capabilities=capabilities(), initialization_options={"hintState": "bright"}))
    yield
    await lsp_client.shutdown_session()


def place(text: str, before: str) -> lsp.Position:
    """The position right behind ``before``, which stands in the text once."""
    assert text.count(before) == 1
    return position(text, text.index(before) + len(before))


def about(uri: str) -> lsp.TextDocumentIdentifier:
    return lsp.TextDocumentIdentifier(uri)


async def hover(editor: Editor, uri: str, before: str) -> str:
    params = lsp.HoverParams(about(uri), place(editor.texts[uri], before))
    answer = await editor.text_document_hover_async(params)
    assert answer is not None
    assert isinstance(answer.contents, lsp.MarkupContent)
    return answer.contents.value


async def test_hover_on_a_part_tells_its_values_in_each_state(editor: Editor) -> None:
    uri = "file:///nowhere/hover.yaml"
    editor.open(uri, LAMP)
    text = await hover(editor, uri, "  Q")
    assert "dark" in text
    assert "bright" in text
    assert "Of the last version" not in text


async def test_hover_on_a_finding_tells_its_working_and_the_value(editor: Editor) -> None:
    uri = "file:///nowhere/working.yaml"
    editor.open(uri, LAMP)
    await editor.shows(uri, FAULTS)
    text = await hover(editor, uri, "resistance: 1")
    assert text.startswith("**")
    assert "0.414" in text
    assert "thumbrule lesson min-beta-drive" in text


async def test_hover_in_a_broken_text_says_that_its_numbers_are_of_before(editor: Editor) -> None:
    uri = "file:///nowhere/before.yaml"
    editor.open(uri, LAMP)
    await hover(editor, uri, "  Q")
    editor.type(uri, "  LP1: {kind: load,", "  LP1: {kind: load, resi")
    assert "Of the last version that could be read" in await hover(editor, uri, "  Q")


async def test_completion_in_a_half_typed_line(editor: Editor) -> None:
    uri = "file:///nowhere/words.yaml"
    editor.open(uri, LAMP)
    await editor.shows(uri, FAULTS)
    editor.type(uri, "states:\n", "  R9: {kind: res\nstates:\n")
    params = lsp.CompletionParams(about(uri), place(editor.texts[uri], "R9: {kind: res"))
    answer = await editor.text_document_completion_async(params)
    assert isinstance(answer, lsp.CompletionList)
    assert "resistor" in [item.label for item in answer.items]


async def test_a_part_is_renamed_everywhere_and_a_bad_name_is_refused_with_the_reason(editor: Editor) -> None:
    uri = "file:///nowhere/names.yaml"
    editor.open(uri, LAMP)
    at = place(LAMP, "  Q")
    ready = await editor.text_document_prepare_rename_async(lsp.PrepareRenameParams(about(uri), at))
    assert isinstance(ready, lsp.PrepareRenamePlaceholder)
    assert (ready.placeholder, marked(LAMP, ready.range)) == ("Q1", "Q1")
    with pytest.raises(JsonRpcException, match="already") as refused:
        await editor.text_document_rename_async(lsp.RenameParams(about(uri), at, "R1"))
    assert refused.value.code == lsp.LSPErrorCodes.RequestFailed
    editor.apply(await editor.text_document_rename_async(lsp.RenameParams(about(uri), at, "Q7")))
    text = editor.texts[uri]
    assert text == LAMP.replace("Q1:", "Q7:")
    await editor.shows(uri, FAULTS)


async def test_places_of_a_net(editor: Editor) -> None:
    uri = "file:///nowhere/places.yaml"
    editor.open(uri, LAMP)
    at = place(LAMP, "collector: la")
    found = await editor.text_document_references_async(
        lsp.ReferenceParams(lsp.ReferenceContext(include_declaration=True), about(uri), at))
    assert [marked(LAMP, item.range) for item in found or ()] == ["lamp", "lamp"]
    lit = await editor.text_document_document_highlight_async(lsp.DocumentHighlightParams(about(uri), at))
    assert len(lit or ()) == 2


async def test_outline(editor: Editor) -> None:
    uri = "file:///nowhere/outline.yaml"
    editor.open(uri, LAMP)
    found = await editor.text_document_document_symbol_async(lsp.DocumentSymbolParams(about(uri)))
    assert {"parts", "states"} <= {item.name for item in found or ()}


async def test_hints_show_the_chosen_state_and_none_in_a_broken_text(editor: Editor) -> None:
    uri = "file:///nowhere/hints.yaml"
    editor.open(uri, LAMP)
    whole = lsp.Range(lsp.Position(0, 0), lsp.Position(99, 0))

    async def hints() -> list[lsp.InlayHint]:
        return list(await editor.text_document_inlay_hint_async(lsp.InlayHintParams(about(uri), whole)) or ())

    found = await hints()
    assert found
    assert all("in state bright" in str(hint.tooltip) for hint in found)
    assert any(str(hint.label).endswith(" V") for hint in found)
    editor.type(uri, "ground: gnd", "ground: {")
    assert await hints() == []
    editor.workspace_did_change_configuration(
        lsp.DidChangeConfigurationParams({"thumbrule": {"hintValues": False}}))
    async with asyncio.timeout(30):
        while "hints" not in editor.refreshed:
            await asyncio.sleep(0.01)
    editor.type(uri, "ground: {", "ground: gnd")
    assert await hints() == []


async def test_a_text_that_is_not_open_has_no_answers_and_no_errors(editor: Editor) -> None:
    uri, at = "file:///nowhere/shut.yaml", lsp.Position(0, 0)
    assert await editor.text_document_hover_async(lsp.HoverParams(about(uri), at)) is None
    assert await editor.text_document_completion_async(lsp.CompletionParams(about(uri), at)) is None
    assert await editor.text_document_definition_async(lsp.DefinitionParams(about(uri), at)) is None
    assert await editor.text_document_document_symbol_async(lsp.DocumentSymbolParams(about(uri))) is None
    assert await editor.text_document_rename_async(lsp.RenameParams(about(uri), at, "Q2")) is None
