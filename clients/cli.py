"""The command line: ``thumbrule VERB``; each verb of some length has a module ``command_VERB`` of its own.

Exit status: 0 nothing at or above the threshold, 1 findings, 2 could not check
(bad usage included).  Everything heavy is imported by the command that uses it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from clients.command_bench import bench
from clients.command_gate import gate
from clients.command_language_server import language_server
from clients.command_lesson import lesson
from clients.command_policy import policy
from clients.command_sheet import sheet
from clients.command_spread import spread
from clients.command_timeline import timeline
from clients.layout import wrap
from clients.options import (
    ALL_OUTCOMES,
    COULD_NOT_CHECK,
    FILE,
    FORMAT,
    NO_POLICY,
    POLICY,
    REPORT_FORMAT,
    SERVER,
    TIMEOUT,
    TODAY,
    answered,
    guarded,
    open_backend,
    options,
    read_volts,
    tell_unused_policy,
)
from clients.output import defect, emit, emit_bytes, emit_json, paint, prepare_streams, report
from clients.sources import Backend, CannotCheck, Source, problem

if TYPE_CHECKING:
    from datetime import date

    from clients.edit_text import Spelling

INTERRUPTED = 130  # 128 + SIGINT, as shells report it
_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 80}


class Commands(click.Group):
    """The command group; ends with an exit status, never with a traceback."""

    def main(self, *args: Any, **extra: Any) -> Any:
        prepare_streams()
        extra["standalone_mode"] = False
        try:
            status = super().main(*args, **extra)
        except click.ClickException as error:
            _show_usage_error(error)
            sys.exit(COULD_NOT_CHECK)
        except (click.Abort, KeyboardInterrupt):
            emit("interrupted\n", error=True)
            sys.exit(INTERRUPTED)
        except BrokenPipeError:
            sys.exit(COULD_NOT_CHECK)
        except CannotCheck as error:
            report([error], as_json=False)
            sys.exit(COULD_NOT_CHECK)
        except Exception as error:
            if os.environ.get("THUMBRULE_TRACEBACK"):
                raise
            report([defect(error)], as_json=False)
            sys.exit(COULD_NOT_CHECK)
        sys.exit(status if isinstance(status, int) else 0)


def _show_usage_error(error: click.ClickException) -> None:
    context = error.ctx if isinstance(error, click.UsageError) else None
    lines = []
    if context is not None:
        lines = [*context.get_usage().splitlines(), f"Try '{context.command_path} --help' for help.", ""]
    emit("\n".join([*lines, *wrap(f"Error: {error.format_message()}", rest="  ")]) + "\n", error=True)


def version() -> str:
    """The installed version, read from the package's own metadata."""
    from importlib import metadata

    try:
        return metadata.version("thumbrule")
    except metadata.PackageNotFoundError:
        return "not installed"


def _show_version(context: click.Context, parameter: click.Parameter, value: bool) -> None:
    if value and not context.resilient_parsing:
        emit(f"thumbrule {version()}\n")
        context.exit()


@click.group(cls=Commands, context_settings=_CONTEXT)
@click.option("--version", is_flag=True, expose_value=False, is_eager=True, callback=_show_version,
              help="Show the version and exit.")
def main() -> None:
    """Review small transistor circuits by the rules of thumb.

    Every DC state is computed, every rule gives its verdict with the numbers
    behind it, and a change is proposed only with proof that it mends.

    Exit status: 0 nothing found, 1 findings, 2 could not check.
    """


THRESHOLD = click.option("--threshold", type=click.Choice(["error", "warning", "note"]), default="warning",
                         show_default=True, help="Lowest severity that gives exit status 1.")


def _depth(quiet: bool, depth: str | None) -> Any:
    if quiet and depth not in (None, "line"):
        raise click.UsageError(f"--quiet means --depth line and cannot be combined with --depth {depth}")
    return "line" if quiet else depth or "card"


@main.command()
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@options(REPORT_FORMAT, ALL_OUTCOMES, SERVER, TIMEOUT, THRESHOLD, POLICY, NO_POLICY, TODAY)
@click.option("--no-remedies", is_flag=True, help="Leave out the search for proven remedies (faster).")
@click.option("--depth", type=click.Choice(["line", "card", "lesson"]),
              help="How much is told of each finding.  [default: card]")
