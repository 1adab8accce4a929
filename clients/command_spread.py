"""The command ``thumbrule spread``: how far a circuit spreads over its tolerances."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import FrameType
from typing import Any, TextIO

import click

from clients.options import COULD_NOT_CHECK, FILE, FORMAT, SERVER, TIMEOUT, answered, options
from clients.sources import Backend, Source

STEPS = 20  # lines of progress at most, where no terminal can write over the last one


class Watch:
    """Tells the progress of a run, and ends it when it is asked to (Ctrl-C)."""

    def __init__(self, stream: TextIO | None) -> None:
        self.stream, self.ending, self.told = stream, False, -1

    def __call__(self, done: int, asked: int) -> bool:
        if self.stream is not None:
            step, text = done * STEPS // max(1, asked), f"{done} of {asked} samples"
            if self.stream.isatty():
                last = done >= asked or self.ending
                self.stream.write(f"\r{text}" + ("\n" if last else ""))
            elif step > self.told:
                self.stream.write(f"{text}\n")
            self.told = step
            self.stream.flush()
        return self.ending

    def end(self, number: int, frame: FrameType | None) -> None:
        """The first Ctrl-C ends the run with what it has; a second one ends the program."""
        if self.ending:
            raise KeyboardInterrupt
        self.ending = True


@contextmanager
def _interruptible(watch: Watch) -> Iterator[None]:
    try:
        before = signal.signal(signal.SIGINT, watch.end)
    except ValueError:  # not the main thread, where no signal arrives
        yield
        return
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@click.command()
@FILE
@options(FORMAT, SERVER, TIMEOUT)
@click.option("--samples", type=click.IntRange(1, 100_000), default=1000, show_default=True,
              help="How many random circuits are drawn.")
@click.option("--seed", type=click.IntRange(0, 2**32 - 1), default=1, show_default=True,
              help="The same seed draws the same circuits.")
@click.option("--budget", type=click.IntRange(1, 100_000), metavar="SAMPLES",
              help="Stop after so many, with what is done by then.")
@click.option("--progress", is_flag=True, help="Tell the progress also where there is no terminal.")
def spread(file: str, style: str, server: str | None, timeout: float, progress: bool, **chosen: Any) -> int:
    """Spread a circuit over its tolerances.

    Draws random circuits within all tolerances and tells how far voltages and
    delays spread, beside their exact worst values; how often each state is
    there; and the share of circuits that meets each requirement.

    Ctrl-C ends the run with the samples done so far (not with --server); the
    exit status is 2 then, as for every answer that is not complete.
    """
    watch = Watch(sys.stderr if progress or sys.stderr.isatty() else None)

    def ask(backend: Backend, source: Source) -> Mapping[str, Any]:
        if server is not None:
            return backend.spread(source, chosen, None)
        with _interruptible(watch):
            return backend.spread(source, chosen, watch)

    answer = answered(file, style, server, timeout, ask, _text)
    return 0 if answer.get("complete") else COULD_NOT_CHECK


def _text(answer: Mapping[str, Any], title: str | None) -> str:
    from clients.render_spread import spread_text

    return spread_text(answer, title=title)
