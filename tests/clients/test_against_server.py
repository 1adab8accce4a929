"""Client and command line against the real application on loopback: the same answers as in process."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from werkzeug.serving import make_server

from clients.cli import main
from clients.http_client import Client, ProblemError
from schemas.problems import DocumentProblems
from service import facade
from service.documents import read_document, refusal
from service.http.app import create_app

EXAMPLES = Path(__file__).parents[2] / "clients" / "examples"
LATCH = EXAMPLES / "barrel-latch.yaml"
FAN = EXAMPLES / "shed-fan.json"
BELL = EXAMPLES / "frost-bell.yaml"


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    server = make_server("127.0.0.1", 0, create_app(), threaded=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join(10)


@pytest.fixture
def client(url: str) -> Iterator[Client]:
    with Client(url, timeout=(3.05, 120.0)) as opened:
        yield opened


def run(*arguments: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, arguments, prog_name="thumbrule")
    return result.exit_code, result.stdout, result.stderr


@pytest.mark.parametrize("path", [LATCH, FAN], ids=lambda path: path.stem)
def test_every_question_has_the_answer_of_the_facade(client: Client, path: Path) -> None:
    document = read_document(path.read_bytes(), None, path.name)
    for source in (document, document.text, document.raw, path.read_bytes()):
        assert client.states(source, beta="min") == facade.states(document, beta="min")
    assert client.review(document, remedies=False) == facade.review(document, remedies=False)


def test_a_held_capacitor_reaches_the_server(client: Client) -> None:
    document = read_document(BELL.read_bytes(), None, BELL.name)
    answer = client.states(document, hold={"C1": 0.0, "C2": 3.7})
    assert answer == facade.states(document, hold={"C1": 0.0, "C2": 3.7})
    assert answer["held"] == {"C1": 0.0, "C2": 3.7}


def test_every_choice_of_a_timeline_reaches_the_server(client: Client) -> None:
    document = read_document(BELL.read_bytes(), None, BELL.name)
    chosen: dict[str, Any] = {"stimulus": "pass", "beta": "max", "leakage": "limit", "start": "quiet",
                              "until": 12.5}
    answer = client.timeline(document, **chosen)
    assert answer == facade.timeline(document, **chosen)
    assert (answer["start"], answer["beta"], answer["leakage"]) == ("quiet", "max", "limit")
    assert answer["drawn_to"] == 12.5


def test_the_catalogues(client: Client) -> None:
    assert client.rules() == facade.rules()
    assert client.part_types() == facade.part_types()
    assert client.circuit_schema() == facade.circuit_schema()


def test_readiness(client: Client) -> None:
    assert client.ready() == facade.ready()


@pytest.mark.parametrize(("text", "status"), [
    ("format: thumbrule/1\nname: x\n", 422), ("{", 400), ("a: 1\na: 2\n", 422), ("[" * 100, 400)])
def test_a_refusal_is_the_same_here_and_there(client: Client, text: str, status: int) -> None:
    with pytest.raises(ProblemError) as caught:
        client.review(text)
    assert caught.value.status == status
    with pytest.raises(DocumentProblems) as here:
        read_document(text.encode(), "json" if text.startswith("{") else "yaml")
    assert caught.value.raw["errors"] == refusal(here.value)[2]


@pytest.mark.parametrize("arguments", [
    ["states", str(LATCH)], ["states", str(LATCH), "--format", "json", "--beta", "max"],
    ["states", str(BELL), "--hold", "C1=0V"], ["states", str(FAN), "--hold", "C1=0V"],
    ["timeline", str(BELL)], ["timeline", str(BELL), "--start", "nowhere"],
    ["spread", str(FAN), "--samples", "40", "--seed", "9"],
    ["spread", str(FAN), "--samples", "40", "--budget", "7"],
    ["timeline", str(LATCH), "--stimulus", "full", "--format", "json"],
    ["sheet", str(BELL), "--state", "ringing", "--beta", "max"], ["sheet", str(LATCH), "--format", "html"],
    ["sheet", str(FAN), "--state", "nowhere"],
    ["review", str(LATCH), "--no-remedies"],
    ["review", str(FAN), str(LATCH), "--no-remedies", "--format", "json"],
    ["review", str(FAN), "--no-remedies", "--quiet"], ["lesson"],
], ids=lambda arguments: " ".join(Path(argument).name for argument in arguments))
def test_the_command_line_says_the_same_with_a_server(url: str, arguments: list[str]) -> None:
    here, there = run(*arguments), run(*arguments, "--server", url, "--timeout", "120")
    assert there[0] == here[0]
    assert there[1] == here[1]


def test_an_unknown_rule_is_refused_alike(url: str) -> None:
    here, there = (run("lesson", "reset-pat", "--format", "json", *more) for more in ([], ["--server", url]))
    assert (here[0], there[0]) == (2, 2)
    assert json.loads(there[1])["errors"] == json.loads(here[1])["errors"]


def test_a_bad_document_has_the_same_places_with_a_server(url: str, tmp_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("bad.yaml").write_text(LATCH.read_text().replace("resistance: 6k8", "resistance: 6x8"))
    here, there = run("review", "bad.yaml"), run("review", "bad.yaml", "--server", url)
    assert (here[0], there[0]) == (2, 2)
    assert here[2].startswith("bad.yaml:19:25: /parts/R2/resistance: ")
    assert there[2].splitlines()[:-1] == here[2].splitlines()[:-1]


@pytest.mark.parametrize("command", ["review", "states", "timeline", "spread", "sheet", "mend"])
def test_a_server_that_is_not_there(command: str, url: str) -> None:
    arguments: list[Any] = [command, str(LATCH), "--server", "http://127.0.0.1:1"]
    status, out, said = run(*arguments)
    assert (status, out) == (2, "")
    assert "no connection to http://127.0.0.1:1 after 3 tries" in " ".join(said.split())
    status, out, said = run(*arguments, "--format", "json", *(["--dry-run"] if command == "mend" else []))
    assert (status, said) == (2, "")
    assert json.loads(out)["status"] == 504


def test_serve_answers_until_it_is_told_to_stop(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(EXAMPLES.parents[1])}
    command = [sys.executable, "-m", "clients", "serve", "--port", "0", "--workers", "1"]
    with subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                          env=environment) as server:
        assert server.stdout is not None
        try:
            said = server.stdout.readline()
            found = re.search(r"http://127\.0\.0\.1:[0-9]+", said)
            assert found, said
            with Client(found.group(), timeout=(3.05, 60.0)) as client:
                assert client.states(LATCH.read_bytes())["circuit"] == "barrel-latch"
        finally:
            server.send_signal(signal.SIGTERM)
        assert server.wait(30) == 0


def test_serve_says_when_the_address_is_taken(url: str, tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONPATH": str(EXAMPLES.parents[1])}
    port = url.rpartition(":")[2]
    done = subprocess.run([sys.executable, "-m", "clients", "serve", "--port", port], cwd=tmp_path, text=True,
                          capture_output=True, check=False, timeout=60, env=environment)
    assert done.returncode == 2
    assert f"cannot listen on 127.0.0.1 port {port}: Address already in use" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr
