"""The command ``thumbrule policy``: what a policy says, and where each line of it comes from."""

from __future__ import annotations

from pathlib import Path

import click

from clients.options import (
    COULD_NOT_CHECK,
    FORMAT,
    NO_POLICY,
    POLICY,
    SERVER,
    TIMEOUT,
    guarded,
    open_backend,
    options,
)
from clients.output import emit, emit_json, report
from clients.sources import CannotCheck, problem


@click.command()
@click.argument("place", metavar="[FILE|DIR]", default=".")
@click.option("--show", is_flag=True, help="Print every setting in effect, each with its origin.")
@options(FORMAT, SERVER, TIMEOUT, POLICY, NO_POLICY)
def policy(place: str, show: bool, style: str, server: str | None, timeout: float, policy: str | None,
           no_policy: bool) -> int:
    """Check the policy that goes with a circuit or a folder.

    A policy is a file thumbrule.toml in the folder of the circuit or above
    it, up to the root of the repository.  It may set limits and severities,
    choose rules and plugins, preferred series and a derating profile.
    """
    with open_backend(server, timeout, policy, no_policy) as backend:
        try:
            if server is None and place != "-" and not Path(place).exists():
                raise CannotCheck(place, problem(400, "there is no such file or folder"))
            answer = guarded("policy", lambda: backend.policy(place))
        except CannotCheck as failure:
            report([failure], as_json=style == "json")
            return COULD_NOT_CHECK
    if style == "json":
        emit_json(answer)
        return 0
    from clients.render_policy import changes_text, policy_text

    emit(policy_text(answer) if show else changes_text(answer))
    return 0
