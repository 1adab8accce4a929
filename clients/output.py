"""Writing to standard output and standard error, so that a closed pipe or a poor terminal does no harm."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Iterable, Mapping
from typing import Any, TextIO

import click

from clients.layout import wrap
from clients.sources import CannotCheck, problem


def prepare_streams() -> None:
    """Characters that the terminal cannot show are written as escapes instead of failing."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")


def emit(text: str, *, error: bool = False) -> None:
    """Write ``text`` as it is.  A reader that has gone away is no reason to fail: the status still counts."""
    # Not click.echo: it takes an ASCII terminal for a mistake and sends UTF-8.
    stream = sys.stderr if error else sys.stdout
    try:
        stream.write(text)
        stream.flush()
    except BrokenPipeError:
        _silence(stream)


def _silence(stream: TextIO) -> None:
    """What is still in the buffer would raise again when Python shuts down."""
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, stream.fileno())
    os.close(quiet)


def emit_json(data: Any) -> None:
    """Indented JSON, one document; ASCII, so that it is the same bytes in every locale."""
    emit(json.dumps(data, indent=2, allow_nan=False) + "\n")


def emit_bytes(data: bytes) -> None:
    """Bytes to standard output, line ends untouched."""
    try:
        sys.stdout.flush()
        sys.stdout.buffer.write(data)
        sys.stdout.buffer.flush()
    except BrokenPipeError:
        _silence(sys.stdout)


def wants_colour() -> bool:
    """Colour only for a person at a terminal who did not refuse it (no-color.org: any non-empty value)."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def paint(text: str, colour: str) -> str:
    """``text`` in colour where colour is wanted."""
    return click.style(text, fg=colour, bold=True) if wants_colour() else text


def problem_text(label: str, details: Mapping[str, Any]) -> str:
    """Problem details for a person: one paragraph per problem, its place first."""
    lines: list[str] = []
    errors = [item for item in details.get("errors") or () if isinstance(item, Mapping)]
    for item in errors:
        lines += _error_lines(label, item)
    detail = str(details.get("detail") or details.get("title") or "")
    lines += wrap(f"{label}: could not check: {detail}", rest="  ")
    return "\n".join(lines) + "\n"


def _error_lines(label: str, item: Mapping[str, Any]) -> list[str]:
    pointer = str(item.get("pointer") or "")
    place = label
    if item.get("line") is not None:
        place += f":{item['line']}" + (f":{item['column']}" if item.get("column") is not None else "")
    if pointer.startswith("?"):
        pointer = f"--{pointer[1:]}"
    lines = wrap(": ".join(part for part in (place, pointer, str(item.get("detail", ""))) if part), rest="  ")
    for key, lead in (("seen", "seen: "), ("accepted", "needed: "), ("nearest", "did you mean: ")):
        if item.get(key):
            lines += wrap(str(item[key]), first=f"  {lead}", rest="    ")
    return lines


def report(failures: Iterable[CannotCheck], *, as_json: bool) -> None:
    """Say what could not be checked: on standard error, or as problem details on standard output."""
    for failure in failures:
        if as_json:
            emit_json(failure.problem)
        else:
            emit(problem_text(failure.label, failure.problem), error=True)


def defect(error: BaseException) -> CannotCheck:
    """An error of the program itself, without a traceback."""
    said = " ".join(f"{type(error).__name__}: {error}".split())
    detail = f"this is a defect of the program, not of the circuit: {said}"
    return CannotCheck("thumbrule", problem(500, detail))
