"""Every error status is problem+json, says where, and leaks nothing."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from service import facade, self_check
from service.http.app import create_app
from tests.service.http.conftest import CIRCUIT

YAML = "application/yaml"
POSTS = ("/v1/reviews", "/v1/states", "/v1/timelines", "/v1/spreads", "/v1/remedies")


def _check(response: Any, status: int) -> dict[str, Any]:
    """The problem document of a response, its common members checked."""
    assert response.status_code == status
    assert response.mimetype == "application/problem+json"
    body: dict[str, Any] = json.loads(response.data)
    assert body["type"] == "about:blank"
    assert body["status"] == status
    assert body["title"]
    assert body["detail"]
    assert isinstance(body["errors"], list)
    assert all("pointer" in error and error["detail"] for error in body["errors"])
    assert response.headers["X-Content-Type-Options"] == "nosniff"
    assert "Traceback" not in response.text
    assert "<html" not in response.text.lower()
    return body


def _post(
    client: FlaskClient, path: str = "/v1/reviews", data: bytes = CIRCUIT, media_type: str = YAML
) -> Any:
    return client.post(path, data=data, content_type=media_type)


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize(
    ("data", "media_type"),
    [
        (b"{", "application/json"),
        (b"", "application/json"),
        (b"{} trailing", "application/json"),
        (b"\xff\xfe{}", "application/json"),
        (b"\x80", YAML),
        (b"a: [1, 2", YAML),
        (b"[" * 100_000, "application/json"),
        (b"[" * 100_000, YAML),
    ],
)
def test_text_that_does_not_read_is_a_400(
    client: FlaskClient, path: str, data: bytes, media_type: str
) -> None:
    body = _check(_post(client, path, data, media_type), 400)
    assert body["errors"]


def test_a_value_inside_itself_is_a_422_with_its_place(client: FlaskClient) -> None:
    (error, *_) = _check(_post(client, data=b"a: &a [*a]"), 422)["errors"]
    assert (error["pointer"], error["line"], error["column"]) == ("/a/0", 1, 8)


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize(
    ("old", "new", "pointer"),
    [
        (b"resistance: 47R", b"resistance: 47 V", "/parts/R1/resistance"),
        (b"kind: capacitor", b"kind: capactor", "/parts/C1/kind"),
        (b"ground: gnd\n", b"", "/ground"),
        (b"format: thumbrule/1", b"format: thumbrule/9", "/format"),
    ],
)
def test_a_document_that_is_not_a_circuit_is_a_422_with_its_place(
    client: FlaskClient, path: str, old: bytes, new: bytes, pointer: str
) -> None:
    assert old in CIRCUIT
    body = _check(_post(client, path, CIRCUIT.replace(old, new)), 422)
    error = next(error for error in body["errors"] if error["pointer"] == pointer)
    assert error["line"] >= 1
    assert error["column"] >= 1


def test_every_problem_is_told_at_once(client: FlaskClient) -> None:
    data = CIRCUIT.replace(b"47R", b"47 V").replace(b"1k0", b"lots").replace(b"10 uF", b"10 uV")
    pointers = [error["pointer"] for error in _check(_post(client, data=data), 422)["errors"]]
    assert pointers == ["/parts/C1/capacitance", "/parts/R1/resistance", "/parts/R2/resistance"]


@pytest.mark.parametrize(
    "path", ["/", "/v1", "/v1/", "/v1/review", "/v1/reviews/", "/v1/rules/", "/static/x", "/%2e"]
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_an_unknown_path_is_a_404(client: FlaskClient, path: str, method: str) -> None:
    _check(client.open(path, method=method), 404)


def test_an_unknown_rule_is_a_404_with_the_nearest_one(client: FlaskClient) -> None:
    body = _check(client.get("/v1/rules/least-resistence"), 404)
    assert body["errors"][0]["nearest"] == "least-resistance"
    assert body["errors"][0]["seen"] == '"least-resistence"'


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("GET", "/v1/reviews", "OPTIONS, POST"),
        ("PUT", "/v1/states", "OPTIONS, POST"),
        ("DELETE", "/v1/remedies", "OPTIONS, POST"),
        ("POST", "/v1/rules", "GET, HEAD, OPTIONS"),
        ("PUT", "/v1/rules/least-resistance", "GET, HEAD, OPTIONS, POST"),
        ("PATCH", "/openapi.json", "GET, HEAD, OPTIONS"),
        ("POST", "/live", "GET, HEAD, OPTIONS"),
        ("POST", "/ready", "GET, HEAD, OPTIONS"),
    ],
)
def test_a_wrong_method_is_a_405_with_allow(client: FlaskClient, method: str, path: str, allow: str) -> None:
    response = client.open(path, method=method)
    _check(response, 405)
    assert response.headers["Allow"] == allow
    assert client.options(path).headers["Allow"] == allow


def test_a_body_that_is_too_large_is_a_413_with_the_limit(rules: Any) -> None:
    client = create_app({"MAX_CONTENT_LENGTH": 1000}).test_client()
    assert _post(client).status_code == 200
    body = _check(_post(client, data=CIRCUIT + b"#" * 1000), 413)
    assert body["errors"][0]["accepted"] == "at most 1000 bytes"


def test_the_usual_limit_is_a_mebibyte(client: FlaskClient) -> None:
    _check(_post(client, data=CIRCUIT + b"#" * (1 << 20)), 413)
    assert _post(client, data=CIRCUIT + b"\n" * ((1 << 20) - len(CIRCUIT))).status_code == 200


@pytest.mark.parametrize("path", POSTS)
@pytest.mark.parametrize(
    ("headers", "seen"),
    [
        ({"Content-Type": "text/plain"}, '"text/plain"'),
        ({"Content-Type": "application/xml"}, '"application/xml"'),
        ({"Content-Type": "multipart/form-data; boundary=x"}, '"multipart/form-data"'),
        ({}, "no Content-Type"),
        ({"Content-Type": "application/json; charset=latin-1"}, '"latin-1"'),
        ({"Content-Type": "application/json", "Content-Encoding": "gzip"}, '"gzip"'),
    ],
)
def test_another_media_type_is_a_415(
    client: FlaskClient, path: str, headers: dict[str, str], seen: str
) -> None:
    response = client.post(path, data=CIRCUIT, headers=headers)
    assert _check(response, 415)["errors"][0]["seen"] == seen
    assert "application/json" in response.headers["Accept"]


@pytest.mark.parametrize(
    ("path", "pointer", "detail"),
    [
        ("/v1/states?beta=median", "?beta", "the value is not known"),
        ("/v1/states?beta=min&beta=max", "?beta", "more than once"),
        ("/v1/states?bete=min", "?bete", "no such query parameter"),
        ("/v1/states?hold=C1", "?hold", "name, a colon and a voltage"),
        ("/v1/states?hold=C1:5 ohm", "?hold", "a voltage is needed"),
        ("/v1/states?hold=C1:1 V,C1:2 V", "?hold", "held twice"),
        ("/v1/states?hold=", "?hold", "name, a colon and a voltage"),
        ("/v1/states?hold=C9:1 V", "?hold", "C9 is not a part of this circuit"),
        ("/v1/states?hold=R1:1 V", "?hold", "R1 is a resistor"),
        ("/v1/reviews?remedies=maybe", "?remedies", "the value is not known"),
        ("/v1/reviews?remedies=True", "?remedies", "the value is not known"),
        ("/v1/reviews?beta=min", "?beta", "no such query parameter"),
        ("/v1/timelines?stimulus=knock", "?stimulus", "this circuit declares no stimulus"),
        ("/v1/timelines?start=lit", "?start", "no such state to start from"),
        ("/v1/timelines?leakage=some", "?leakage", "the value is not known"),
        ("/v1/timelines?model=hands", "?model", "the value is not known"),
        ("/v1/timelines?until=10 V", "?until", "a time is needed"),
        ("/v1/timelines?until=-1 s", "?until", "must not be negative"),
        ("/v1/timelines?until=0", "?until", "no unit"),
        ("/v1/timelines?hold=C1:1 V", "?hold", "no such query parameter"),
        ("/v1/spreads?samples=0", "?samples", "a whole number is needed"),
        ("/v1/spreads?samples=1e3", "?samples", "a whole number is needed"),
        ("/v1/spreads?seed=-1", "?seed", "a whole number is needed"),
        ("/v1/spreads?budget=1000000", "?budget", "a whole number is needed"),
        ("/v1/spreads?beta=min", "?beta", "no such query parameter"),
        ("/v1/remedies?remedies=true", "?remedies", "no such query parameter"),
    ],
)
def test_a_bad_query_is_a_400_with_the_parameter(
    client: FlaskClient, path: str, pointer: str, detail: str
) -> None:
    (error,) = _check(_post(client, path), 400)["errors"]
    assert error["pointer"] == pointer
    assert detail in error["detail"]
    assert error["accepted"]


def test_a_bad_query_is_refused_on_the_catalogue_too(client: FlaskClient) -> None:
    for path in (
        "/v1/rules?x=1",
        "/v1/rules/least-resistance?x=1",
        "/v1/part-types?x=1",
        "/v1/schemas/circuit.json?x",
    ):
        assert _check(client.get(path), 400)["errors"][0]["pointer"] == "?x"


def test_every_bad_parameter_is_told_with_what_was_likely_meant(client: FlaskClient) -> None:
    errors = _check(_post(client, "/v1/states?betta=min&holt=C1:1 V"), 400)["errors"]
    assert [(error["pointer"], error["nearest"]) for error in errors] == [
        ("?betta", "beta"),
        ("?holt", "hold"),
    ]


def test_a_crash_is_a_500_that_tells_nothing(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def crash(*_: Any, **__: Any) -> Any:
        raise RuntimeError("the secret of the seedling bench")

    monkeypatch.setattr(facade, "review", crash)
    response = _post(client)
    body = _check(response, 500)
    assert "secret" not in response.text
    assert "cold-frame-heater" not in response.text
    assert body["errors"] == []
    assert "the secret of the seedling bench" in caplog.text


def test_not_ready_is_a_503_with_the_check_that_failed(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(self_check.VOLTAGES, "out", 0.3)  # type: ignore[arg-type]
    body = _check(client.get("/ready"), 503)
    assert body["ready"] is False
    assert "known states: out is 0.2" in body["errors"][0]["detail"]
    assert [check["ok"] for check in body["checks"]] == [True, True, False, True]


def test_a_broken_plugin_is_not_ready(client: FlaskClient, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.ruleset import of_rules
    from tests.service.fakes import FakeRule, least_resistance

    broken = of_rules([least_resistance(100.0, "150 ohm"), FakeRule("unnamed", lambda study: (), title="")])
    monkeypatch.setattr(facade, "installed", lambda: broken)
    body = _check(client.get("/ready"), 503)
    assert "rule 'unnamed' of local: title is empty" in body["errors"][0]["detail"]
