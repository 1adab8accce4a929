"""The command ``thumbrule lesson``: what a rule teaches, and what it says of a circuit at hand."""

from __future__ import annotations

from typing import Any

import click

from clients.options import (
    COULD_NOT_CHECK,
    NO_POLICY,
    POLICY,
    SERVER,
    TIMEOUT,
    guarded,
    open_backend,
    options,
)
from clients.output import emit, emit_json, report
from clients.sources import CannotCheck, Source


@click.command()
@click.argument("slug", required=False)
@click.option("--depth", type=click.Choice(["line", "card", "lesson"]), default="lesson", show_default=True,
              help="The rule of thumb, when it holds, or the whole of it.")
@click.option("--circuit", metavar="FILE", help="Work the lesson on this circuit; `-` reads standard input.")
@click.option("--prove", is_flag=True, help="Prove each step of the derivation anew (takes some seconds).")
@click.option("--format", "style", type=click.Choice(["text", "json", "markdown"]), default="text",
              show_default=True, help="Text, the JSON of the service, or a page.")
@options(SERVER, TIMEOUT, POLICY, NO_POLICY)
def lesson(slug: str | None, depth: str, circuit: str | None, prove: bool, style: str, server: str | None,
           timeout: float, policy: str | None, no_policy: bool) -> int:
    """Explain one rule; without SLUG, list all rules.

    What it protects, the rule of thumb and why it holds, step by step with
    numbers; where it breaks, circuits that fail and pass, and how to mend.
    Limits are those of the policy of the circuit, or of the working folder.
    """
    if slug is None and (circuit is not None or prove):
        raise click.UsageError("--circuit and --prove need the SLUG of a rule; `thumbrule lesson` lists them")
    if prove and depth != "lesson":
        raise click.UsageError(f"--prove proves the derivation, which --depth {depth} leaves out")
    as_json = style == "json"
    with open_backend(server, timeout, policy, no_policy) as backend:
        try:
            source = None if circuit is None else Source(circuit)
            label = slug or "rules" if source is None else source.label
            answer: Any = guarded(label, lambda: backend.lesson(slug, depth, prove, source) if slug
                                  else backend.rules())
        except CannotCheck as failure:
            report([failure], as_json=as_json)
            return COULD_NOT_CHECK
    if as_json:
        emit_json(answer if slug else {"rules": answer})
    else:
        from clients.render_lesson import lesson_text, rules_text

        emit(lesson_text(answer, depth, style) if slug else rules_text(answer, style))  # type: ignore[arg-type]
    return _status(answer) if slug else 0


def _status(answer: Any) -> int:
    """2 where the rule could not be run on the circuit, or a step is not proven."""
    worked, derivation = answer.get("worked") or {}, answer.get("derivation") or {}
    failed = any(item.get("kind") == "failed" for item in worked.get("verdicts") or ())
    return COULD_NOT_CHECK if failed or derivation.get("problems") else 0
