"""Comparisons through the client: what is sent, and errors told in the places of the reader's own texts."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from flask import request
from werkzeug.serving import make_server

from clients.cli import main
from clients.http_client import Client, ProblemError, Text, UnreadableDocument
from clients.sources import CannotCheck, Remote, Source
from service import facade
from service.http.app import create_app
from service.ruleset import of_rules
from tests.service.fakes import document, least_resistance

Json = dict[str, Any]
IN_YAML = """\
# the bench
format: thumbrule/1
name: bench-load
ground: gnd
parts:
  V1: {kind: supply, voltage: 5 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 60 ohm, pins: {a: rail, b: gnd}}
"""
IN_JSON = json.dumps(document(R1="50 ohm"), indent=1)
WAIVER = "{rule: least-resistance, parts: [R1], reason: r, owner: o, expires: 2026-11-29}"
TODAY = date(2026, 11, 29)


@pytest.fixture(scope="module")
def rules() -> Any:
    return of_rules([least_resistance(100.0, "150 ohm")])


@pytest.fixture(scope="module")
def server(rules: Any) -> Iterator[tuple[str, list[str]]]:
    """A real server on loopback, and the path and query of every request to it."""
    import threading

    asked: list[str] = []
    app = create_app({"RULESET": rules})
    app.before_request(lambda: asked.append(request.full_path))
    running = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=running.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{running.server_port}", asked
    running.shutdown()
    thread.join(10)


@pytest.fixture
def client(server: tuple[str, list[str]]) -> Iterator[Client]:
    with Client(server[0]) as opened:
        yield opened


def test_the_answer_is_that_of_the_facade_in_any_mix_of_spellings(client: Client, rules: Any) -> None:
    base, head = facade.read(IN_YAML.encode()), facade.read(IN_JSON.encode())
    expected = facade.compare(base, head, ruleset=rules, today=TODAY)
    assert [item["mark"] for item in expected["findings"]] == ["worsened"]
    data = IN_YAML.encode()
    for one in (base, base.raw, IN_YAML, data, Text(data, "yaml"), Text(data)):
        for two in (head, head.raw, IN_JSON, b"\xef\xbb\xbf" + IN_JSON.encode()):
            assert client.compare(one, two, today=TODAY) == expected


def test_every_option_reaches_the_server(client: Client, server: tuple[str, list[str]], rules: Any) -> None:
    answer = client.compare(IN_YAML, IN_JSON, worse_by=0.25, remedies=False)
    assert (answer["findings"][0]["mark"], answer["findings"][0]["remedies"]) == ("known", [])
    assert server[1][-1] == "/v1/comparisons?worse_by=0.25&remedies=false"
    client.compare(IN_YAML, IN_JSON, today="2026-11-29")
    assert server[1][-1] == "/v1/comparisons?today=2026-11-29"
    client.compare(IN_YAML, IN_JSON, today=datetime(2026, 11, 29, 23, 59))
    assert server[1][-1] == "/v1/comparisons?today=2026-11-29"
    client.review(IN_YAML, today=TODAY)
    assert server[1][-1] == "/v1/reviews?today=2026-11-29"


def test_without_a_base_only_what_is_known_is_not_new(client: Client) -> None:
    first = client.compare(None, IN_JSON)["findings"]
    assert [item["mark"] for item in first] == ["new"]
    known = [{name: first[0][name] for name in ("identity", "severity", "margin", "places")}]  # type: ignore[literal-required]
    assert [item["mark"] for item in client.compare(None, IN_JSON, known=known)["findings"]] == ["known"]


def test_errors_have_the_places_of_the_texts_that_were_given(client: Client) -> None:
    bad_yaml, bad_json = IN_YAML.replace("60 ohm", "60 V"), IN_JSON.replace("50 ohm", "50 A")
    with pytest.raises(ProblemError) as refused:
        client.compare(bad_yaml, bad_json)
    assert refused.value.status == 422
    where = IN_JSON.splitlines().index('   "resistance": "50 ohm",') + 1
    assert [(item.pointer, item.line) for item in refused.value.errors] == [
        ("/base/parts/R1/resistance", 7), ("/head/parts/R1/resistance", where)]  # fmt: skip
    said = str(refused.value.errors[0])
    assert said.startswith("/base/parts/R1/resistance, line 7, column 24: a resistance is needed")
    with pytest.raises(ProblemError) as refused:  # of plain data nobody knows a line
        client.compare(None, document(R1="50 A"))
    (error,) = refused.value.errors
    assert (error.pointer, error.line) == ("/head/parts/R1/resistance", None)
    with pytest.raises(ProblemError) as refused:
        client.compare(None, IN_JSON, worse_by=-1.0)
    assert [item.pointer for item in refused.value.errors] == ["?worse_by"]


@pytest.mark.parametrize(("text", "said"), [
    ("{", "/head, line 1"), (b"\xff\xfe", "UTF-16"), ("", "the document is empty"), ("a: [", "/head"),
    ('{"parts": 1, "parts": 2}', "stands twice"),
])  # fmt: skip
def test_what_is_no_document_is_refused_before_it_is_sent(
    client: Client, server: tuple[str, list[str]], text: Any, said: str
) -> None:
    before = len(server[1])
    with pytest.raises(UnreadableDocument) as refused:
        client.compare(IN_YAML, text)
    assert refused.value.side == "head"
    assert said in str(refused.value)
    assert refused.value.errors[0].pointer.startswith("/head")
    assert len(server[1]) == before


def source(tmp_path: Path, name: str, text: str) -> Source:
    (tmp_path / name).write_text(text)
    return Source(str(tmp_path / name))


def test_a_server_and_this_process_answer_alike(client: Client, tmp_path: Path, rules: Any) -> None:
    base, head = source(tmp_path, "old.yaml", IN_YAML), source(tmp_path, "new.json", IN_JSON)
    options = {"today": TODAY, "worse_by": 0.01, "remedies": True, "known": None}
    answer = Remote(client).compare(base, head, options)
    assert answer == facade.compare(base.document, head.document, ruleset=rules, today=TODAY)
    review = facade.review(head.document, ruleset=rules, today=TODAY)
    assert Remote(client).review(head, True, TODAY) == review
    # a waiver that cannot be used is told alike, whatever the body looked like on the way
    bad = source(tmp_path, "bad.yaml", f"{IN_YAML}waivers:\n  - {WAIVER.replace('-29', '-31')}\n")
    document, malformed = bad.lenient
    here = facade.compare(document, document, ruleset=rules, today=TODAY, base_malformed=malformed,
                          head_malformed=malformed)  # fmt: skip
    assert here["waivers"][0]["status"] == "malformed"
    assert Remote(client).compare(bad, bad, {"today": TODAY}) == here


@pytest.mark.parametrize(("old", "new", "label", "line"), [
    (IN_YAML.replace("60 ohm", "60 V"), IN_JSON, "old.yaml", 7),
    (IN_YAML, IN_JSON.replace("gnd", "g d"), "new.json", None),
    (IN_YAML.replace("60 ohm", "60 V"), IN_JSON.replace("50 ohm", "50 V"), "new.json", None),
    ("a: [", IN_JSON, "old.yaml", 1),
])  # fmt: skip
def test_what_is_wrong_is_told_of_the_file_it_is_in(
    client: Client, tmp_path: Path, old: str, new: str, label: str, line: int | None
) -> None:
    base, head = source(tmp_path, "old.yaml", old), source(tmp_path, "new.json", new)
    with pytest.raises(CannotCheck) as refused:
        Remote(client).compare(base, head, {})
    assert refused.value.label.endswith(label)
    errors = refused.value.problem["errors"]
    assert errors
    assert all(not item["pointer"].startswith(("/base", "/head")) for item in errors)
    assert line is None or errors[0]["line"] == line
    assert all(item["line"] for item in errors)


def test_the_command_line_asks_a_server_with_the_date(
    server: tuple[str, list[str]], tmp_path: Path
) -> None:
    head = source(tmp_path, "light.yaml", f"{IN_YAML}waivers:\n  - {WAIVER}\n")
    for day, status in (("2026-11-29", 0), ("2026-11-30", 1)):
        call = ["review", head.name, "--server", server[0], "--today", day, "--quiet"]
        result = CliRunner().invoke(main, call, prog_name="thumbrule")
        assert result.exit_code == status, result.output
        assert server[1][-1] == f"/v1/reviews?today={day}"
