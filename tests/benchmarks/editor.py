"""How long an editor waits for findings: a key goes in, the diagnostics of that very version come out.

A plain client, over the pipes of a real server process.  Every key that
counts changes a value of the circuit to one that was not there before, so that
nothing is known from an earlier review.
"""

from __future__ import annotations

import asyncio
import json
import re
import statistics
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

KEYS = 60
CALM = 0.2  # s from the answer to the next key; remedies have not been begun by then
SLOW = 0.8  # s; the search for remedies is under way when the next key comes
_VALUE = re.compile(r"(?:resistance|capacitance|voltage|power): (?:0\.)?([1-9])")


@dataclass
class Took:
    """Times in ms: to the first diagnostics of a version, and to the last that came before the next key."""

    first: list[float] = field(default_factory=list)
    last: list[float] = field(default_factory=list)


class Client:
    """The least that a client of the protocol can be."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self.process, self._in, self._out = process, process.stdin, process.stdout

    @classmethod
    async def start(cls) -> Client:
        made = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "clients", "language-server",
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE)
        client = cls(made)
        client.send("initialize", {"processId": None, "rootUri": None, "capabilities": {}}, 1)
        await client.receive()
        client.send("initialized", {})
        return client

    def send(self, method: str, params: Any, number: int | None = None) -> None:
        message = {"jsonrpc": "2.0", "method": method, "params": params}
        if number is not None:
            message["id"] = number
        body = json.dumps(message).encode()
        self._in.write(b"Content-Length: %d\r\n\r\n" % len(body) + body)

    async def receive(self) -> dict[str, Any]:
        head = await self._out.readuntil(b"\r\n\r\n")
        length = re.search(rb"Content-Length: (\d+)", head)
        assert length is not None
        found: dict[str, Any] = json.loads(await self._out.readexactly(int(length[1])))
        return found

    async def published(self, version: int) -> float:
        """When the diagnostics of this version came (the clock of :func:`time.perf_counter`)."""
        while True:
            message = await self.receive()
            told = message.get("method") == "textDocument/publishDiagnostics"
            if told and message["params"].get("version") == version:
                return time.perf_counter()

    async def stop(self) -> int:
        self.send("shutdown", None, 2)
        while (await self.receive()).get("id") != 2:
            pass
        self.send("exit", None)
        self._in.close()
        return await self.process.wait()


def keys(text: str, count: int) -> Iterator[tuple[int, str, str]]:
    """Offset, the digit that stands there, and the one to type; every circuit is one digit from ``text``."""
    places = [match.start(1) for match in _VALUE.finditer(text)]
    if count > 8 * len(places):
        raise ValueError(f"only {8 * len(places)} different keys can be typed into this circuit")
    for step in range(count):
        turn, which = divmod(step, len(places))
        at = places[which]
        yield at, text[at], str((int(text[at]) + turn) % 9 + 1)


async def typed(path: Path, count: int = KEYS, pause: float = CALM) -> Took:
    """Type ``count`` keys into a circuit, each ``pause`` seconds after the answer to the one before."""
    text = path.read_text()
    uri, took = path.resolve().as_uri(), Took()
    client = await Client.start()
    item = {"uri": uri, "languageId": "yaml", "version": 1, "text": text}
    client.send("textDocument/didOpen", {"textDocument": item})
    await client.published(1)
    await asyncio.sleep(2.0)  # somebody looks at the circuit before typing
    version = 1
    for at, before, digit in keys(text, count):
        line = text.count("\n", 0, at)
        column = at - (text.rfind("\n", 0, at) + 1)
        reach = {"start": {"line": line, "character": column}, "end": {"line": line, "character": column + 1}}
        for typed_now in (digit, before):  # the second takes it back, and is not counted: it is known already
            version += 1
            change = {"textDocument": {"uri": uri, "version": version},
                      "contentChanges": [{"range": reach, "text": typed_now}]}
            pressed = time.perf_counter()
            client.send("textDocument/didChange", change)
            last = first = await client.published(version)
            if typed_now == digit:
                with suppress(TimeoutError):
                    async with asyncio.timeout(pause):
                        while True:
                            last = await client.published(version)
                took.first.append((first - pressed) * 1e3)
                took.last.append((last - pressed) * 1e3)
            else:
                await asyncio.sleep(CALM)
    assert await client.stop() == 0
    return took


def nine_in_ten(values: list[float]) -> float:
    """The time within which nine answers of ten came."""
    return statistics.quantiles(values, n=10)[-1]


def measured(path: Path, pause: float, count: int = KEYS) -> Took:
    return asyncio.run(typed(path, count, pause))

