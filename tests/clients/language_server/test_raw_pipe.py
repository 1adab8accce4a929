"""The bytes on the pipe, written and read without any library (LSP 3.17, section "Base Protocol")."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

LAMP = (Path(__file__).parents[3] / "clients" / "examples" / "workshop-lamp.yaml").read_text()
URI = "file:///nowhere/lamp.yaml"
AT_START = {"textDocument": {"uri": URI}, "position": {"line": 0, "character": 0}}


class Pipe:
    """One server process; everything it writes has to be a message."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "clients", "language-server"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def write(self, data: bytes) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(data)
        self.process.stdin.flush()

    def send(self, method: str, params: Any = None, number: int | None = None) -> None:
        message = {"jsonrpc": "2.0", "method": method, "params": params}
        body = json.dumps(message if number is None else {**message, "id": number}).encode()
        self.write(b"Content-Length: %d\r\n\r\n%b" % (len(body), body))

    def read(self) -> dict[str, Any]:
        assert self.process.stdout is not None
        length = None
        while (line := self.process.stdout.readline()) != b"\r\n":
            assert line, "the server has ended"
            name, _, value = line.partition(b":")
            if name.lower() == b"content-length":
                length = int(value)
        assert length is not None
        found: dict[str, Any] = json.loads(self.process.stdout.read(length))
        return found

    def answer(self, number: int) -> dict[str, Any]:
        while (message := self.read()).get("id") != number or "method" in message:
            pass
        return message

    def published(self, version: int) -> list[dict[str, Any]]:
        while True:
            message = self.read()
            told = message.get("method") == "textDocument/publishDiagnostics"
            if told and message["params"].get("version") == version:
                found: list[dict[str, Any]] = message["params"]["diagnostics"]
                return found

    def begin(self) -> dict[str, Any]:
        self.send("initialize", {"processId": None, "rootUri": None, "capabilities": {}}, 1)
        found: dict[str, Any] = self.answer(1)["result"]
        self.send("initialized", {})
        return found

    def rest(self) -> tuple[bytes, bytes]:
        """What is left on standard output and standard error once the process has ended."""
        return self.process.communicate(timeout=30)


@pytest.fixture
def pipe() -> Iterator[Pipe]:
    made = Pipe()
    yield made
    if made.process.poll() is None:
        made.process.kill()
        made.process.communicate()


def test_a_whole_session(pipe: Pipe) -> None:
    offered = pipe.begin()
    assert offered["serverInfo"]["name"] == "thumbrule"
    assert offered["capabilities"]["positionEncoding"] == "utf-16"
    assert offered["capabilities"]["textDocumentSync"]["change"] == 2
    item = {"uri": URI, "languageId": "yaml", "version": 1, "text": LAMP}
    pipe.send("textDocument/didOpen", {"textDocument": item})
    found = pipe.published(1)
    assert [item["code"] for item in found] == ["min-beta-drive", "saturation-headroom"]
    line, column = found[0]["range"]["start"]["line"], found[0]["range"]["start"]["character"]
    assert LAMP.splitlines()[line][column:].startswith("10k")
    assert "relatedInformation" not in found[0], "this client did not say that it can show it"
    assert "data" not in found[0]

    pipe.send("textDocument/didChange", {
        "textDocument": {"uri": URI, "version": 2},
        "contentChanges": [{"range": found[0]["range"], "text": "1k2"}]})
    assert pipe.published(2) == []

    # A client that cannot resolve, and knows no versions of edits, gets the whole at once.
    everywhere = {"start": {"line": 0, "character": 0}, "end": {"line": 99, "character": 0}}
    pipe.send("textDocument/didChange", {"textDocument": {"uri": URI, "version": 3},
                                         "contentChanges": [{"text": LAMP}]})
    pipe.send("textDocument/codeAction", {
        "textDocument": {"uri": URI}, "range": everywhere,
        "context": {"diagnostics": [], "only": ["source.fixAll"], "triggerKind": 1}}, 2)
    (action,) = pipe.answer(2)["result"]
    (edit,) = action["edit"]["changes"][URI]
    assert edit["range"] == found[0]["range"]

    pipe.send("shutdown", None, 3)
    assert pipe.answer(3)["result"] is None
    pipe.send("exit")
    out, _ = pipe.rest()
    assert out == b"", "nothing but messages on standard output"
    assert pipe.process.returncode == 0


def test_bad_messages_are_answered_and_the_server_goes_on(pipe: Pipe) -> None:
    pipe.send("textDocument/hover", AT_START, 7)
    assert pipe.answer(7)["error"]["code"] == -32002, "not initialized yet (LSP 3.17, ErrorCodes)"
    pipe.begin()
    pipe.write(b"Content-Length: 9\r\n\r\nnot json!")
    pipe.send("no/suchMethod", {}, 8)
    assert pipe.answer(8)["error"]["code"] == -32601
    pipe.send("textDocument/hover", AT_START, 9)
    assert pipe.answer(9)["result"] is None
    pipe.send("textDocument/hover", {"position": "nowhere"}, 10)
    pipe.send("shutdown", None, 11)
    assert pipe.answer(11)["result"] is None


@pytest.mark.parametrize("polite", [False, True])
def test_the_exit_status(pipe: Pipe, polite: bool) -> None:
    """LSP 3.17, section "Exit Notification": 0 if shutdown was asked for before, else 1."""
    pipe.begin()
    if polite:
        pipe.send("shutdown", None, 5)
        pipe.answer(5)
    pipe.send("exit")
    pipe.rest()
    assert pipe.process.returncode == (0 if polite else 1)


def test_the_end_of_the_input_ends_the_server_even_while_it_is_busy(pipe: Pipe) -> None:
    pipe.begin()
    bell = LAMP.replace("workshop-lamp", "other-lamp")
    pipe.send("textDocument/didOpen",
              {"textDocument": {"uri": URI, "languageId": "yaml", "version": 1, "text": bell}})
    assert pipe.process.stdin is not None
    pipe.process.stdin.close()
    pipe.process.stdin = None
    _, errors = pipe.rest()
    assert pipe.process.returncode == 1
    assert b"Traceback" not in errors