@click.option("--quiet", is_flag=True, help="The same as --depth line.")
def review(files: tuple[str, ...], style: str, all_outcomes: bool, server: str | None, timeout: float,
           threshold: str, policy: str | None, no_policy: bool, today: date, no_remedies: bool,
           depth: str | None, quiet: bool) -> int:
    """Review circuits; `-` reads standard input.

    Prints each finding with its numbers, the rule of thumb, and changes that
    are proven to mend it.  A finding that a waiver of the circuit covers is
    told in one line and not counted while the waiver is in force.

    With --format json one FILE prints its review, several print one object
    with a list of them; the other formats print one report of all.
    """
    if files.count("-") > 1:
        raise click.UsageError("standard input (-) can be read only once")
    chosen = _depth(quiet, depth)
    if all_outcomes and style != "sarif":
        raise click.UsageError("--all-outcomes is for --format sarif")
    as_json = style == "json"
    statuses: list[int] = []
    sources: dict[str, Source] = {}
    collected: list[dict[str, Any]] = []
    tell_unused_policy(server, *files)
    with open_backend(server, timeout, policy, no_policy) as backend:
        for at, name in enumerate(files):
            try:
                source, answer = _review_one(backend, name, not no_remedies, today)
            except CannotCheck as failure:
                statuses.append(COULD_NOT_CHECK)
                collected.append({"file": name, "problem": failure.problem})
                if not as_json:
                    report([failure], as_json=False)
                continue
            statuses.append(_status(answer, threshold))
            collected.append({"file": name, "review": answer})
            sources[name] = source
            if style == "text":
                from clients.render import review_text

                emit(("\n" if at and chosen != "line" else "") + review_text(
                    answer, title=source.title, label=source.label, depth=chosen, locate=source.locate,
                    paint=paint, remedies=not no_remedies))
        if style not in ("text", "json"):
            emit(_reported(backend, style, collected, sources, threshold, all_outcomes,
                           not no_remedies))
    if as_json:
        single = collected[0]
        emit_json({"reviews": collected} if len(files) > 1 else single.get("review", single.get("problem")))
    return max(statuses)


def _reported(backend: Backend, style: str, collected: list[dict[str, Any]], sources: Mapping[str, Source],
              threshold: str, all_outcomes: bool, searched: bool) -> str:
    from clients.reports import entry_of, written

    entries = [entry_of(item["file"], sources.get(item["file"]), review=item.get("review"),
                        problem=item.get("problem"), searched=searched) for item in collected]
    return written(style, entries, ask=lambda slug: backend.lesson(slug, "lesson", False, None),
                   threshold=threshold, everything=all_outcomes)


def _review_one(backend: Backend, name: str, remedies: bool,
                today: date) -> tuple[Source, Mapping[str, Any]]:
    source = Source(name)
    return source, guarded(source.label, lambda: backend.review(source, remedies, today))


def _status(answer: Mapping[str, Any], threshold: str) -> int:
    from service.facade import exit_status

    return int(exit_status(answer, threshold))  # type: ignore[arg-type]


@main.command()
@FILE
@options(FORMAT, SERVER, TIMEOUT)
@click.option("--beta", type=click.Choice(["min", "typical", "max"]), default="typical", show_default=True,
              help="Corner of the current gains.")
@click.option("--hold", multiple=True, metavar="PART=VOLTS",
              help="Hold a capacitor at a voltage (C1=0V); may be repeated.")
def states(file: str, style: str, server: str | None, timeout: float, beta: str,
           hold: tuple[str, ...]) -> int:
    """Print every DC state a circuit can rest in.

    For each position of the contacts and level of the drivers: regions, node
    voltages, currents and powers; the unstable states between them as well.
    """
    held = read_volts(hold, "--hold", "a capacitor and a voltage", "C1=0V", "held")

    def text(answer: Mapping[str, Any], title: str | None) -> str:
        from clients.render_states import states_text

        return states_text(answer, title=title)

    answer = answered(file, style, server, timeout,
                      lambda backend, source: backend.states(source, beta, held), text)
    return 0 if answer.get("complete") and not answer.get("problems") else COULD_NOT_CHECK


