"""The command ``thumbrule timeline``: the course of a circuit in time, as text, JSON and a figure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from clients.options import COULD_NOT_CHECK, FILE, FORMAT, SERVER, TIMEOUT, answered, options
from clients.sources import Backend, CannotCheck, Source, problem

PLOT_TYPES = (".svg", ".pdf", ".png")


def _read_until(context: click.Context, parameter: click.Parameter, text: str | None) -> float | None:
    from schemas.problems import Complaint
    from schemas.quantities import parse

    if text is None:
        return None
    try:
        return parse(text, "time", "positive")
    except Complaint as complaint:
        said = f"{text!r}: {complaint.detail}; needed is {complaint.accepted}"
        raise click.BadParameter(said) from complaint


def _read_plot(context: click.Context, parameter: click.Parameter, name: str | None) -> str | None:
    if name is not None and not name.lower().endswith(PLOT_TYPES):
        raise click.BadParameter(f"{name!r}: the name has to end in {', '.join(PLOT_TYPES)}")
    return name


@click.command()
@FILE
@options(FORMAT, SERVER, TIMEOUT)
@click.option("--stimulus", metavar="NAME", help="Which stimulus; not needed where there is only one.")
@click.option("--beta", type=click.Choice(["min", "typical", "max"]), default="typical", show_default=True,
              help="Corner of the current gains.")
@click.option("--leakage", type=click.Choice(["none", "limit"]), default="none", show_default=True,
              help="Let every capacitor leak as much as its grade allows.")
@click.option("--start", metavar="STATE",
              help="rest, power-up or a state by its name.  [default: rest; power-up without a stimulus]")
@click.option("--model", type=click.Choice(["hand", "junction"]), default="hand", show_default=True,
              help="Ideal junctions, exact; or exponential junctions, integrated.")
@click.option("--until", metavar="TIME", callback=_read_until, help="Where the curves end, such as '10 s'.")
@click.option("--plot", metavar="FILE", callback=_read_plot,
              help="Draw a figure there too; the name ends in .svg, .pdf or .png.")
def timeline(file: str, style: str, server: str | None, timeout: float, plot: str | None,
             **chosen: Any) -> int:
    """Follow a circuit in time, event by event.

    Tells when each device changes region, when a state lets go and why, what
    each capacitor then holds, and how it ends: at rest, in an oscillation with
    its period, or never.
    """

    def ask(backend: Backend, source: Source) -> Mapping[str, Any]:
        answer = backend.timeline(source, chosen)
        if plot is not None:
            _draw(answer, plot, source.title)
        return answer

    answer = answered(file, style, server, timeout, ask, _text)
    return 0 if answer.get("complete") else COULD_NOT_CHECK


def _text(answer: Mapping[str, Any], title: str | None) -> str:
    from clients.render_timeline import timeline_text

    return timeline_text(answer, title=title)


def _draw(answer: Mapping[str, Any], name: str, title: str | None) -> None:
    from clients.plot import draw

    try:
        draw(answer, name, title=title)
    except OSError as error:
        detail = f"The figure could not be written: {error.strerror or error}."
        raise CannotCheck(name, problem(500, detail)) from error
