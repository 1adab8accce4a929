"""The gate asks a server: the same answers, by the policy of the server."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from werkzeug.serving import make_server

from service.http.app import create_app
from tests.clients.gate.repo import FAULT, LAMP, RULES, WORSE, Repo, gate, lamp, waived

BASE = ("--base", "main")


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    server = make_server("127.0.0.1", 0, create_app(), threaded=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join(10)


def judged(*arguments: str) -> Any:
    return json.loads(gate(*arguments, "--format", "json").stdout)


def test_a_server_gives_the_same_answer(repo: Repo, url: str) -> None:
    repo.commit({"a.yaml": FAULT, "b.yaml": waived(FAULT, "2026-11-28"), "c.json": "{}", "d.yaml": LAMP})
    here = gate("--no-policy", "--baseline", "known.json", "--ratchet", "a.yaml", "d.yaml")
    assert here.exit_code == 1
    repo.commit()
    repo.write({"a.yaml": WORSE.replace("Q1:", "T7:"), "b.yaml": waived(FAULT), "d.yaml": lamp("1.1k"),
                "e.yaml": FAULT})  # fmt: skip
    arguments = (*BASE, "--baseline", "known.json")
    asked, here_too = judged(*arguments, "--server", url), judged(*arguments, "--no-policy")
    assert asked == here_too
    assert asked["verdict"]["status"] == 1
    assert {"new", "worsened", "reopened"} <= set(asked["verdict"]["counted"])
    sarif = [gate(*arguments, *more, "--format", "sarif").stdout
             for more in (("--server", url), ("--no-policy",))]  # fmt: skip
    assert sarif[0] == sarif[1]


def test_without_a_base_a_server_judges_by_the_own_waivers_too(repo: Repo, url: str) -> None:
    repo.commit({"a.yaml": waived(FAULT), "known.json": '{"format": "thumbrule-baseline/1", "files": {}}'})
    asked = judged("--baseline", "known.json", "--server", url)
    assert asked == judged("--baseline", "known.json", "--no-policy")
    assert asked["verdict"]["kinds"]["waived"] == 1


def test_a_policy_beside_the_circuit_is_told_to_be_of_no_use(repo: Repo, url: str) -> None:
    repo.commit({"thumbrule.toml": RULES, "a.yaml": FAULT})
    repo.write({"a.yaml": FAULT + "# touched\n", "thumbrule.toml": RULES + '[series]\nfilm = "E6"\n'})
    result = gate(*BASE, "--server", url)
    assert result.exit_code == 0
    assert "thumbrule.toml is not used: the server judges by a policy of its own" in result.stderr
    assert "policy proposed" not in result.stdout
    assert gate(*BASE, "--server", url, "--policy", "thumbrule.toml").exit_code == 2


def test_what_a_server_cannot_read_has_its_place(repo: Repo, url: str) -> None:
    repo.commit({"a.yaml": FAULT})
    repo.write({"a.yaml": FAULT.replace("kind: npn", "kind: valve")})
    result = gate(*BASE, "--server", url)
    assert result.exit_code == 2
    assert "line 9: /parts/Q1/kind" in result.stdout


def test_a_server_that_is_not_there(repo: Repo) -> None:
    repo.commit({"a.yaml": FAULT})
    repo.write({"a.yaml": WORSE})
    result = gate(*BASE, "--server", "http://127.0.0.1:9", "--timeout", "1")
    assert result.exit_code == 2
    assert "The server did not answer" in " ".join(result.stdout.split())
