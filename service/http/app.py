"""The Flask application factory and its resources."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from typing import Any

from flask import Blueprint, Flask, Response, current_app, request
from werkzeug.exceptions import HTTPException, RequestEntityTooLarge

from schemas.document import Document
from schemas.problems import quoted
from service import facade
from service.http.bodies import read_document, read_leniently, read_pair
from service.http.openapi import openapi_document
from service.http.options import BY_RESOURCE, read_options, refused_option
from service.http.problems import Refused, answer, from_crash, from_http, from_refusal, problem

MAX_BODY = 1 << 20  # bytes; a circuit of a thousand parts is about a tenth of it
_DRAINED = 16 << 20  # bytes of a refused body that are read away, so that the client gets to see the answer
_LOG = logging.getLogger(__name__)

HEADERS: Mapping[str, str] = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Referrer-Policy": "no-referrer",
}

v1 = Blueprint("v1", __name__, url_prefix="/v1")
root = Blueprint("root", __name__)


def create_app(config: Mapping[str, Any] | None = None) -> Flask:
    """A new application; ``config`` overrides Flask settings such as ``MAX_CONTENT_LENGTH``.

    ``RULESET`` in it is served instead of the installed rules, and ``POLICY`` is what led to it.
    """
    app = Flask(__name__, static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = MAX_BODY
    app.config.update(RULESET=None, POLICY=None)
    app.config.update(config or {})
    app.register_blueprint(v1)
    app.register_blueprint(root)
    app.register_error_handler(Refused, from_refusal)
    app.register_error_handler(facade.OptionRefused, lambda refused: from_refusal(refused_option(refused)))
    app.register_error_handler(HTTPException, _http_error)
    app.register_error_handler(Exception, _crash)
    app.after_request(_finish)
    return app


def _http_error(error: HTTPException) -> Response:
    if isinstance(error, RequestEntityTooLarge):
        _drain()
    return from_http(error, current_app.config["MAX_CONTENT_LENGTH"])


def _drain() -> None:
    """Read a refused body away: closing on unread data resets the connection before the answer is seen."""
    stream = request.environ["wsgi.input"]
    in_pieces = _DRAINED if request.environ.get("wsgi.input_terminated") else 0
    left = min(in_pieces if request.content_length is None else request.content_length, _DRAINED)
    while left > 0:
        piece = stream.read(min(left, 1 << 16))
        if not piece:
            break
        left -= len(piece)


def _crash(error: Exception) -> Response:
    _LOG.exception("unhandled error in %s %s", request.method, request.url_rule, exc_info=error)
    return from_crash()


def _finish(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers.setdefault(name, value)
    response.headers.setdefault("Cache-Control", "no-store")
    if response.allow:  # made from a set: its order would change with the hash seed
        response.headers["Allow"] = ", ".join(sorted(response.allow))
    return response


def _catalogue(data: Any) -> Response:
    """A resource that changes only with the program: a strong ETag, revalidated each time."""
    response = answer(data)
    response.headers["Cache-Control"] = "no-cache"
    response.add_etag()
    response.make_conditional(request)
    return response


@v1.post("/reviews")
def post_review() -> Response:
    options = read_options(request.args, BY_RESOURCE["reviews"])
    document, malformed = read_leniently(request)
    rules = current_app.config["RULESET"]
    return answer(facade.review(document, malformed=malformed, ruleset=rules, **options))


@v1.post("/comparisons")
def post_comparisons() -> Response:
    options = read_options(request.args, BY_RESOURCE["comparisons"])
    pair = read_pair(request)
    base, base_malformed = pair.base or (None, ())
    head, head_malformed = pair.head
    return answer(
        facade.compare(
            base,
            head,
            known=pair.known,
            base_malformed=base_malformed,
            head_malformed=head_malformed,
            ruleset=current_app.config["RULESET"],
            **options,
        )
    )


@v1.post("/states")
def post_states() -> Response:
    options = read_options(request.args, BY_RESOURCE["states"])
    return answer(facade.states(read_document(request), **options))


@v1.post("/timelines")
def post_timelines() -> Response:
    options = read_options(request.args, BY_RESOURCE["timelines"])
    return answer(facade.timeline(read_document(request), **options))


@v1.post("/spreads")
def post_spreads() -> Response:
    options = read_options(request.args, BY_RESOURCE["spreads"])
    return answer(facade.spread(read_document(request), **options))


@v1.post("/bench-sheets")
def post_bench_sheets() -> Response:
    options = read_options(request.args, BY_RESOURCE["bench-sheets"])
    return answer(facade.bench(read_document(request), ruleset=current_app.config["RULESET"], **options))


@v1.post("/sheets")
def post_sheets() -> Response:
    options = read_options(request.args, BY_RESOURCE["sheets"])
    return answer(facade.sheet(read_document(request), **options))


@v1.post("/remedies")
def post_remedies() -> Response:
    options = read_options(request.args, BY_RESOURCE["remedies"])
    return answer(facade.mend(read_document(request), ruleset=current_app.config["RULESET"], **options))


@v1.get("/rules")
def get_rules() -> Response:
    read_options(request.args)
    return _catalogue({"rules": facade.rules(ruleset=current_app.config["RULESET"])})


@v1.get("/rules/<slug>")
def get_lesson(slug: str) -> Response:
    return _catalogue(_lesson(slug, read_options(request.args, BY_RESOURCE["lesson"])))


@v1.post("/rules/<slug>")
def post_lesson(slug: str) -> Response:
    """The lesson, worked on a circuit of the reader."""
    options = read_options(request.args, BY_RESOURCE["lesson"])
    return answer(_lesson(slug, options, read_document(request)))


def _lesson(slug: str, options: Mapping[str, Any], document: Document | None = None) -> dict[str, Any]:
    try:
        return facade.lesson(slug, ruleset=current_app.config["RULESET"], document=document, **options)
    except facade.UnknownRule as unknown:
        error = {
            "pointer": "",
            "detail": "no rule has this slug",
            "seen": quoted(slug),
            "accepted": ", ".join(unknown.known),
        }
        if unknown.nearest:
            error["nearest"] = unknown.nearest
        raise Refused(404, "There is no such rule; GET /v1/rules lists them.", [error]) from None


@v1.get("/policy")
def get_policy() -> Response:
    read_options(request.args)
    return _catalogue(facade.policy(current_app.config["POLICY"]))


@v1.get("/part-types")
def get_part_types() -> Response:
    read_options(request.args)
    return _catalogue(facade.part_types())


@v1.get("/schemas/circuit.json")
def get_circuit_schema() -> Response:
    read_options(request.args)
    response = _catalogue(facade.circuit_schema())
    response.content_type = "application/schema+json"
    return response


@root.get("/openapi.json")
def get_openapi() -> Response:
    return _catalogue(openapi_document())


@root.get("/live")
def get_live() -> Response:
    """The process answers; nothing else is looked at."""
    return answer({"live": True})


@root.get("/ready")
def get_ready() -> Response:
    """The rules are loaded and a known circuit gets its known answer."""
    state = facade.ready(ruleset=current_app.config["RULESET"])
    if state["ready"]:
        return answer(state)
    failed = [
        {"pointer": "", "detail": f"{check['name']}: {check['detail']}"}
        for check in state["checks"]
        if not check["ok"]
    ]
    return problem(503, "The service is not fit to answer.", failed, **state)
