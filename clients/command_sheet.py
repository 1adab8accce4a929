"""The command ``thumbrule sheet``: the hand working of each state, as text, a page to print, and JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from clients.options import COULD_NOT_CHECK, FILE, SERVER, TIMEOUT, answered, options


@click.command()
@FILE
@options(SERVER, TIMEOUT)
@click.option("--state", metavar="NAME", help="Only the states of this name.  [default: all]")
@click.option("--beta", type=click.Choice(["min", "typical", "max"]), default="typical", show_default=True,
              help="Corner of the current gains.")
@click.option("--format", "style", type=click.Choice(["text", "markdown", "html", "json"]), default="text",
              show_default=True, help="Text, a page to print, or the JSON of the service.")
def sheet(file: str, style: str, server: str | None, timeout: float, **chosen: Any) -> int:
    """Show the working: each state by hand, step by step.

    Sources, junction drops, Ohm, sums, dividers and Thevenin sources in the
    order in which a person takes them, each with its number; where a rule of
    thumb would be taken, that value too and how far off it is; then the checks.
    States in which a capacitor still holds a voltage are among them.
    """

    def text(answer: Mapping[str, Any], title: str | None) -> str:
        if style == "html":
            from clients.render_sheet_html import sheet_html

            return sheet_html(answer, title=title)
        if style == "markdown":
            from clients.render_sheet_markdown import sheet_markdown

            return sheet_markdown(answer, title=title)
        from clients.render_sheet import sheet_text

        return sheet_text(answer, title=title)

    answer = answered(file, style, server, timeout,
                      lambda backend, source: backend.sheet(source, chosen), text)
    return 0 if answer.get("complete") else COULD_NOT_CHECK
