"""What each resource answers when all is well."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient

from service import facade
from service.documents import read_document
from service.http.problems import json_bytes
from service.ruleset import Ruleset
from tests.service.http.conftest import CIRCUIT

YAML = "application/yaml"


def _post(client: FlaskClient, path: str, data: bytes = CIRCUIT, media_type: str = YAML) -> Any:
    return client.post(path, data=data, content_type=media_type)


def test_a_circuit_with_findings_is_a_200_with_the_facades_answer(
    client: FlaskClient, rules: Ruleset
) -> None:
    response = _post(client, "/v1/reviews")
    assert response.status_code == 200
    assert response.mimetype == "application/json"
    expected = facade.review(read_document(CIRCUIT, "yaml"), ruleset=rules)
    assert response.json == expected
    assert [finding["rule"] for finding in expected["findings"]] == ["least-resistance"]
    assert len(expected["findings"][0]["remedies"]) == 1


def test_json_and_yaml_are_two_spellings_of_one_document(client: FlaskClient) -> None:
    raw = json.dumps(read_document(CIRCUIT, "yaml").raw).encode()
    plain = _post(client, "/v1/reviews")
    for media_type in ("application/json", "application/vnd.example+json", "application/json; charset=UTF-8"):
        assert _post(client, "/v1/reviews", raw, media_type).data == plain.data
    for media_type in ("application/x-yaml", "text/yaml"):
        assert _post(client, "/v1/reviews", CIRCUIT, media_type).data == plain.data


def test_remedies_can_be_left_out(client: FlaskClient) -> None:
    without = _post(client, "/v1/reviews?remedies=false").json
    assert without["findings"][0]["remedies"] == []
    assert _post(client, "/v1/reviews?remedies=true").json["findings"][0]["remedies"] != []


def test_states_take_a_corner_and_held_capacitors(client: FlaskClient) -> None:
    rest = _post(client, "/v1/states?beta=min").json
    assert (rest["circuit"], rest["complete"], rest["beta"]) == ("cold-frame-heater", True, "min")
    (configuration,) = rest["configurations"]
    (state,) = configuration["states"]
    # 5 V across 47 ohm and 1 kohm
    assert state["nets"]["n1"] == pytest.approx(5.0 * 1000 / 1047)
    assert state["currents"]["R1"]["a"] == pytest.approx(5.0 / 1047)
    assert state["power"]["R2"] == pytest.approx(1000 * (5.0 / 1047) ** 2)
    held = _post(client, "/v1/states?hold=C1:2.5 V").json["configurations"][0]["states"][0]
    assert held["nets"]["n1"] == pytest.approx(2.5)
    assert held["currents"]["C1"]["plus"] == pytest.approx(2.5 / 47 - 2.5 / 1000)


def test_remedies_answers_with_the_mended_document(client: FlaskClient) -> None:
    mended = _post(client, "/v1/remedies").json
    assert mended["document"]["parts"]["R1"]["resistance"] == "150 ohm"
    assert [step["rule"] for step in mended["applied"]] == ["least-resistance"]
    assert mended["remaining"] == []
    again = _post(client, "/v1/remedies", json.dumps(mended["document"]).encode(), "application/json").json
    assert again["applied"] == []


def test_the_catalogue_and_its_lessons(client: FlaskClient) -> None:
    (rule,) = client.get("/v1/rules").json["rules"]
    assert rule["slug"] == "least-resistance"
    assert rule["limits"][0]["source"] == "made up"
    lesson = client.get("/v1/rules/least-resistance").json
    assert lesson["lesson"]["failing"] == "failing: text"
    assert lesson["grounds"]["symbols"] == {"x": "what is looked at"}


def test_part_types_come_with_their_sources(client: FlaskClient) -> None:
    types = {item["name"]: item for item in client.get("/v1/part-types").json["part_types"]}
    assert {
        "2N3904",
        "2N3906",
        "2N2222A",
        "2N2907A",
        "BC547B",
        "BC557B",
        "1N4148",
        "1N4001",
        "1N4007",
    } <= set(types)
    assert all(point["source"] for point in types["2N3904"]["beta"])


def test_the_circuit_schema_is_the_published_one(client: FlaskClient) -> None:
    response = client.get("/v1/schemas/circuit.json")
    assert response.mimetype == "application/schema+json"
    assert response.json == facade.circuit_schema()


def test_live_says_nothing_of_the_rules(client: FlaskClient) -> None:
    assert client.get("/live").json == {"live": True}


def test_ready_reviews_a_known_circuit(client: FlaskClient, rules: Ruleset) -> None:
    response = client.get("/ready")
    assert response.status_code == 200
    assert response.json["ready"] is True
    assert response.json["ruleset"] == rules.digest
    assert [check["name"] for check in response.json["checks"]] == [
        "rules loaded", "schemas compiled", "known states", "known review"
    ]  # fmt: skip


@pytest.mark.parametrize("path", ["/v1/rules", "/v1/rules/least-resistance", "/v1/part-types",
                                  "/v1/schemas/circuit.json", "/openapi.json"])  # fmt: skip
def test_what_changes_only_with_the_program_has_an_etag(client: FlaskClient, path: str) -> None:
    first = client.get(path)
    etag = first.headers["ETag"]
    assert etag.startswith('"')
    assert first.headers["Cache-Control"] == "no-cache"
    second = client.get(path, headers={"If-None-Match": etag})
    assert (second.status_code, second.data) == (304, b"")
    assert client.get(path, headers={"If-None-Match": '"other"'}).status_code == 200
    assert client.head(path).status_code == 200


@pytest.mark.parametrize("path", ["/v1/rules", "/live", "/nowhere", "/openapi.json"])
def test_every_answer_has_the_security_headers(client: FlaskClient, path: str) -> None:
    headers = client.get(path).headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Content-Security-Policy"] == "default-src 'none'; frame-ancestors 'none'"
    assert headers["Cache-Control"] in ("no-cache", "no-store")
    assert "Access-Control-Allow-Origin" not in headers


def test_answers_to_posts_are_not_stored(client: FlaskClient) -> None:
    assert _post(client, "/v1/reviews").headers["Cache-Control"] == "no-store"


def test_the_same_question_gets_the_same_bytes(client: FlaskClient) -> None:
    first, second = (_post(client, "/v1/reviews").data for _ in range(2))
    assert first == second
    assert first.endswith(b"}\n")
    members = list(json.loads(first))
    assert members[:8] == [
        "circuit", "ruleset", "complete", "states", "findings", "outcomes", "assumed", "cautions"
    ]  # fmt: skip


def test_a_number_that_is_not_finite_never_leaves_the_service() -> None:
    for number in (float("nan"), float("inf"), -float("inf")):
        with pytest.raises(ValueError, match="not JSON compliant"):
            json_bytes({"value": number})


def test_a_lesson_at_a_depth_and_worked_on_a_circuit(client: FlaskClient) -> None:
    line = client.get("/v1/rules/least-resistance?depth=line").json
    assert "grounds" not in line
    refused = client.get("/v1/rules/least-resistance?depth=page")
    assert (refused.status_code, refused.json["errors"][0]["accepted"]) == (400, "line, card, lesson")
    worked = _post(client, "/v1/rules/least-resistance?depth=card").json
    assert worked["grounds"]["symbols"] == {"x": "what is looked at"}
    assert {item["kind"] for item in worked["worked"]["verdicts"]} == {"violated", "satisfied"}
    assert _post(client, "/v1/rules/no-such-rule").status_code == 404
