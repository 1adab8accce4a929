"""The production server on a real socket: its address, large bodies, graceful stop."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests

from service.serve import bind_address, serve
from tests.service.http.conftest import CIRCUIT

ROOT = Path(__file__).resolve().parents[2]
YAML = {"Content-Type": "application/yaml"}
SCRIPT = "from service.serve import serve; serve(port=0, workers=2)"


def _start() -> subprocess.Popen[str]:
    command = [sys.executable, "-c", SCRIPT]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    server = _start()
    assert server.stdout is not None
    try:
        line = server.stdout.readline()
        found = re.fullmatch(r"Serving on (http://127\.0\.0\.1:\d+) \(stop with Ctrl-C\)\n", line)
        assert found, line or server.communicate(timeout=10)
        yield found[1]
    finally:
        server.terminate()
        server.communicate(timeout=20)


def test_it_listens_on_loopback_and_answers(address: str) -> None:
    assert requests.get(f"{address}/live", timeout=10).json() == {"live": True}
    response = requests.post(f"{address}/v1/states", data=CIRCUIT, headers=YAML, timeout=30)
    assert response.status_code == 200
    assert response.json()["circuit"] == "cold-frame-heater"


def test_every_worker_gives_the_same_bytes(address: str) -> None:
    answers = {
        requests.post(f"{address}/v1/reviews", data=CIRCUIT, headers=YAML, timeout=30).content
        for _ in range(8)
    }
    assert len(answers) == 1


@pytest.mark.parametrize("size", [(1 << 20) + 1, 3 << 20, 12 << 20])
def test_the_refusal_of_a_large_body_arrives(address: str, size: int) -> None:
    response = requests.post(f"{address}/v1/reviews", data=b"#" * size, headers=YAML, timeout=30)
    assert response.status_code == 413
    assert response.headers["Content-Type"] == "application/problem+json"


def test_a_client_that_sends_all_before_it_reads_gets_the_refusal(address: str) -> None:
    """Closing on unread data would reset the connection while the client is still sending."""
    host, port = address.removeprefix("http://").split(":")
    size = 12 << 20
    fields = (f"Host: {host}", "Content-Type: text/yaml", f"Content-Length: {size}")
    head = "\r\n".join(("POST /v1/reviews HTTP/1.1", *fields, "", ""))
    with socket.create_connection((host, int(port)), timeout=30) as connection:
        connection.sendall(head.encode())
        for _ in range(size >> 16):
            connection.sendall(b"#" * (1 << 16))
        answer = b"".join(iter(lambda: connection.recv(65536), b""))
    assert answer.startswith(b"HTTP/1.1 413 ")
    assert b'"accepted":"at most 1048576 bytes"' in answer


def test_a_large_body_of_unknown_length_is_refused_rather_than_cut_off(address: str) -> None:
    pieces = iter([CIRCUIT, *(b"#" * 65536 for _ in range(40))])
    response = requests.post(f"{address}/v1/reviews", data=pieces, headers=YAML, timeout=30)
    assert response.status_code == 413
    assert response.json()["errors"][0]["accepted"] == "at most 1048576 bytes"


def test_a_body_of_unknown_length_may_be_just_as_long_as_any(address: str) -> None:
    whole = CIRCUIT + b"\n" * ((1 << 20) - len(CIRCUIT))
    for body, status in ((whole, 200), (whole + b"\n", 413)):
        pieces = (body[at : at + 65536] for at in range(0, len(body), 65536))
        response = requests.post(f"{address}/v1/states", data=pieces, headers=YAML, timeout=30)
        assert response.status_code == status


def test_a_body_in_pieces_is_read(address: str) -> None:
    response = requests.post(
        f"{address}/v1/states", data=iter([CIRCUIT[:50], CIRCUIT[50:]]), headers=YAML, timeout=30
    )
    assert response.status_code == 200


@pytest.mark.parametrize("stop", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_gracefully(stop: signal.Signals) -> None:
    server = _start()
    assert server.stdout is not None
    assert server.stdout.readline().startswith("Serving on")
    server.send_signal(stop)
    _, errors = server.communicate(timeout=20)
    assert server.returncode == 0, errors
    assert "Traceback" not in errors


def test_an_address_in_use_is_an_error_without_a_traceback() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        script = f"from service.serve import serve; serve(port={taken.getsockname()[1]}, workers=1)"
        done = subprocess.run(
            [sys.executable, "-c", script], capture_output=True, text=True, timeout=60, cwd=ROOT
        )
    assert done.returncode != 0
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("over", "text"),
    [
        ({"port": 65536}, "the port is 65536"),
        ({"port": -1}, "the port is -1"),
        ({"workers": 0}, "the number of workers is 0"),
    ],
)
def test_numbers_out_of_range_are_refused(over: dict[str, int], text: str) -> None:
    with pytest.raises(ValueError, match=text):
        serve(**over)


def test_an_ipv6_address_is_bracketed() -> None:
    assert bind_address("::1", 8000) == "[::1]:8000"
    assert bind_address("127.0.0.1", 8000) == "127.0.0.1:8000"