@main.command()
@FILE
@options(FORMAT, SERVER, TIMEOUT, THRESHOLD, POLICY, NO_POLICY, TODAY)
@click.option("--dry-run", is_flag=True, help="Print the difference instead of writing it.")
@click.option("--output", metavar="FILE", help="Write the result there instead; `-` is standard output.")
def mend(file: str, style: str, server: str | None, timeout: float, threshold: str, policy: str | None,
         no_policy: bool, today: date, dry_run: bool, output: str | None) -> int:
    """Apply every proven remedy to a circuit file.

    Only the changed values are touched: comments, order and layout stay.  The
    exit status is that of the mended circuit.  What a waiver in force covers is
    left as it is and does not count.
    """
    as_json = style == "json"
    if dry_run and output is not None:
        raise click.UsageError("--dry-run writes nothing and cannot be combined with --output")
    target = output if output is not None else file
    if as_json and target == "-" and not dry_run:
        raise click.UsageError("--format json and the circuit itself cannot both go to standard output; "
                               "use --output FILE or --dry-run")
    tell_unused_policy(server, file)
    with open_backend(server, timeout, policy, no_policy) as backend:
        try:
            source = Source(file)
            answer = guarded(source.label, lambda: backend.mend(source, today))
            changed = guarded(source.label, lambda: _spliced(source, answer))
            if not dry_run:
                _refuse_half_proof(source, answer)
                _put(source, target, changed)
        except CannotCheck as failure:
            report([failure], as_json=as_json)
            return COULD_NOT_CHECK
    if as_json:
        emit_json(answer)
    else:
        if dry_run:
            emit(_difference(source, changed))
        from clients.render import mend_text

        emit(mend_text(answer, label=source.label, locate=source.locate), error=dry_run or target == "-")
    return _status(answer["review"], threshold)


def _spliced(source: Source, answer: Mapping[str, Any]) -> bytes:
    """The file with the patch in it; raises :class:`CannotCheck` when that cannot be done without doubt."""
    from clients.edit import CannotEdit, patch_bytes, same
    from schemas.problems import DocumentProblems
    from service.documents import read_document

    if not answer["patch"]:
        return source.data
    spelling: Spelling = source.document.spelling
    try:
        changed = patch_bytes(source.data, spelling, answer["patch"])
        if not same(read_document(changed, spelling).raw, answer["document"]):
            raise CannotEdit("the edited text is not the document that was proven; nothing was written")
    except (CannotEdit, DocumentProblems) as error:
        details = problem(500, f"The proven changes were not written: {error}")
        raise CannotCheck(source.label, details) from error
    return changed


def _refuse_half_proof(source: Source, answer: Mapping[str, Any]) -> None:
    """Nothing is written while a rule could not be run: it might have found the change to be a loss."""
    failed = sorted({str(item["rule"]) for item in answer["review"]["outcomes"] if item["kind"] == "failed"})
    if answer["patch"] and failed:
        detail = f"Nothing was written, because the proof is not whole: {', '.join(failed)} could not be run."
        raise CannotCheck(source.label, problem(500, detail))


def _put(source: Source, target: str, changed: bytes) -> None:
    from pathlib import Path

    from clients.edit import CannotEdit, create_file, write_file

    if target == "-":
        emit_bytes(changed)
        return
    try:
        if target == source.name:
            if changed != source.data:
                write_file(Path(target), source.data, changed)
        else:
            create_file(Path(target), changed)
    except (CannotEdit, OSError) as error:
        said = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise CannotCheck(target, problem(500, f"The result could not be written: {said}.")) from error


def _difference(source: Source, changed: bytes) -> str:
    import difflib

    before, after = (data.decode("utf-8-sig").splitlines(keepends=True) for data in (source.data, changed))
    lines = difflib.unified_diff(before, after, source.label, f"{source.label} (mended)")
    unended = "\n\\ No newline at end of file\n"
    return "".join(line if line.endswith("\n") else line + unended for line in lines)


main.add_command(timeline)
main.add_command(spread)
main.add_command(policy)
main.add_command(bench)
main.add_command(gate)
main.add_command(lesson)
main.add_command(sheet)
main.add_command(language_server)


@main.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to listen on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8000, show_default=True,
              help="Port to listen on; 0 takes a free one.")
@click.option("--workers", type=click.IntRange(1, 64), default=2, show_default=True,
              help="How many requests are worked on at once.")
@click.option("--policy", metavar="FILE", help="Serve under this policy; without it, the rules as they are.")
def serve(host: str, port: int, workers: int, policy: str | None) -> int:
    """Serve the HTTP API until interrupted."""
    from clients.policies import Policies, understood
    from service.policy import installed_under
    from service.serve import serve as run

    chosen = Policies(policy, none=policy is None).policy(".")
    ruleset = understood(lambda: installed_under(chosen))
    _try_address(host, port)
    try:
        run(host, port, workers, {"POLICY": chosen, "RULESET": ruleset})
    except SystemExit as ended:  # the server's own status 1 would read as findings
        return COULD_NOT_CHECK if ended.code else 0
    return 0


def _try_address(host: str, port: int) -> None:
    """Refuse an address that cannot be had at once; the server itself would try for seconds."""
    import socket

    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, kind, protocol) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(address)
    except OSError as error:
        detail = f"cannot listen on {host} port {port}: {error.strerror or error}"
        raise CannotCheck("serve", problem(503, detail)) from error
