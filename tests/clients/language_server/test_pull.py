"""An editor that asks for reports instead of being told (LSP 3.17, section "Pull Diagnostics")."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from pathlib import Path

import pytest
import pytest_lsp
from lsprotocol import types as lsp

from tests.clients.language_server.editing import Editor, capabilities, codes, server

LAMP = (Path(__file__).parents[3] / "clients" / "examples" / "workshop-lamp.yaml").read_text()
FAULTS = ["min-beta-drive", "saturation-headroom"]
pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_lsp.fixture(config=server(), scope="module")
async def editor(lsp_client: Editor) -> AsyncIterator[None]:
    answer = await lsp_client.initialize_session(
        lsp.InitializeParams(capabilities=capabilities(), initialization_options={"diagnostics": "pull"}))
    offered = answer.capabilities.diagnostic_provider
    assert offered is not None
    assert not offered.inter_file_dependencies
    yield
    await lsp_client.shutdown_session()


async def report(editor: Editor, uri: str, previous: str | None = None) -> lsp.DocumentDiagnosticReport:
    params = lsp.DocumentDiagnosticParams(lsp.TextDocumentIdentifier(uri), previous_result_id=previous)
    return await asyncio.wait_for(editor.text_document_diagnostic_async(params), 30)


async def test_reports_are_full_once_and_unchanged_then(editor: Editor) -> None:
    uri = "file:///nowhere/asked.yaml"
    editor.open(uri, LAMP)
    first = await report(editor, uri)
    assert isinstance(first, lsp.RelatedFullDocumentDiagnosticReport)
    assert codes(first.items) == FAULTS
    again = await report(editor, uri, first.result_id)
    assert isinstance(again, lsp.RelatedUnchangedDocumentDiagnosticReport)
    assert again.result_id == first.result_id
    editor.type(uri, "resistance: 10k", "resistance: 1k2")
    third = await report(editor, uri, first.result_id)
    assert isinstance(third, lsp.RelatedFullDocumentDiagnosticReport)
    assert third.items in ([], ())
    assert third.result_id != first.result_id
    assert editor.published == [], "told nothing that it did not ask for"


async def test_a_change_of_policy_asks_for_a_refresh(editor: Editor, tmp_path: Path) -> None:
    uri, policy = (tmp_path / "lamp.yaml").as_uri(), tmp_path / "thumbrule.toml"
    editor.open(uri, LAMP)
    await report(editor, uri)
    before = editor.refreshed.count("reports")
    policy.write_text('[rules]\nskip = ["saturation-headroom"]\n')
    event = lsp.FileEvent(policy.as_uri(), lsp.FileChangeType.Created)
    editor.workspace_did_change_watched_files(lsp.DidChangeWatchedFilesParams([event]))
    async with asyncio.timeout(30):
        while editor.refreshed.count("reports") == before:
            await asyncio.sleep(0.01)
    answer = await report(editor, uri)
    assert isinstance(answer, lsp.RelatedFullDocumentDiagnosticReport)
    assert codes(answer.items) == ["min-beta-drive"]


async def test_a_text_that_is_not_open_has_an_empty_report(editor: Editor) -> None:
    answer = await report(editor, "file:///nowhere/shut.yaml")
    assert isinstance(answer, lsp.RelatedFullDocumentDiagnosticReport)
    assert not answer.items
