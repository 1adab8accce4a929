"""An editor for tests: a real client library over a real pipe, and texts that it keeps by itself."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from lsprotocol import types as lsp
from pygls.protocol import default_converter
from pytest_lsp import ClientServerConfig, LanguageClient
from pytest_lsp.client import register_lsp_features

COMMAND = [sys.executable, "-m", "clients", "language-server"]
PATIENCE = 30.0  # s; a busy machine must not decide a test


class Editor(LanguageClient):
    """Keeps open texts, every publication in order, and applies edits as LSP 3.17 words them (UTF-16)."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self.texts: dict[str, str] = {}
        self.versions: dict[str, int] = {}
        self.published: list[lsp.PublishDiagnosticsParams] = []
        self.said: list[str] = []
        self.registered: list[str] = []
        self.refreshed: list[str] = []
        self.news = asyncio.Event()

    def open(self, uri: str, text: str, language: str = "yaml", version: int = 1) -> None:
        self.texts[uri], self.versions[uri] = text, version
        item = lsp.TextDocumentItem(uri, language, version, text)
        self.text_document_did_open(lsp.DidOpenTextDocumentParams(item))

    def close(self, uri: str) -> None:
        self.text_document_did_close(lsp.DidCloseTextDocumentParams(lsp.TextDocumentIdentifier(uri)))

    def type(self, uri: str, old: str, new: str) -> int:
        """Replace the one place where ``old`` stands, as an incremental change; the new version."""
        text = self.texts[uri]
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
        at = text.index(old)
        reach = lsp.Range(position(text, at), position(text, at + len(old)))
        return self.change(uri, [lsp.TextDocumentContentChangePartial(reach, new)], text.replace(old, new))

    def write(self, uri: str, text: str) -> int:
        """The whole text anew."""
        return self.change(uri, [lsp.TextDocumentContentChangeWholeDocument(text)], text)

    def change(self, uri: str, changes: Sequence[lsp.TextDocumentContentChangeEvent], text: str) -> int:
        self.texts[uri], self.versions[uri] = text, self.versions[uri] + 1
        about = lsp.VersionedTextDocumentIdentifier(self.versions[uri], uri)
        self.text_document_did_change(lsp.DidChangeTextDocumentParams(about, list(changes)))
        return self.versions[uri]

    def apply(self, edit: lsp.WorkspaceEdit | None) -> int:
        """Apply a versioned edit to the one text it is for, and send that as one change each."""
        assert edit is not None
        assert edit.document_changes is not None
        (document,) = edit.document_changes
        assert isinstance(document, lsp.TextDocumentEdit)
        uri = document.text_document.uri
        assert document.text_document.version == self.versions[uri], "an edit of another version"
        edits = [item for item in document.edits if isinstance(item, lsp.TextEdit)]
        assert len(edits) == len(document.edits)
        return self.write(uri, edited(self.texts[uri], edits))

    async def known(self, uri: str, version: int | None = None,
                    enough: Callable[[list[lsp.Diagnostic]], bool] = lambda _: True) -> list[lsp.Diagnostic]:
        """The last diagnostics of a version once they are ``enough``."""
        wanted = self.versions[uri] if version is None else version
        async with asyncio.timeout(PATIENCE):
            while True:
                self.news.clear()
                of_it = [p for p in self.published if p.uri == uri and p.version == wanted]
                if of_it and enough(list(of_it[-1].diagnostics)):
                    return list(of_it[-1].diagnostics)
                await self.news.wait()

    async def shows(self, uri: str, wanted: Sequence[str],
                    version: int | None = None) -> list[lsp.Diagnostic]:
        """The diagnostics of a version once their codes are just these."""
        return await self.known(uri, version, lambda found: codes(found) == list(wanted))

    async def heard(self, words: str) -> str:
        """A message to the person that has these words in it."""
        async with asyncio.timeout(PATIENCE):
            while True:
                self.news.clear()
                for message in self.said:
                    if words in message:
                        return message
                await self.news.wait()

    async def actions(self, uri: str, reach: lsp.Range, shown: Iterable[lsp.Diagnostic] = (),
                      only: Sequence[Any] | None = None) -> list[lsp.CodeAction]:
        context = lsp.CodeActionContext(list(shown), list(only) if only else None,
                                        lsp.CodeActionTriggerKind.Invoked)
        params = lsp.CodeActionParams(lsp.TextDocumentIdentifier(uri), reach, context)
        answer = await asyncio.wait_for(self.text_document_code_action_async(params), PATIENCE)
        return [action for action in answer or [] if isinstance(action, lsp.CodeAction)]

    def told(self, uri: str) -> list[int | None]:
        """The versions of a document in the order in which they were published."""
        return [item.version for item in self.published if item.uri == uri]


