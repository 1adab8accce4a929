"""The command ``thumbrule bench``: what to buy, how to bring a board up, and what a meter has to show."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from clients.options import (
    COULD_NOT_CHECK,
    FILE,
    NO_POLICY,
    POLICY,
    SERVER,
    TIMEOUT,
    answered,
    options,
    read_volts,
    tell_unused_policy,
)


@click.command()
@FILE
@options(SERVER, TIMEOUT, POLICY, NO_POLICY)
@click.option("--format", "style", type=click.Choice(["text", "markdown", "html", "json"]), default="text",
              show_default=True, help="Text, a page to print, or the JSON of the service.")
@click.option("--meter", default="10 Mohm", show_default=True, metavar="OHMS",
              help="Resistance of the meter; '20 kohm/V' for a pointer meter.")
@click.option("--measured", multiple=True, metavar="SOURCE=VOLTS",
              help="Voltage that a source was measured at (BT1=9.1V); may be repeated.")
def bench(file: str, style: str, server: str | None, timeout: float, policy: str | None, no_policy: bool,
          meter: str, measured: tuple[str, ...]) -> int:
    """Parts list and bench sheet of a circuit.

    What each part has to stand at the worst corner and what to buy for that,
    the order in which to bring the board up, and for each state the readings
    to expect, with the loading of the meter and all tolerances counted.
    """
    volts = read_volts(measured, "--measured", "a source and its voltage", "BT1=9.1V", "measured")
    tell_unused_policy(server, file)

    def text(answer: Mapping[str, Any], title: str | None) -> str:
        from clients.render_bench import bench_page

        return bench_page(answer, style, title)  # type: ignore[arg-type]

    answer = answered(file, style, server, timeout,
                      lambda backend, source: backend.bench(source, meter, volts), text, policy, no_policy)
    return 0 if answer.get("complete") else COULD_NOT_CHECK
