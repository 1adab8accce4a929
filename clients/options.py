"""What several commands share: their common options, who answers, and the status of an answer."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from typing import Any, TypeVar

import click

from clients.output import defect, emit, emit_json, report
from clients.sources import Backend, CannotCheck, InProcess, Remote, Source

F = TypeVar("F", bound=Callable[..., Any])

COULD_NOT_CHECK = 2
FORMAT = click.option("--format", "style", type=click.Choice(["text", "json"]), default="text",
                      show_default=True, help="Text for people, or the JSON of the service.")
STYLES = ("text", "json", "sarif", "junit", "markdown")
REPORT_FORMAT = click.option(
    "--format", "style", type=click.Choice(STYLES), default="text",
    show_default=True, help="Text for people, the JSON of the service, or a report: SARIF 2.1.0, JUnit-style"
    " XML, Markdown for a merge request.")
ALL_OUTCOMES = click.option("--all-outcomes", is_flag=True,
                            help="In SARIF also the rules that are satisfied or do not apply.")
SERVER = click.option("--server", metavar="URL", help="Ask this server instead of computing here.")
TIMEOUT = click.option("--timeout", type=click.FloatRange(min=0, min_open=True), default=30.0,
                       show_default=True, metavar="SECONDS",
                       help="How long to wait for an answer of the server.")


def read_today(context: click.Context, parameter: click.Parameter, value: str | None) -> date:
    """The date of an option; where none is given the clock is read, once for the whole run."""
    if value is None:
        return date.today()
    from schemas.problems import Complaint
    from schemas.values import read_date

    try:
        return date.fromisoformat(read_date(value))
    except Complaint as complaint:
        raise click.BadParameter(f"{value!r}: {complaint.detail}; needed is {complaint.accepted}") from None


TODAY = click.option("--today", metavar="DATE", callback=read_today,
                     help="The date by which waivers are judged.  [default: today]")
FILE = click.argument("file", metavar="FILE")
POLICY = click.option("--policy", metavar="FILE",
                      help="Use this policy instead of the nearest thumbrule.toml.")
NO_POLICY = click.option("--no-policy", is_flag=True, help="Use the rules as they are, without any policy.")


def options(*decorators: Callable[[F], F]) -> Callable[[F], F]:
    def decorate(function: F) -> F:
        for decorator in reversed(decorators):
            function = decorator(function)
        return function

    return decorate


def read_volts(texts: Sequence[str], option: str, what: str, example: str, done: str) -> dict[str, float]:
    """``C1=0V`` texts as volts per name; ``what`` they are and ``done`` are words for what is wrong."""
    from schemas.problems import Complaint
    from schemas.quantities import parse

    found: dict[str, float] = {}
    for text in texts:
        name, equals, volts = (piece.strip() for piece in text.partition("="))
        if not equals or not name:
            raise click.BadParameter(f"{text!r} is not {what}; needed is {example}", param_hint=option)
        if name in found:
            raise click.BadParameter(f"{name} is {done} twice", param_hint=option)
        try:
            found[name] = parse(volts, "voltage")
        except Complaint as complaint:
            raise click.BadParameter(f"{text!r}: {complaint.detail}; needed is {complaint.accepted}",
                                     param_hint=option) from complaint
    return found


@contextmanager
def open_backend(server: str | None, timeout: float, policy: str | None = None,
                 no_policy: bool = False) -> Iterator[Backend]:
    """Who answers; a server has a policy of its own."""
    from clients.policies import Policies

    if policy is not None and no_policy:
        raise click.UsageError("--policy and --no-policy cannot be combined")
    policies = Policies(policy, no_policy)
    if server is None:
        yield InProcess(policies)
        return
    if policies.chosen:
        raise click.UsageError("a server has its own policy: --server cannot be combined with "
                               f"{'--no-policy' if no_policy else '--policy'}")
    from clients.http_client import Client

    try:
        client = Client(server, timeout=(min(3.05, timeout), timeout))
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--server") from error
    with client:
        yield Remote(client)


def tell_unused_policy(server: str | None, *circuits: str) -> None:
    """A policy file that lies beside a circuit is not used by a server: said, so that nobody counts on it."""
    if server is None:
        return
    from service.policy import nearest

    found = {nearest("." if name == "-" else name) for name in circuits}
    for path in sorted(str(path) for path in found if path is not None):
        emit(f"note: {path} is not used: the server judges by a policy of its own\n", error=True)


def guarded(label: str, run: Callable[[], Any]) -> Any:
    """What ``run`` gives; a defect of the program becomes a :class:`CannotCheck` for this circuit."""
    try:
        return run()
    except (CannotCheck, click.ClickException, BrokenPipeError):
        raise
    except Exception as error:
        if os.environ.get("THUMBRULE_TRACEBACK"):
            raise
        raise CannotCheck(label, defect(error).problem) from error


def answered(file: str, style: str, server: str | None, timeout: float,
             ask: Callable[[Backend, Source], Mapping[str, Any]],
             text: Callable[[Mapping[str, Any], str | None], str],
             policy: str | None = None, no_policy: bool = False) -> Mapping[str, Any]:
    """What ``ask`` gives for one circuit, printed as JSON or as the ``text`` of answer and title.

    Empty, and reported, where the circuit could not be checked.
    """
    as_json = style == "json"
    with open_backend(server, timeout, policy, no_policy) as backend:
        try:
            source = Source(file)
            answer: Mapping[str, Any] = guarded(source.label, lambda: ask(backend, source))
        except CannotCheck as failure:
            report([failure], as_json=as_json)
            return {}
    if as_json:
        emit_json(answer)
    else:
        emit(text(answer, source.title))
    return answer
