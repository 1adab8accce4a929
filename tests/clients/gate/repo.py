"""A real repository in a folder, and circuits of our own to put in it."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path

from click.testing import CliRunner, Result

from clients.cli import main
from clients.gate import git

ROOT = Path(__file__).resolve().parents[3]
TODAY = "2026-11-29"
RULES = '[rules]\nrun = ["min-beta-drive", "saturation-headroom"]\n'
"""Two rules are enough to show a mark, and keep a test short."""
LAMP = """\
format: thumbrule/1
name: bench-lamp
title: A lamp over the potting bench
ground: gnd
parts:
  PS1: {kind: supply, voltage: 12 V, pins: {plus: rail, minus: gnd}}
  U1:  {kind: driver, low: 0 V, high: 5 V, pins: {out: order, reference: gnd}}
  R1:  {kind: resistor, resistance: 1k, pins: {a: order, b: base}}   # base resistor
  Q1:  {kind: npn, beta: {min: 60, typical: 150, max: 300}, pins: {collector: lamp, base: base, emitter: gnd}}
  LP1: {kind: load, resistance: 270 ohm, pins: {plus: rail, minus: lamp}}
"""
"""Nothing to find under RULES; see FAULT."""


def lamp(resistance: str) -> str:
    return LAMP.replace("resistance: 1k,", f"resistance: {resistance},")


FAULT = lamp("3k")
WORSE = lamp("3.3k")


def waived(text: str, expires: str = "2027-06-30") -> str:
    """The circuit with its drive of the lamp accepted until that day."""
    return text + f"""\
waivers:
  - rule: min-beta-drive
    parts: [Q1, R1]
    reason: the lamp is dimmed on purpose
    owner: bench
    expires: {expires}
"""


class Repo:
    """A repository with a working tree in ``top``."""

    def __init__(self, top: Path) -> None:
        self.top = top
        self.git("init", "--quiet", "--initial-branch=main")
        self.git("config", "user.name", "Bench")
        self.git("config", "user.email", "bench@example.org")
        self.git("config", "commit.gpgsign", "false")

    def git(self, *arguments: str) -> str:
        keep = {key: value for key, value in os.environ.items() if not key.startswith("GIT_")}
        env = {**keep, "GIT_CONFIG_GLOBAL": os.devnull, "GIT_CONFIG_NOSYSTEM": "1"}
        done = subprocess.run(["git", *arguments], cwd=self.top, env=env, check=True, capture_output=True)
        return done.stdout.decode("utf-8", "surrogateescape")

    def write(self, files: Mapping[str, str | bytes]) -> None:
        for name, text in files.items():
            path = self.top / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(text if isinstance(text, bytes) else text.encode())

    def commit(self, files: Mapping[str, str | bytes] | None = None, message: str = "work") -> str:
        self.write(files or {})
        self.git("add", "--all")
        self.git("commit", "--quiet", "--allow-empty", "--message", message)
        return self.git("rev-parse", "HEAD").strip()

    def found(self) -> git.Repository:
        found = git.find(str(self.top))
        assert found is not None
        return found


def gate(*arguments: str, date: str = TODAY, remedies: bool = False) -> Result:
    """The command in the working folder."""
    more = [] if remedies else ["--no-remedies"]
    return CliRunner().invoke(main, ["gate", "--today", date, *more, *arguments])
