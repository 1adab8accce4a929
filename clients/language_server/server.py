"""The language server: messages of the protocol in, messages out, over standard input and output.

Handlers are thin.  Texts, reviews and settings are the
:class:`clients.language_server.session.Session`'s; what an answer holds is made
by pure functions beside this module.
"""

from __future__ import annotations

import asyncio
import logging
import os
import sys
from collections.abc import Sequence
from typing import Any, BinaryIO

from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcServerNotInitialized
from pygls.io_ import StdinAsyncReader, StdoutWriter, run_async
from pygls.lsp.server import LanguageServer
from pygls.protocol import LanguageServerProtocol, lsp_method

from clients.language_server.actions import ActionAbilities
from clients.language_server.diagnostics import Abilities
from clients.language_server.features import add_features
from clients.language_server.handlers import add_actions, add_reports
from clients.language_server.own_requests import add_own_requests
from clients.language_server.session import POLICY_FILE, Session

SWITCH_INTERVAL = 0.001  # s; a review must not keep an answer waiting for the usual five milliseconds
log = logging.getLogger(__name__)


class Protocol(LanguageServerProtocol):
    """The protocol with our own texts and our own end.

    The library keeps texts too, but splits them at characters that are no line
    ends to the protocol (LSP 3.17, section "Text Documents": LF, CR LF, CR), and
    its exit status gets lost in the event loop.
    """

    _server: Server

    @lsp_method(lsp.TEXT_DOCUMENT_DID_OPEN)
    def lsp_text_document__did_open(self, params: lsp.DidOpenTextDocumentParams) -> None:
        self._server.session.open(params.text_document)

    @lsp_method(lsp.TEXT_DOCUMENT_DID_CHANGE)
    def lsp_text_document__did_change(self, params: lsp.DidChangeTextDocumentParams) -> None:
        about = params.text_document
        self._server.session.change(about.uri, about.version, params.content_changes)

    @lsp_method(lsp.TEXT_DOCUMENT_DID_CLOSE)
    def lsp_text_document__did_close(self, params: lsp.DidCloseTextDocumentParams) -> None:
        self._server.session.close(params.text_document.uri)

    @lsp_method(lsp.EXIT)
    def lsp_exit(self, *args: Any) -> None:  # type: ignore[override]  # no handler of ours to wait for
        self._server.end(0 if self._shutdown else 1)


class Server(LanguageServer):
    """One editor's server.  ``status`` is the exit status: 0 after ``shutdown``, 1 without."""

    protocol: Protocol

    def __init__(self, version: str) -> None:
        super().__init__("thumbrule", version, protocol_cls=Protocol)
        self.status = 1
        self._session: Session | None = None
        self._ready = False  # LSP 3.17, "Initialized Notification": no request to the client before it

    @property
    def session(self) -> Session:
        if self._session is None:
            raise JsonRpcServerNotInitialized("the server has not been initialized yet")
        return self._session

    def begin(self, params: lsp.InitializeParams) -> None:
        """Everything that ``initialize`` settles for good."""
        session = Session(self, asyncio.get_running_loop())
        session.encoding = lsp.PositionEncodingKind(self.workspace.position_encoding or "utf-16").value
        session.abilities = Abilities.of(params.capabilities)
        session.action_abilities = ActionAbilities.of(params.capabilities)
        self._session = session
        session.configure(params.initialization_options)
        if session.settings.diagnostics == "pull":
            add_reports(self)

    def ready(self) -> None:
        """The client may be asked things from now on."""
        self._ready = True

    def end(self, status: int) -> None:
        self.status = status
        if self._stop_event is not None:
            self._stop_event.set()

    def run(self, stdin: BinaryIO, stdout: BinaryIO) -> int:
        """Serve until ``exit`` or the end of the input; the exit status."""
        from threading import Event

        self._stop_event = Event()
        self.protocol.set_writer(StdoutWriter(stdout))
        try:
            asyncio.run(self._serve(stdin))
        except BrokenPipeError:
            log.error("the editor has gone away")
        except KeyboardInterrupt:
            log.error("interrupted")
        finally:
            if self._session is not None:
                self._session.shut_down()
            self.shutdown()  # type: ignore[no-untyped-call]  # ends the thread that reads
        return self.status

    async def _serve(self, stdin: BinaryIO) -> None:
        assert self._stop_event is not None
        await run_async(stop_event=self._stop_event, reader=StdinAsyncReader(stdin, self.thread_pool),
                        protocol=self.protocol, logger=log, error_handler=self.report_server_error)

    # --- what a session needs (session.Outlet) ---------------------------------------------------------

    def publish(self, uri: str, version: int | None, diagnostics: Sequence[lsp.Diagnostic]) -> None:
        self.text_document_publish_diagnostics(lsp.PublishDiagnosticsParams(uri, diagnostics, version))

    def show(self, kind: lsp.MessageType, message: str) -> None:
        self.window_show_message(lsp.ShowMessageParams(kind, message))

    def refresh(self, hints: bool) -> None:
        """Ask the editor to ask again, where it can do that and the session has begun."""
        workspace = self.client_capabilities.workspace
        if workspace is None or not self._ready:
            return
        able = workspace.inlay_hint if hints else workspace.diagnostics
        if able is None or not able.refresh_support:
            return
        if hints:
            self.workspace_inlay_hint_refresh(None)
        else:
            self.workspace_diagnostic_refresh(None)


