"""The OpenAPI document is valid, complete, and true."""

from __future__ import annotations

import json
import re
from typing import Any

import jsonschema
import pytest
from flask import Flask
from flask.testing import FlaskClient
from openapi_spec_validator import OpenAPIV31SpecValidator

from rules.min_beta_drive import RULE
from service import facade
from service.documents import load_circuit, read_document
from service.http.openapi import EXAMPLE
from service.ruleset import of_rules
from tests.service.http.conftest import CIRCUIT

SHAPES = {
    "/v1/reviews": "Review",
    "/v1/states": "States",
    "/v1/remedies": "Mended",
    "/v1/timelines": "Timeline",
    "/v1/spreads?samples=50": "Spread",
    "/v1/rules": "Rules",
    "/v1/rules/least-resistance": "Lesson",
    "/v1/rules/least-resistance?depth=card": "Lesson",
    "/v1/part-types": "PartTypes",
    "/live": "Live",
    "/ready": "Ready",
}


@pytest.fixture
def document(client: FlaskClient) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/openapi.json").json
    return found


def test_it_is_valid_openapi_three_one(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1")
    assert list(OpenAPIV31SpecValidator(document).iter_errors()) == []


def test_every_route_is_described_and_every_description_is_routed(
    app: Flask, document: dict[str, Any]
) -> None:
    routed = {
        (re.sub(r"<(\w+)>", r"{\1}", rule.rule), method.lower())
        for rule in app.url_map.iter_rules()
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    described = {(path, method) for path, item in document["paths"].items() for method in item}
    assert described == routed


def test_every_error_is_described_as_a_problem(document: dict[str, Any]) -> None:
    for path, item in document["paths"].items():
        for operation in item.values():
            errors = {status: found for status, found in operation["responses"].items() if status >= "400"}
            assert "500" in errors, path
            for found in errors.values():
                assert list(found["content"]) == ["application/problem+json"]


@pytest.mark.parametrize(("path", "name"), SHAPES.items())
def test_answers_have_the_described_shape(
    client: FlaskClient, document: dict[str, Any], path: str, name: str
) -> None:
    if name in ("Review", "States", "Mended", "Timeline", "Spread"):
        answer = client.post(path, data=CIRCUIT, content_type="application/yaml").json
    else:
        answer = client.get(path).json
    assert _errors(document, name, answer) == []


def test_the_described_shapes_are_strict_enough_to_notice_a_missing_member(document: dict[str, Any]) -> None:
    assert _errors(document, "Review", {"circuit": "x"}) != []
    assert (
        _errors(document, "Problem", {"title": "x", "status": 400, "detail": "x", "type": "about:blank"})
        != []
    )


def test_problems_have_the_described_shape(client: FlaskClient, document: dict[str, Any]) -> None:
    for response in (
        client.get("/nowhere"),
        client.post("/v1/reviews", data=b"{", content_type="application/json"),
        client.post("/v1/reviews", data=b"{}", content_type="application/json"),
        client.post("/v1/reviews?x=1", data=b"{}", content_type="application/json"),
        client.post("/v1/reviews", data=b"{}", content_type="text/plain"),
        client.get("/v1/reviews"),
    ):
        assert _errors(document, "Problem", json.loads(response.data)) == []


def _errors(document: dict[str, Any], name: str, value: Any) -> list[str]:
    schema = {"$ref": f"#/components/schemas/{name}", "components": document["components"]}
    return [error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(value)]


def test_the_circuit_in_it_is_the_published_schema(document: dict[str, Any]) -> None:
    good = read_document(CIRCUIT, "yaml").raw
    bad = json.loads(json.dumps(good))
    bad["parts"]["R1"].pop("pins")
    published = jsonschema.Draft202012Validator(facade.circuit_schema())
    for value, is_good in ((good, True), (bad, False), (EXAMPLE, True)):
        assert published.is_valid(value) is is_good
        assert (_errors(document, "Circuit", value) == []) is is_good


def test_no_reference_leads_nowhere(document: dict[str, Any]) -> None:
    text = json.dumps(document)
    wanted = set(re.findall(r'"\$ref": "#/components/schemas/([^"]+)"', text))
    assert wanted
    assert wanted <= set(document["components"]["schemas"])
    assert text.count('"$ref"') == len(re.findall(r'"\$ref": "#/components/schemas/', text))


def _bounds(value: Any) -> set[str]:
    if isinstance(value, dict):
        own = {key for key in value if key in ("exclusiveMinimum", "exclusiveMaximum")}
        return own.union(*(_bounds(item) for item in value.values()))
    return set().union(*(_bounds(item) for item in value)) if isinstance(value, list) else set()


def test_exclusive_bounds_survive(document: dict[str, Any]) -> None:
    assert _bounds(facade.circuit_schema()) == _bounds(document["components"]["schemas"]) != set()
    circuit = read_document(CIRCUIT, "yaml").raw
    circuit["parts"]["R1"]["resistance"] = 0
    assert _errors(document, "Circuit", circuit) != []


def test_the_example_is_a_circuit_that_can_be_reviewed() -> None:
    assert load_circuit(EXAMPLE).name == EXAMPLE["name"]


def test_a_whole_lesson_on_a_circuit_has_the_described_shape(document: dict[str, Any]) -> None:
    lamp = read_document(json.dumps(EXAMPLE).encode(), "json")
    answer = facade.lesson(RULE.slug, ruleset=of_rules([RULE]), prove=True, document=lamp)
    assert answer["derivation"]["proven"] is True
    assert answer["worked"]["verdicts"]
    assert _errors(document, "Lesson", answer) == []
