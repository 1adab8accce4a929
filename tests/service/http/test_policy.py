"""A server under a policy: its reviews, its catalogue and what it says of the policy itself."""

from __future__ import annotations

from pathlib import Path

import jsonschema
from flask.testing import FlaskClient

from service.http.app import create_app
from service.http.openapi import openapi_document
from service.policy import apply, installed_under, load
from service.ruleset import Ruleset
from service.self_check import CIRCUIT as CIRCUIT_OF_READINESS
from tests.service.http.conftest import CIRCUIT


def served(tmp_path: Path, rules: Ruleset, text: str) -> FlaskClient:
    path = tmp_path / "thumbrule.toml"
    path.write_text(text)
    policy = load(path)
    return create_app({"POLICY": policy, "RULESET": apply(policy, rules)}).test_client()


def test_without_a_policy_everything_is_a_default(client: FlaskClient) -> None:
    answer = client.get("/v1/policy")
    assert answer.status_code == 200
    assert answer.headers["ETag"]
    assert answer.json is not None
    assert answer.json["files"] == []
    assert {item["origin"]["kind"] for item in answer.json["limits"]} == {"default"}
    assert [item["rule"] for item in answer.json["rules"]] == ["least-resistance"]


def test_the_policy_of_the_server_counts_for_its_answers(tmp_path: Path, rules: Ruleset) -> None:
    client = served(
        tmp_path,
        rules,
        '[limits.least-resistance]\nleast = "120 ohm"\n[severity]\nleast-resistance = "note"\n',
    )
    policy = client.get("/v1/policy").json
    assert policy is not None
    (limit,) = policy["limits"]
    assert (limit["value"], limit["default"], limit["origin"]["line"]) == (120.0, 100.0, 2)
    schema = openapi_document()
    jsonschema.validate(
        policy, {**schema["components"]["schemas"]["Policy"], "components": schema["components"]}
    )
    review = client.post("/v1/reviews", data=CIRCUIT, content_type="application/yaml").json
    assert review is not None
    assert {item["severity"] for item in review["findings"]} == {"note"}
    assert review["policy"][0].startswith("from ")
    catalogue = client.get("/v1/rules").json
    assert catalogue is not None
    assert catalogue["rules"][0]["limits"][0]["value"] == 120.0
    mended = client.post("/v1/remedies", data=CIRCUIT, content_type="application/yaml").json
    assert mended is not None
    assert mended["review"]["policy"] == review["policy"]


def test_a_strict_policy_does_not_make_the_service_unfit(tmp_path: Path) -> None:
    path = tmp_path / "strict.toml"
    path.write_text('[rules]\nrun = ["min-beta-drive"]\n[limits.min-beta-drive]\nsure = 100\n')
    policy = load(path)
    client = create_app({"POLICY": policy, "RULESET": installed_under(policy)}).test_client()
    assert client.get("/ready").status_code == 200
    assert client.post("/v1/reviews", data=CIRCUIT_OF_READINESS, content_type="application/yaml").json[
        "findings"
    ]  # type: ignore[index]


def test_unknown_query_parameters_are_refused(client: FlaskClient) -> None:
    assert client.get("/v1/policy?file=x").status_code == 400
