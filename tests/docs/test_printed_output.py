"""What README.md and DEVELOPERS.md print is what the commands really print."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PAGES = ("README.md", "DEVELOPERS.md")
SET_UP = "python3 .ci/dev"
DEV_VERBS = {"test", "cover", "check", "lock", "editor"}
ELISION = "..."  # a line of its own: any number of lines left out


@dataclass(frozen=True)
class Command:
    """One ``$ command`` of a console block and the lines printed below it."""

    page: str
    line: int
    text: str
    printed: tuple[str, ...]

    @property
    def arguments(self) -> list[str] | None:
        """The arguments for thumbrule, or ``None`` when it is some other program."""
        for prefix in (f"{SET_UP} ", "thumbrule "):
            if self.text.startswith(prefix):
                return shlex.split(self.text.removeprefix(prefix))
        return None


def commands(page: str) -> list[Command]:
    text = (ROOT / page).read_text(encoding="utf-8")
    found: list[Command] = []
    for block in re.finditer(r"^```console\n(.*?)^```$", text, re.MULTILINE | re.DOTALL):
        first = text.count("\n", 0, block.start(1)) + 1
        for offset, line in enumerate(block[1].splitlines()):
            if line.startswith("$ "):
                found.append(Command(page, first + offset, line[2:], ()))
            else:
                last = found[-1]
                found[-1] = Command(last.page, last.line, last.text, (*last.printed, line))
    return found


ALL = [command for page in PAGES for command in commands(page)]
PRINTED = [command for command in ALL if command.arguments is not None and any(command.printed)]


def thumbrule(arguments: list[str], folder: Path) -> str:
    run = subprocess.run(
        [sys.executable, "-P", "-c", "from clients.cli import main; main(prog_name='thumbrule')", *arguments],
        cwd=folder,
        env={
            **os.environ,
            "PYTHONPATH": str(ROOT),
            "COLUMNS": "80",
            "NO_COLOR": "1",
            "PYTHONIOENCODING": "utf-8",
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        stdin=subprocess.DEVNULL,
        timeout=120,
        encoding="utf-8",
        check=False,
    )
    assert run.returncode in (0, 1), run.stdout
    return run.stdout


def agrees(printed: tuple[str, ...], real: list[str]) -> bool:
    """True when ``printed`` is ``real``, save for what elision lines leave out."""
    pattern = "".join("(?:.*\n)*?" if line == ELISION else re.escape(line) + "\n" for line in printed)
    return re.fullmatch(pattern, "".join(line + "\n" for line in real)) is not None


@pytest.mark.parametrize("command", PRINTED, ids=lambda command: f"{command.page}:{command.line}")
def test_printed_output_is_current(command: Command, tmp_path: Path) -> None:
    # a copy, because some commands write to the example
    shutil.copytree(ROOT / "clients" / "examples", tmp_path / "clients" / "examples")
    assert command.arguments is not None
    real = [line.rstrip() for line in thumbrule(command.arguments, tmp_path).rstrip("\n").split("\n")]
    printed = tuple(line.rstrip() for line in command.printed)
    assert agrees(printed, real), "the page should read:\n" + "\n".join(real)


def test_the_readme_leads_with_the_job_and_the_tests() -> None:
    first, *rest = (command.text for command in commands("README.md"))
    assert re.fullmatch(re.escape(SET_UP) + r" review clients/examples/[\w-]+\.(yaml|json)", first)
    assert f"{SET_UP} test" in rest
    # the merge check runs that very command, with whichever Python it found
    assert '"$python" .ci/dev test' in (ROOT / ".ci" / "run").read_text(encoding="utf-8").replace("\n", " ")


def test_the_readme_shows_real_output() -> None:
    shown = [command for command in PRINTED if command.page == "README.md"]
    assert any(command.arguments and command.arguments[0] == "review" for command in shown)


def test_every_verb_and_example_that_the_pages_name_exists() -> None:
    from clients.cli import main

    known = {*main.commands, *DEV_VERBS}
    for command in ALL:
        arguments = command.arguments
        if arguments is None:
            continue
        assert arguments[0] in known or arguments[0].startswith("-"), f"{command.page}:{command.line}"
        for word in arguments[1:]:
            if word.startswith("clients/examples/"):
                assert (ROOT / word).is_file(), f"{command.page}:{command.line}: {word}"


def test_elision_is_the_only_slack() -> None:
    assert agrees(("a", ELISION, "c"), ["a", "b", "b", "c"])
    assert not agrees(("a", ELISION, "c"), ["a", "b"])
    assert not agrees(("a", "c"), ["a", "b", "c"])
    assert not agrees(("a.",), ["ab"])
