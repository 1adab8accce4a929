"""``thumbrule gate``: what a change does to the circuits of a repository, judged by what was there before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from clients.options import (
    ALL_OUTCOMES,
    COULD_NOT_CHECK,
    NO_POLICY,
    POLICY,
    SERVER,
    STYLES,
    TIMEOUT,
    TODAY,
    guarded,
    open_backend,
    options,
    tell_unused_policy,
)
from clients.output import emit, paint, report
from clients.sources import Backend, CannotCheck, InProcess

if TYPE_CHECKING:
    from clients.gate.run import Outcome



def _share(context: click.Context, parameter: click.Parameter, value: str) -> float:
    from schemas.problems import Complaint
    from schemas.quantities import parse

    try:
        share = parse(value, "ratio")
    except Complaint as complaint:
        raise click.BadParameter(f"{value!r}: {complaint.detail}; needed is {complaint.accepted}") from None
    if not 0 <= share < float("inf"):
        raise click.BadParameter(f"{value!r} is no share; needed is 0 % or more")
    return share


def _reports(context: click.Context, parameter: click.Parameter,
             values: tuple[str, ...]) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for value in values:
        style, equals, file = value.partition("=")
        if not equals or not file or style not in STYLES:
            raise click.BadParameter(f"{value!r} is no report; needed is FORMAT=FILE with one of "
                                     f"{', '.join(STYLES)}")
        if any(file == other for _, other in found):
            raise click.BadParameter(f"two reports would be written to {file}")
        found.append((style, file))
    return tuple(found)


@click.command()
@click.argument("files", metavar="[FILE]...", nargs=-1)
@click.option("--base", metavar="REV", help="Compare with this revision: with where the head left it.")
@click.option("--exact-base", is_flag=True, help="Compare with REV itself, not with the merge base.")
@click.option("--head", metavar="REV", help="Judge this revision instead of the working tree.")
@click.option("--staged", is_flag=True, help="Judge what is staged instead of the working tree.")
@click.option("--baseline", metavar="FILE", help="Findings listed there are known.")
@click.option("--ratchet", is_flag=True,
              help="Take what is gone or better out of the baseline file; start it where there is none.")
@click.option("--threshold", type=click.Choice(["error", "warning", "note"]), default="warning",
              show_default=True, help="Lowest severity that counts.")
@click.option("--worse-by", default="1 %", show_default=True, callback=_share, metavar="SHARE",
              help="A finding is worsened when its margin fell by more than this share of its limit.")
@click.option("--strict", is_flag=True, help="Known findings count as well.")
@click.option("--erosion", is_flag=True, help="Margins that are kept but fell count as well.")
@click.option("--no-remedies", is_flag=True, help="Leave out the search for proven remedies (faster).")
@click.option("--format", "style", type=click.Choice(STYLES), default="text", show_default=True,
              help="How the result is written.")
@click.option("--output", metavar="FILE", help="Write it there; the verdict alone is printed.")
@click.option("--report", "reports", metavar="FORMAT=FILE", multiple=True, callback=_reports,
              help="Write another report as well; may be repeated.")
@options(ALL_OUTCOMES, TODAY, SERVER, TIMEOUT, POLICY, NO_POLICY)
def gate(files: tuple[str, ...], base: str | None, exact_base: bool, head: str | None, staged: bool,
         baseline: str | None, ratchet: bool, threshold: str, worse_by: float, strict: bool, erosion: bool,
         all_outcomes: bool, today: date, no_remedies: bool, style: str, output: str | None,
         reports: tuple[tuple[str, str], ...], server: str | None, timeout: float, policy: str | None,
         no_policy: bool) -> int:
    """Judge the circuits of a change by what they were before.

    Without FILE: every circuit that differs from the base, untracked files
    too, and those below a policy that the change touches.  A finding is new,
    known, worsened or gone.  Waivers, policy and baseline are those of the
    base: a change cannot exempt itself.  Needs git for --base.

    Exit status: 0 nothing counts, 1 something counts, 2 could not check.
    """
    _check_usage(base, exact_base, head, staged, baseline, ratchet)
    from clients.gate.run import Terms, run
    from clients.gate.scope import Asked, scope
    from clients.gate.verdict import Bar

    asked = Asked(files, base, exact_base, head, staged, baseline, ratchet, policy, no_policy,
                  server is not None)
    with open_backend(server, timeout, policy, no_policy) as answering:
        try:
            looked_at = scope(asked)
            circuits = [item.head.name for item in looked_at.picked.subjects if item.head is not None]
            tell_unused_policy(server, *circuits)
            backend: Backend = InProcess(looked_at.policies) if server is None else answering
            outcome = run(looked_at, backend, Terms(today, worse_by, not no_remedies),
                          Bar(threshold, strict, erosion), guarded)
            _write_all(outcome, backend, style, output, reports, all_outcomes)
            _rewrite_baseline(outcome, ratchet)
        except CannotCheck as failure:
            report([failure], as_json=style == "json" and output is None)
            return COULD_NOT_CHECK
    return int(outcome.verdict.status)


def _check_usage(base: str | None, exact_base: bool, head: str | None, staged: bool, baseline: str | None,
                 ratchet: bool) -> None:
    if base is None and baseline is None:
        raise click.UsageError("nothing to compare with: give --base REV, --baseline FILE, or both")
    if base is None and (exact_base or head is not None or staged):
        raise click.UsageError("--exact-base, --head and --staged need --base REV")
    if head is not None and staged:
        raise click.UsageError("--head and --staged cannot be combined")
    if ratchet and baseline is None:
        raise click.UsageError("--ratchet needs --baseline FILE")
    if ratchet and head is not None:
        raise click.UsageError("--ratchet writes a file and cannot be combined with --head")


def _write_all(outcome: Outcome, backend: Backend, style: str, output: str | None,
               reports: Sequence[tuple[str, str]], everything: bool) -> None:
    from clients.gate.reports import written
    from clients.render_finding import plain
    from clients.render_gate import verdict_line

    def ask(slug: str) -> Mapping[str, Any]:
        return backend.lesson(slug, "lesson", False, None)

    for kind, file in reports:
        _write(file, written(outcome, kind, ask, plain, everything))
    text = written(outcome, style, ask, paint if output is None else plain, everything)
    if output is None:
        emit(text)
        return
    _write(output, text)
    emit(f"{verdict_line(outcome)}\n")


def _write(file: str, text: str) -> None:
    """Write a report, an older one replaced."""
    from clients.gate.git import trouble

    try:
        with open(file, "w", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except OSError as error:
        raise trouble(file, f"The report could not be written: {error.strerror or error}.") from error


def _rewrite_baseline(outcome: Outcome, wanted: bool) -> None:
    """Write the baseline anew when that is asked for, and say so on standard error."""
    known, ratchet = outcome.scope.known, outcome.ratchet
    if not wanted or known is None or ratchet is None or ratchet.made is None:
        return
    _write(known.place, ratchet.made.text())
    count = sum(len(items) for items in ratchet.made.files.values())
    word = "started" if ratchet.started else "tightened"
    emit(f"{known.path}: baseline {word}, {count} known now\n", error=True)

