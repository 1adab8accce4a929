"""``POST /v1/comparisons`` and the waivers of ``POST /v1/reviews``: answers, refusals with their places."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import jsonschema
import pytest
from flask.testing import FlaskClient

from service import facade
from service.documents import read_document
from service.ruleset import Ruleset
from tests.service.http.conftest import CIRCUIT

Json = dict[str, Any]
YAML, JSON = "application/yaml", "application/json"
WAIVER = {"rule": "least-resistance", "parts": ["R1"], "reason": "picked at test", "owner": "bench",
          "expires": "2027-06-30"}  # fmt: skip


def raw(**changes: Any) -> Json:
    found: Json = json.loads(json.dumps(read_document(CIRCUIT, "yaml").raw))
    return found | changes


def other(member: str, value: Any, part: str = "R1") -> Json:
    changed = raw()
    changed["parts"][part][member] = value
    return changed


def post(client: FlaskClient, body: Any, query: str = "", path: str = "/v1/comparisons") -> Any:
    data = body if isinstance(body, bytes) else json.dumps(body).encode()
    return client.post(path + query, data=data, content_type=YAML if isinstance(body, bytes) else JSON)


def problems(response: Any, status: int = 422) -> list[tuple[str, int]]:
    assert response.status_code == status, response.text
    assert response.mimetype == "application/problem+json"
    return [(error["pointer"], error.get("line")) for error in response.json["errors"]]


def test_it_answers_as_the_facade_does(client: FlaskClient, rules: Ruleset) -> None:
    base, head = raw(), other("resistance", "22R")
    response = post(client, {"base": base, "head": head})
    assert (response.status_code, response.mimetype) == (200, JSON)
    read = [facade.read(json.dumps(side).encode()) for side in (base, head)]
    expected = facade.compare(*read, ruleset=rules)
    assert response.json == expected
    assert [item["mark"] for item in expected["findings"]] == ["worsened"]
    assert expected["findings"][0]["remedies"] != []
    assert post(client, {"base": base, "head": head}).data == response.data


def test_json_and_yaml_are_two_spellings_of_one_question(client: FlaskClient) -> None:
    lines = [b"  " + line for line in CIRCUIT.splitlines(keepends=True)]
    text = b"base:\n" + b"".join(lines) + b"head:\n" + b"".join(lines)
    in_yaml = post(client, text)
    assert in_yaml.status_code == 200
    assert in_yaml.json == post(client, {"base": raw(), "head": raw()}).json
    # one text for both sides
    shared = b"base: &one\n" + b"".join(lines) + b"head: *one\n"
    assert post(client, shared).json == in_yaml.json


@pytest.mark.parametrize("more", [{}, {"base": None}, {"known": None}, {"known": []}])
def test_without_a_base_all_is_new(client: FlaskClient, more: Json) -> None:
    answer = post(client, {"head": raw(), **more}).json
    assert [(item["mark"], item["counts"]) for item in answer["findings"]] == [("new", True)]
    assert answer["base"] is None


def test_options(client: FlaskClient) -> None:
    body = {"base": raw(), "head": other("resistance", "45R")}
    assert post(client, body).json["findings"][0]["mark"] == "worsened"
    for share in ("2 %25", "0.02", "2%25"):
        answer = post(client, body, f"?worse_by={share}").json
        assert (answer["findings"][0]["mark"], answer["worse_by"]) == ("known", 0.02)
    assert post(client, body, "?remedies=false").json["findings"][0]["remedies"] == []
    assert post(client, body).json["today"] is None
    assert post(client, body, "?today=2026-11-29").json["today"] == "2026-11-29"


@pytest.mark.parametrize(("query", "pointer", "said"), [
    ("?today=tomorrow", "?today", "a date is needed"), ("?today=2026-02-30", "?today", "no such day"),
    ("?today=20261129", "?today", "a date is needed"), ("?worse_by=-1", "?worse_by", "must not be negative"),
    ("?worse_by=1 V", "?worse_by", "a ratio is needed"), ("?worse_by=2000 %25", "?worse_by", "out of range"),
    ("?base=x", "?base", "no such query parameter"),
])  # fmt: skip
def test_bad_options_are_refused(client: FlaskClient, query: str, pointer: str, said: str) -> None:
    response = post(client, {"base": raw(), "head": raw()}, query)
    assert problems(response, 400) == [(pointer, None)]
    assert said in response.json["errors"][0]["detail"]


def test_every_problem_of_both_sides_is_told_with_its_place(client: FlaskClient) -> None:
    lines = [b"  " + line for line in CIRCUIT.splitlines(keepends=True)]
    good = b"".join(lines)
    bad = good.replace(b"47R", b"47 V").replace(b"kind: capacitor", b"kind: capactor")
    text = b"base:\n" + bad + b"head:\n" + good.replace(b"1k0", b"lots") + b"extra: 1\n"
    assert problems(post(client, text)) == [
        ("/base/parts/C1/kind", 8), ("/base/parts/R1/resistance", 7), ("/extra", 19),
        ("/head/parts/R2/resistance", 18)]  # fmt: skip


@pytest.mark.parametrize(("body", "pointer"), [
    ({}, "/head"), ({"base": raw()}, "/head"), ({"head": None}, "/head"), ({"head": 3}, "/head"),
    ([], ""), (3, ""),
    ({"head": raw(), "bass": raw()}, "/bass"), ({"head": raw(), "known": {}}, "/known"),
    ({"head": raw(), "known": [{}]}, "/known/0/identity"),
    ({"head": raw(), "known": [{"identity": "x", "severity": "fatal", "margin": 0, "places": 1}]},
     "/known/0/severity"),
    ({"head": raw(), "known": [{"identity": "x", "severity": "note", "margin": "0", "places": 1}]},
     "/known/0/margin"),
    ({"head": raw(), "known": [{"identity": "x", "severity": "note", "margin": 0, "places": 0}]},
     "/known/0/places"),
    ({"head": raw(), "known": [3] * 5001}, "/known"),
])  # fmt: skip
def test_what_is_no_comparison_is_refused(client: FlaskClient, body: Any, pointer: str) -> None:
    found = problems(post(client, body))
    assert pointer in [place for place, _ in found]
    assert all(line is not None for _, line in found)


@pytest.mark.parametrize(("text", "status"), [
    (b'{"head": {', 400), (b"", 400), (b"head: [", 400), (b'{"head": 1, "head": 2}', 422),
    (b'{"head": ' + b"[" * 30 + b"]" * 30 + b"}", 400), (b"\xff", 400),
])  # fmt: skip
def test_the_strict_intake_stands_before_it(client: FlaskClient, text: bytes, status: int) -> None:
    response = client.post("/v1/comparisons", data=text, content_type=JSON)
    assert problems(response, status)


def test_no_more_problems_are_told_than_of_one_document(client: FlaskClient) -> None:
    faulty = raw(parts={f"R{k}": 3 for k in range(150)})
    response = post(client, {"base": faulty, "head": faulty})
    assert len(problems(response)) == 200
    assert "Checking stopped" in response.json["detail"]


def test_known_findings_of_a_baseline(client: FlaskClient) -> None:
    (finding,) = post(client, {"head": raw()}).json["findings"]
    names = ("identity", "severity", "margin", "places", "rule", "parts", "nets")
    known = [{name: finding[name] for name in names}]
    answer = post(client, {"head": raw(), "known": known}).json
    assert [(item["mark"], item["counts"]) for item in answer["findings"]] == [("known", False)]


def test_waivers_of_the_base_judge(client: FlaskClient) -> None:
    waived = raw(waivers=[WAIVER])
    answer = post(client, {"base": waived, "head": waived}, "?today=2027-06-30").json
    assert [item["counts"] for item in answer["findings"]] == [False]
    answer = post(client, {"base": waived, "head": waived}, "?today=2027-07-01").json
    assert [item["counts"] for item in answer["findings"]] == [True]
    answer = post(client, {"base": raw(), "head": waived}, "?today=2027-06-30").json
    assert [(item["side"], item["status"]) for item in answer["waivers"]] == [("head", "proposed")]


def test_a_malformed_waiver_is_told_with_its_place_and_refuses_nothing(client: FlaskClient) -> None:
    waiver = b"{rule: least-resistance, parts: [R1], reason: r, owner: o, expires: soon}"
    broken = CIRCUIT + b"waivers:\n  - " + waiver + b"\n"
    lines = [b"  " + line for line in broken.splitlines(keepends=True)]
    text = b"base:\n" + b"".join(lines) + b"head:\n" + b"".join(lines)
    answer = post(client, text, "?today=2026-11-29").json
    (told,) = answer["waivers"]
    assert (told["side"], told["status"], told["expires"]) == ("base", "malformed", "soon")
    assert "/waivers/0/expires: a date is needed" in told["explanation"]
    review = client.post("/v1/reviews?today=2026-11-29", data=broken, content_type=YAML).json
    assert review["waivers"][0]["status"] == "malformed"
    assert review["waivers"][0]["explanation"] == told["explanation"]
    assert client.post("/v1/states", data=broken, content_type=YAML).status_code == 422


def test_a_review_judges_waivers_only_at_a_given_date(client: FlaskClient, rules: Ruleset) -> None:
    body = json.dumps(raw(waivers=[WAIVER])).encode()
    pure = client.post("/v1/reviews", data=body, content_type=JSON)
    assert [item["status"] for item in pure.json["waivers"]] == ["not-judged"]
    assert client.post("/v1/reviews", data=body, content_type=JSON).data == pure.data
    dated = client.post("/v1/reviews?today=2026-11-29", data=body, content_type=JSON).json
    assert dated == facade.review(facade.read(body), ruleset=rules, today=date(2026, 11, 29))
    assert dated["findings"][0]["waiver"]["status"] == "in-force"
    refused = client.post("/v1/reviews?today=now", data=body, content_type=JSON)
    assert problems(refused, 400) == [("?today", None)]


def test_what_is_waived_at_a_given_date_is_not_mended(client: FlaskClient) -> None:
    body = json.dumps(raw(waivers=[WAIVER])).encode()
    for day, applied in (("2027-06-30", 0), ("2027-07-01", 1)):
        answer = client.post(f"/v1/remedies?today={day}", data=body, content_type=JSON).json
        assert len(answer["applied"]) == applied
    assert len(client.post("/v1/remedies", data=body, content_type=JSON).json["applied"]) == 1


def test_answers_have_the_described_shape(client: FlaskClient) -> None:
    described = client.get("/openapi.json").json

    def errors(name: str, value: Any) -> list[str]:
        schema = {"$ref": f"#/components/schemas/{name}", "components": described["components"]}
        return [error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(value)]

    waived = raw(waivers=[WAIVER, {**WAIVER, "expires": "x"}, {**WAIVER, "rule": "nothing"}])
    changed = other("resistance", "470R")
    for body in (
        {"base": raw(), "head": other("resistance", "22R")}, {"base": waived, "head": raw()},
        {"base": raw(), "head": waived}, {"base": raw(), "head": changed},
        {"base": changed, "head": other("resistance", "220R")}, {"base": None, "head": raw()},
    ):  # fmt: skip
        answer = post(client, body, "?today=2026-11-29").json
        assert errors("Comparison", answer) == []
        assert errors("Review", answer["review"]) == []
    assert errors("Comparison", {**answer, "gone": None}) != []
    assert errors("Versions", {"base": raw(), "head": raw(), "known": []}) == []
    for wrong in ({}, {"head": {}}, {"head": raw(), "x": 1}, {"head": raw(), "known": [{}]}):
        assert errors("Versions", wrong) != []
