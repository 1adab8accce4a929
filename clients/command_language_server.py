"""The command ``thumbrule language-server``: findings, values and remedies inside an editor."""

from __future__ import annotations

import click


@click.command(name="language-server")
@click.option("--stdio", is_flag=True, hidden=True, help="What many editors add; there is no other way.")
def language_server(stdio: bool) -> int:
    """Serve an editor over standard input and output.

    Speaks the Language Server Protocol 3.17 for JSON and YAML circuit files:
    findings while typing, remedies as edits, values at the mouse pointer. An
    editor starts it; there is nothing to type here.
    """
    from clients.cli import version
    from clients.language_server.server import serve

    return serve(version())
