"""Requests that are answered from reviews: code actions, and reports for editors that ask for them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcContentModified

from clients.language_server.actions import FIX_ALL
from clients.language_server.reviewing import Judgement
from clients.splices import CannotEdit
from service.stages import Cancelled

if TYPE_CHECKING:
    from clients.language_server.server import Server

WAIT_FOR_REMEDIES = 3.0  # s; the editor shows what is known by then
WAIT_FOR_VERDICTS = 10.0  # s
_QUICK_FIX = lsp.CodeActionKind.QuickFix.value


def _has_verdicts(judgement: Judgement) -> bool:
    return judgement.stage != "part"


def add_actions(server: Server) -> None:
    """``textDocument/codeAction`` and ``codeAction/resolve``."""
    kinds = [lsp.CodeActionKind.QuickFix, FIX_ALL]

    @server.feature(lsp.TEXT_DOCUMENT_CODE_ACTION,
                    lsp.CodeActionOptions(code_action_kinds=kinds, resolve_provider=True))
    async def code_action(params: lsp.CodeActionParams) -> list[lsp.CodeAction]:
        session, uri, context = server.session, params.text_document.uri, params.context
        only = [str(getattr(kind, "value", kind)) for kind in context.only or ()]
        for_all = bool(only) and not any(_QUICK_FIX.startswith(kind) for kind in only)
        invoked = context.trigger_kind == lsp.CodeActionTriggerKind.Invoked
        actor = session.actor()

        def enough(judgement: Judgement) -> bool:
            if judgement.is_settled or judgement.stage == "part":
                return judgement.is_settled
            return for_all or actor.is_ready(judgement, params.range, context.diagnostics)

        judgement = await session.until(uri, enough, WAIT_FOR_REMEDIES, hurry=invoked)
        if judgement is None:
            return []
        now = for_all and invoked
        return await session.ask(
            lambda: actor.actions(judgement, params.range, context.diagnostics, only, eager=now))

    @server.feature(lsp.CODE_ACTION_RESOLVE)
    async def resolve(action: lsp.CodeAction) -> lsp.CodeAction:
        session, data = server.session, action.data
        if not isinstance(data, Mapping) or action.edit is not None:
            return action
        uri, version = str(data.get("uri")), data.get("version")

        def is_current() -> bool:
            document = session.documents.get(uri)
            return document is not None and document.version == version

        def pause() -> None:
            if not is_current():
                raise Cancelled

        judgement = await session.until(uri, _has_verdicts, WAIT_FOR_VERDICTS, hurry=True)
        if judgement is None or not is_current():
            raise JsonRpcContentModified("the document has changed since the action was offered")
        try:
            action.edit = await session.ask(lambda: session.actor().mended(judgement, pause))
        except Cancelled:
            raise JsonRpcContentModified("the document was changed while it was being mended") from None
        except CannotEdit as cannot:
            server.show(lsp.MessageType.Warning, f"thumbrule: nothing was changed: {cannot}")
        else:
            if action.edit is None:
                server.show(lsp.MessageType.Info, "thumbrule: no remedy could be proven; nothing was changed")
        return action


def add_reports(server: Server) -> None:
    """``textDocument/diagnostic``, for editors that ask instead of being told."""

    @server.feature(lsp.TEXT_DOCUMENT_DIAGNOSTIC,
                    lsp.DiagnosticOptions(inter_file_dependencies=False, workspace_diagnostics=False))
    async def diagnostic(params: lsp.DocumentDiagnosticParams) -> lsp.DocumentDiagnosticReport:
        session, uri = server.session, params.text_document.uri
        await session.until(uri, _has_verdicts, WAIT_FOR_VERDICTS)
        document = session.documents.get(uri)
        if document is None:
            return lsp.RelatedFullDocumentDiagnosticReport(items=[])
        document.reported = document.version
        report = str(document.report)
        if params.previous_result_id == report:
            return lsp.RelatedUnchangedDocumentDiagnosticReport(result_id=report)
        return lsp.RelatedFullDocumentDiagnosticReport(items=document.diagnostics, result_id=report)
