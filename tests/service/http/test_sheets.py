"""``POST /v1/sheets``: the same answer as in process, in the shape that is described."""

from __future__ import annotations

import jsonschema
from flask.testing import FlaskClient

from service import facade
from service.documents import read_document
from tests.service.http.conftest import CIRCUIT


def test_the_answer_is_that_of_the_facade_and_has_the_described_shape(client: FlaskClient) -> None:
    answer = client.post("/v1/sheets?beta=min", data=CIRCUIT, content_type="application/yaml").json
    assert answer == facade.sheet(read_document(CIRCUIT, "yaml"), beta="min")
    document = client.get("/openapi.json").json
    assert document is not None
    schema = {"$ref": "#/components/schemas/Sheets", "components": document["components"]}
    validator = jsonschema.Draft202012Validator(schema)
    assert [error.message for error in validator.iter_errors(answer)] == []
    answer["sheets"][0]["steps"][0].pop("tree")
    assert not validator.is_valid(answer)


def test_a_state_that_is_not_there_is_refused_with_the_names(client: FlaskClient) -> None:
    response = client.post("/v1/sheets?state=nowhere", data=CIRCUIT, content_type="application/yaml")
    assert (response.status_code, response.content_type) == (400, "application/problem+json")
    (error,) = response.get_json()["errors"]
    assert (error["pointer"], error["detail"]) == ("?state", "no such state")
    assert error["accepted"]