def make_server(version: str) -> Server:
    """A server with all its handlers."""
    server = Server(version)

    @server.feature(lsp.INITIALIZE)
    def initialize(params: lsp.InitializeParams) -> None:
        server.begin(params)

    @server.feature(lsp.INITIALIZED)
    def initialized(params: lsp.InitializedParams) -> None:
        server.ready()
        server.session.warm_up()
        _watch_policies(server)

    @server.feature(lsp.SHUTDOWN)
    def shutdown(params: None) -> None:
        server.session.shut_down()

    @server.feature(lsp.TEXT_DOCUMENT_DID_SAVE)
    def did_save(params: lsp.DidSaveTextDocumentParams) -> None:
        server.session.saved(params.text_document.uri)

    @server.feature(lsp.WORKSPACE_DID_CHANGE_WATCHED_FILES)
    def did_change_watched_files(params: lsp.DidChangeWatchedFilesParams) -> None:
        server.session.files_changed([change.uri for change in params.changes])

    @server.feature(lsp.WORKSPACE_DID_CHANGE_CONFIGURATION)
    def did_change_configuration(params: lsp.DidChangeConfigurationParams) -> None:
        server.session.configure(params.settings)

    add_own_requests(server)
    add_actions(server)
    add_features(server)
    return server


def _watch_policies(server: Server) -> None:
    """Ask the editor to tell when a policy file changes, where it can."""
    workspace = server.client_capabilities.workspace
    watching = workspace.did_change_watched_files if workspace is not None else None
    if watching is None or not watching.dynamic_registration:
        return
    options = lsp.DidChangeWatchedFilesRegistrationOptions([lsp.FileSystemWatcher(f"**/{POLICY_FILE}")])
    wish = lsp.Registration("policies", lsp.WORKSPACE_DID_CHANGE_WATCHED_FILES, options)
    server.client_register_capability(lsp.RegistrationParams([wish]))


def serve(version: str) -> int:
    """Serve over the standard streams of this process; the exit status.

    Whatever else writes to standard output (a library in C, a stray print)
    would break the protocol: from here on it goes to standard error.
    """
    style = "thumbrule: %(levelname)s: %(message)s"
    logging.basicConfig(stream=sys.stderr, level=logging.WARNING, format=style)
    sys.stdout.flush()
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())
    sys.setswitchinterval(SWITCH_INTERVAL)
    return make_server(version).run(sys.stdin.buffer, out)


__all__ = ["Server", "make_server", "serve"]
