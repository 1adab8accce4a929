"""Requests about a place in a text: completion, hover, outline, names and hints.

What they answer is made by pure functions of a snapshot, off the event loop.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import TYPE_CHECKING, Protocol, TypeVar

from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException

from clients.language_server import rename as names
from clients.language_server.completion import TRIGGERS, complete
from clients.language_server.diagnostics import pointer_of
from clients.language_server.hints import hints
from clients.language_server.hover import hover
from clients.language_server.hover_finding import finding_hover
from clients.language_server.places import span_of
from clients.language_server.reviewing import Judgement
from clients.language_server.snapshot import Snapshot
from clients.language_server.symbols import document_symbols, flat_symbols
from service.shapes import finding_shape, waiver_at

if TYPE_CHECKING:
    from clients.language_server.server import Server

T = TypeVar("T")


class _AtPosition(Protocol):
    """Parameters that say where somebody is in a text."""

    text_document: lsp.TextDocumentIdentifier
    position: lsp.Position


SEPARATOR = "\n\n---\n\n"


def add_features(server: Server) -> None:
    """Put all of them into a server."""

    async def at(params: _AtPosition, work: Callable[[Snapshot, int], T]) -> T | None:
        """What ``work`` makes of the text and the offset; ``None`` of a text that is not open."""
        session, uri = server.session, params.text_document.uri

        def asked() -> T | None:
            if uri not in session.documents:
                return None
            snapshot = session.snapshot(uri)
            return work(snapshot, snapshot.lines.offset(params.position))

        return await session.ask(asked)

    @server.feature(lsp.TEXT_DOCUMENT_COMPLETION, lsp.CompletionOptions(trigger_characters=list(TRIGGERS)))
    async def completion(params: lsp.CompletionParams) -> lsp.CompletionList | None:
        session, uri = server.session, params.text_document.uri

        def work(snapshot: Snapshot, offset: int) -> lsp.CompletionList:
            good, snippets = session.last_circuit(uri), _takes_snippets(server)
            return complete(snapshot, offset, good=good, snippets=snippets, rules=session.titles(uri))

        return await at(params, work)

    @server.feature(lsp.TEXT_DOCUMENT_HOVER)
    async def on_hover(params: lsp.HoverParams) -> lsp.Hover | None:
        session, uri = server.session, params.text_document.uri

        def work(snapshot: Snapshot, offset: int) -> lsp.Hover | None:
            found = _findings(session.judgement(uri), snapshot, offset, session.settings.lessons)
            with session.study(uri, snapshot) as (study, earlier):
                value = hover(snapshot, offset, study, earlier=earlier)
            return _joined(found, value)

        return await at(params, work)

    @server.feature(lsp.TEXT_DOCUMENT_DOCUMENT_SYMBOL)
    async def symbols(
        params: lsp.DocumentSymbolParams,
    ) -> list[lsp.DocumentSymbol] | list[lsp.SymbolInformation] | None:
        session, uri, nested = server.session, params.text_document.uri, _takes_nested(server)

        def work() -> list[lsp.DocumentSymbol] | list[lsp.SymbolInformation] | None:
            if uri not in session.documents:
                return None
            return document_symbols(session.snapshot(uri)) if nested else flat_symbols(session.snapshot(uri))

        return await session.ask(work)

    @server.feature(lsp.TEXT_DOCUMENT_INLAY_HINT)
    async def inlay_hints(params: lsp.InlayHintParams) -> list[lsp.InlayHint] | None:
        session, uri = server.session, params.text_document.uri

        def work() -> list[lsp.InlayHint] | None:
            if uri not in session.documents or not session.settings.hintValues:
                return None
            snapshot = session.snapshot(uri)
            with session.study(uri, snapshot) as (study, earlier):
                if study is None or earlier:
                    return None  # values of another text would stand at the wrong places
                return hints(snapshot, study, session.settings.hintState, params.range)

        return await session.ask(work)

    @server.feature(lsp.TEXT_DOCUMENT_PREPARE_RENAME)
    async def prepare_rename(params: lsp.PrepareRenameParams) -> lsp.PrepareRenamePlaceholder | None:
        def work(snapshot: Snapshot, offset: int) -> lsp.PrepareRenamePlaceholder:
            reach, name = names.prepare(snapshot, offset)
            return lsp.PrepareRenamePlaceholder(range=reach, placeholder=name)

        return await _or_reason(at(params, work))

    @server.feature(lsp.TEXT_DOCUMENT_RENAME, lsp.RenameOptions(prepare_provider=True))
    async def rename(params: lsp.RenameParams) -> lsp.WorkspaceEdit | None:
        actor = server.session.actor()

        def work(snapshot: Snapshot, offset: int) -> lsp.WorkspaceEdit:
            return actor.written(snapshot, names.rename(snapshot, offset, params.new_name))

        return await _or_reason(at(params, work))

    @server.feature(lsp.TEXT_DOCUMENT_REFERENCES)
    async def references(params: lsp.ReferenceParams) -> list[lsp.Location] | None:
        declared = params.context.include_declaration
        return await at(params, lambda snapshot, offset: names.references(snapshot, offset, declared))

    @server.feature(lsp.TEXT_DOCUMENT_DEFINITION)
    async def definition(params: lsp.DefinitionParams) -> lsp.Location | None:
        return await at(params, names.definition)

    @server.feature(lsp.TEXT_DOCUMENT_DOCUMENT_HIGHLIGHT)
    async def highlights(params: lsp.DocumentHighlightParams) -> list[lsp.DocumentHighlight] | None:
        return await at(params, names.highlights)


async def _or_reason(answer: Awaitable[T]) -> T:
    """The answer; why a name cannot be changed becomes the error that the editor shows."""
    try:
        return await answer
    except names.CannotRename as cannot:
        raise JsonRpcException(str(cannot), code=lsp.LSPErrorCodes.RequestFailed) from None


def _findings(judgement: Judgement | None, snapshot: Snapshot, offset: int,
              lessons: str | None) -> lsp.Hover | None:
    """The workings of the findings that are shown at an offset of this very version."""
    if judgement is None or judgement.version != snapshot.version:
        return None
    told, reach = [], None
    for finding in judgement.findings:
        start, end = span_of(snapshot, pointer_of(finding))
        if start <= offset <= end:
            waiver = waiver_at(judgement.waivers, finding.identity)
            told.append({**finding_shape(finding), "waiver": waiver})
            reach = snapshot.lines.range_of(start, end)

    def line(pointer: str) -> int | None:
        return snapshot.lines.position(span_of(snapshot, pointer)[0]).line + 1

    return finding_hover(told, reach, locate=line, lessons=lessons)


def _joined(*parts: lsp.Hover | None) -> lsp.Hover | None:
    """One answer of several, with the range of the first."""
    found = [part for part in parts if part is not None]
    if len(found) < 2:
        return found[0] if found else None
    texts = [part.contents.value for part in found if isinstance(part.contents, lsp.MarkupContent)]
    return lsp.Hover(lsp.MarkupContent(lsp.MarkupKind.Markdown, SEPARATOR.join(texts)), found[0].range)


def _takes_snippets(server: Server) -> bool:
    text = server.client_capabilities.text_document
    item = text.completion.completion_item if text is not None and text.completion is not None else None
    return item is not None and bool(item.snippet_support)


def _takes_nested(server: Server) -> bool:
    text = server.client_capabilities.text_document
    symbol = text.document_symbol if text is not None else None
    return symbol is not None and bool(symbol.hierarchical_document_symbol_support)
