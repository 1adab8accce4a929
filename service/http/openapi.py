"""The OpenAPI 3.1 document, put together from the tables that the service itself runs on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from http import HTTPStatus
from typing import Any

from schemas.json_schema import circuit_schema
from service.http.bodies import MEDIA_TYPES
from service.http.components import SCHEMAS
from service.http.options import BY_RESOURCE, Option
from service.http.problems import JSON_TYPE, PROBLEM_TYPE
from service.http.schema_parts import Schema, ref
from service.ruleset import DISTRIBUTION

EXAMPLE: Mapping[str, Any] = {
    "format": "thumbrule/1",
    "name": "bench-light",
    "ground": "gnd",
    "parts": {
        "BT1": {"kind": "battery", "voltage": "6 V", "pins": {"plus": "rail", "minus": "gnd"}},
        "LS1": {"kind": "load", "resistance": "60 ohm", "pins": {"plus": "rail", "minus": "out"}},
        "R1": {"kind": "resistor", "resistance": "1k0", "pins": {"a": "rail", "b": "base"}},
        "Q1": {
            "kind": "npn",
            "type": "2N3904",
            "pins": {"collector": "out", "base": "base", "emitter": "gnd"},
        },
    },
}

_POSTS: tuple[tuple[str, str, str, str], ...] = (
    (
        "reviews",
        "Review",
        "Review a circuit",
        "Every rule at every DC state and beta corner; findings with their numbers and proven remedies.",
    ),
    (
        "comparisons",
        "Comparison",
        "Compare two versions of a circuit",
        "Each finding of the head is new, known or worsened by its margin; those gone are told too. Parts and"
        " nets with other names are found again. The waivers of the base judge.",
    ),
    (
        "states",
        "States",
        "Every DC state of a circuit",
        "Every contact position and driver level is a configuration; undefined numbers are null.",
    ),
    (
        "timelines",
        "Timeline",
        "The course of a circuit in time",
        "Event by event after a stimulus or from power-up; curves are polylines, everything else is exact.",
    ),
    (
        "spreads",
        "Spread",
        "How far a circuit spreads over its tolerances",
        "Random samples with all their states and delays, quantiles beside the exact worst values, and the"
        " share that meets the requirements.",
    ),
    (
        "bench-sheets",
        "BenchSheet",
        "Parts list and bench sheet",
        "What each part has to stand and what to buy, the order of bringing it up, and the readings of each"
        " state with the meter's loading and all tolerances counted.",
    ),
    (
        "sheets",
        "Sheets",
        "The hand working of each state",
        "Step by step as a person would write it, each number the value of its own formula; the rule of thumb"
        " beside the exact value; checks of the regions assumed.",
    ),
    (
        "remedies",
        "Mended",
        "Mend a circuit",
        "Applies proven remedies, worst finding first, until none is left, and answers with the document.",
    ),
)
_GETS: tuple[tuple[str, str, str, str, bool], ...] = (
    # path, operation, schema, summary, whether unknown query parameters are refused
    ("/v1/rules", "rules", "Rules", "The catalogue of rules", True),
    ("/v1/rules/{slug}", "lesson", "Lesson", "What one rule teaches", True),
    ("/v1/policy", "policy", "Policy", "The policy in effect, each line with its origin", True),
    ("/v1/part-types", "part-types", "PartTypes", "The published part types", True),
    ("/v1/schemas/circuit.json", "circuit-schema", "", "The JSON Schema of a circuit document", True),
    ("/openapi.json", "openapi", "", "This document", False),
    ("/live", "live", "Live", "The process answers", False),
    ("/ready", "ready", "Ready", "A known circuit gets its known answer", False),
)


@cache
def openapi_document() -> dict[str, Any]:
    """The whole document; built once."""
    from importlib.metadata import version

    components = {**_circuit_components(), **SCHEMAS}
    paths: dict[str, Any] = {
        f"/v1/{name}": {"post": _post(name, schema, summary, description)}
        for name, schema, summary, description in _POSTS
    }
    for path, operation, schema, summary, strict in _GETS:
        paths[path] = {"get": _get(path, operation, schema, summary, strict)}
    paths["/v1/rules/{slug}"]["post"] = _worked_lesson()
    return {
        "openapi": "3.1.0",
        "info": {
            "title": DISTRIBUTION,
            "version": version(DISTRIBUTION),
            "summary": "Reviews small transistor circuits by rules of thumb.",
            "description": "A circuit with findings is a 200; an error status is always problem+json"
            " (RFC 9457). The same bytes and the same rule set give the same answer.",
        },
        "servers": [{"url": "/"}],
        "paths": {path: paths[path] for path in sorted(paths)},
        "components": {"schemas": {name: components[name] for name in sorted(components)}},
    }


def _circuit_components() -> dict[str, Schema]:
    """The circuit schema with its definitions beside it, as OpenAPI wants them."""
    schema = _rerooted(circuit_schema())
    definitions = schema.pop("$defs", {})
    for key in ("$schema", "$id"):
        schema.pop(key, None)
    return {"Circuit": schema, **{f"Circuit.{name}": definition for name, definition in definitions.items()}}


def _rerooted(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {
            key: item.replace("#/$defs/", "#/components/schemas/Circuit.")
            if key == "$ref"
            else _rerooted(item)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [_rerooted(item) for item in value]
    return value


_BODIES: Mapping[str, tuple[str, Mapping[str, Any], str]] = {
    "comparisons": (
        "Versions",
        {"base": None, "head": EXAMPLE},
        "Two circuit documents; without a base all that is found is new.",
    ),
}
"""Resources whose body is more than a circuit document."""


def _post(name: str, schema: str, summary: str, description: str) -> Schema:
    body, example, words = _BODIES.get(name, ("Circuit", EXAMPLE, "The circuit document itself."))
    content: Schema = {media_type: {"schema": ref(body)} for media_type in MEDIA_TYPES}
    content[JSON_TYPE]["example"] = dict(example)
    return {
        "operationId": name,
        "summary": summary,
        "description": description,
        "parameters": [_parameter(option) for option in BY_RESOURCE[name]],
        "requestBody": {"required": True, "description": words, "content": content},
        "responses": {"200": _response("The answer.", ref(schema)), **_problems(400, 413, 415, 422, 500)},
    }


_SLUG: Schema = {
    "name": "slug",
    "in": "path",
    "required": True,
    "schema": {"type": "string"},
    "example": "divider-stiffness",
}


def _worked_lesson() -> Schema:
    """The lesson of a rule, worked on the circuit in the body."""
    made = _post(
        "lesson",
        "Lesson",
        "What one rule teaches, worked on a circuit",
        "The lesson with what the rule says of this circuit, and its formulas with the numbers put in.",
    )
    made["operationId"] = "worked-lesson"
    made["parameters"].insert(0, _SLUG)
    made["responses"] = {**made["responses"], **_problems(404)}
    made["responses"] = {status: made["responses"][status] for status in sorted(made["responses"])}
    return made


def _get(path: str, operation: str, schema: str, summary: str, strict: bool) -> Schema:
    parameters: list[Schema] = []
    statuses = [500]
    if "{slug}" in path:
        parameters += [_SLUG, *(_parameter(option) for option in BY_RESOURCE[operation])]
        statuses.append(404)
    if strict:
        statuses.append(400)
    if operation == "ready":
        statuses.append(503)
    body = ref(schema) if schema else {"type": "object"}
    media_type = "application/schema+json" if operation == "circuit-schema" else JSON_TYPE
    responses = {"200": _response(summary + ".", body, media_type), **_problems(*statuses)}
    if operation not in ("live", "ready"):
        parameters.append(
            {
                "name": "If-None-Match",
                "in": "header",
                "schema": {"type": "string"},
                "description": "the ETag of an earlier answer",
            }
        )
        responses["304"] = {"description": "Unchanged since that ETag."}
    return {
        "operationId": operation,
        "summary": summary,
        "parameters": parameters,
        "responses": {status: responses[status] for status in sorted(responses)},
    }


def _parameter(option: Option) -> Schema:
    parameter: Schema = {
        "name": option.name,
        "in": "query",
        "required": False,
        "description": option.description,
        "schema": dict(option.schema),
    }
    if option.repeated:
        parameter.update({"style": "form", "explode": True})
    return parameter


def _response(description: str, schema: Schema, media_type: str = JSON_TYPE) -> Schema:
    return {"description": description, "content": {media_type: {"schema": schema}}}


def _problems(*statuses: int) -> dict[str, Schema]:
    return {
        str(status): _response(f"{HTTPStatus(status).phrase}.", ref("Problem"), PROBLEM_TYPE)
        for status in _sorted(statuses)
    }


def _sorted(statuses: Iterable[int]) -> list[int]:
    return sorted(set(statuses))