def make_editor() -> Editor:
    editor = Editor(converter_factory=default_converter)
    register_lsp_features(editor)

    def publish(params: lsp.PublishDiagnosticsParams) -> None:
        editor.published.append(params)
        editor.news.set()

    def show(params: lsp.ShowMessageParams) -> None:
        editor.said.append(params.message)
        editor.news.set()

    def register(params: lsp.RegistrationParams) -> None:
        editor.registered.extend(item.method for item in params.registrations)
        editor.news.set()

    def refresh(what: str) -> Callable[[Any], None]:
        return lambda params: editor.refreshed.append(what)

    editor.protocol.fm.features.update({
        lsp.TEXT_DOCUMENT_PUBLISH_DIAGNOSTICS: publish,
        lsp.WINDOW_SHOW_MESSAGE: show,
        lsp.CLIENT_REGISTER_CAPABILITY: register,
        lsp.WORKSPACE_DIAGNOSTIC_REFRESH: refresh("reports"),
        lsp.WORKSPACE_INLAY_HINT_REFRESH: refresh("hints"),
    })
    return editor


def server(**environment: str) -> ClientServerConfig:
    return ClientServerConfig(server_command=COMMAND, client_factory=make_editor)


def position(text: str, at: int) -> lsp.Position:
    """The position of an offset in UTF-16, worked out in the plainest way (LSP 3.17, "Position")."""
    before = text[:at].replace("\r\n", "\n").replace("\r", "\n")
    line = before.rpartition("\n")[2]
    return lsp.Position(before.count("\n"), len(line.encode("utf-16-le")) // 2)


def at_position(text: str, wanted: lsp.Position) -> int:
    """The offset of a UTF-16 position that is inside the text."""
    found = [at for at in range(len(text) + 1) if position(text, at) == wanted
             and not (0 < at < len(text) and text[at - 1:at + 1] == "\r\n")]
    assert found, f"{wanted} is not in the text"
    return found[0]


def marked(text: str, reach: lsp.Range) -> str:
    """What a range covers."""
    return text[at_position(text, reach.start):at_position(text, reach.end)]


def edited(text: str, edits: Iterable[lsp.TextEdit]) -> str:
    """The text after edits that all speak of the text as it was (LSP 3.17, "TextEdit[]")."""
    places = [(at_position(text, e.range.start), at_position(text, e.range.end), e.new_text) for e in edits]
    for start, end, new in sorted(places, reverse=True):
        text = text[:start] + new + text[end:]
    return text


def capabilities(**general: Any) -> lsp.ClientCapabilities:
    """A client that can do everything the server makes use of."""
    return lsp.ClientCapabilities(
        general=lsp.GeneralClientCapabilities(**general) if general else None,
        workspace=lsp.WorkspaceClientCapabilities(
            workspace_edit=lsp.WorkspaceEditClientCapabilities(document_changes=True),
            did_change_watched_files=lsp.DidChangeWatchedFilesClientCapabilities(dynamic_registration=True),
            diagnostics=lsp.DiagnosticWorkspaceClientCapabilities(refresh_support=True),
            inlay_hint=lsp.InlayHintWorkspaceClientCapabilities(refresh_support=True),
        ),
        text_document=lsp.TextDocumentClientCapabilities(
            publish_diagnostics=lsp.PublishDiagnosticsClientCapabilities(
                related_information=True,
                tag_support=lsp.ClientDiagnosticsTagOptions([lsp.DiagnosticTag.Unnecessary]),
                code_description_support=True,
                data_support=True,
                version_support=True,
            ),
            code_action=lsp.CodeActionClientCapabilities(
                code_action_literal_support=lsp.ClientCodeActionLiteralOptions(
                    lsp.ClientCodeActionKindOptions(["quickfix", "source.fixAll"])),
                disabled_support=True,
                is_preferred_support=True,
                data_support=True,
                resolve_support=lsp.ClientCodeActionResolveOptions(["edit"]),
            ),
            hover=lsp.HoverClientCapabilities(content_format=[lsp.MarkupKind.Markdown]),
            rename=lsp.RenameClientCapabilities(prepare_support=True),
        ),
    )


def codes(diagnostics: Iterable[lsp.Diagnostic]) -> list[str]:
    return [str(item.code) for item in diagnostics]
