"""The questions of our own: what they answer, and that nothing asked amiss breaks them."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from lsprotocol import types as lsp

from clients.language_server.own_requests import LESSON, STATES, add_own_requests, lesson_page, state_names
from clients.language_server.server import make_server
from clients.language_server.session import Session
from schemas.document import Document
from service.documents import read_document
from service.ruleset import installed

EXAMPLES = Path(__file__).resolve().parents[3] / "clients" / "examples"
RULE = "min-beta-drive"


def example(name: str) -> Document:
    return read_document((EXAMPLES / name).read_bytes(), "yaml")


def test_every_state_of_a_circuit_is_named_once_the_one_at_rest_first() -> None:
    assert state_names(example("workshop-lamp.yaml").circuit) == ["dark", "bright"]
    # one that exists only while its capacitor holds counts too
    names = state_names(example("frost-bell.yaml").circuit)
    assert names[0] == "quiet"
    assert "ringing" in names
    assert len(set(names)) == len(names)


def test_a_lesson_is_a_page_and_has_the_numbers_of_the_circuit_at_hand() -> None:
    plain = lesson_page(RULE, installed(), None)
    worked = lesson_page(RULE, installed(), example("workshop-lamp.yaml"))
    assert plain is not None
    assert worked is not None
    assert plain.startswith("# ")
    assert "0.4144" not in plain
    assert len(worked) > len(plain)
    assert "0.4144" in worked  # the overdrive factor that the review of this circuit tells


def test_there_is_no_lesson_of_a_rule_that_does_not_exist() -> None:
    assert lesson_page("no-such-rule", installed(), None) is None


class Desk:
    """Keeps the handlers that are put into a server, and has a session with nobody listening."""

    def __init__(self) -> None:
        self.session = Session(self, asyncio.get_running_loop())  # type: ignore[arg-type]
        self.handlers: dict[str, Callable[[Any], Awaitable[dict[str, Any]]]] = {}

    def feature(self, name: str) -> Callable[[Any], Any]:
        return lambda handler: self.handlers.setdefault(name, handler)

    def publish(self, *told: Any) -> None: ...

    def show(self, *told: Any) -> None: ...

    def refresh(self, hints: bool) -> None: ...


def asked(texts: dict[str, str], *questions: tuple[str, Any]) -> list[dict[str, Any]]:
    """The answers to questions about open texts, by address."""

    async def ask() -> list[dict[str, Any]]:
        desk = Desk()
        add_own_requests(desk)  # type: ignore[arg-type]
        try:
            for uri, text in texts.items():
                desk.session.open(lsp.TextDocumentItem(uri, "yaml", 1, text))
            return [await desk.handlers[name](params) for name, params in questions]
        finally:
            desk.session.shut_down()

    return asyncio.run(ask())


def about(uri: str, **rest: Any) -> SimpleNamespace:
    return SimpleNamespace(textDocument=SimpleNamespace(uri=uri), **rest)


def test_the_answers_about_a_circuit_a_broken_text_and_one_that_is_not_open() -> None:
    lamp = (EXAMPLES / "workshop-lamp.yaml").read_text(encoding="utf-8")
    texts = {"file:///srv/lamp.yaml": lamp, "file:///srv/half.yaml": lamp[:300]}
    uris = (*texts, "file:///srv/none.yaml")
    states = asked(texts, *((STATES, about(uri)) for uri in uris))
    assert states == [{"states": ["dark", "bright"]}, {"states": []}, {"states": []}]
    pages = asked(texts, *((LESSON, about(uri, slug=RULE)) for uri in uris))
    worked, *others = (page["markdown"] for page in pages)
    assert "0.4144" in worked
    assert others == [lesson_page(RULE, installed(), None)] * 2


def test_a_policy_that_cannot_be_used_does_not_keep_the_lesson_back(tmp_path: Path) -> None:
    (tmp_path / "thumbrule.toml").write_text("limits = 3\n", encoding="utf-8")
    uri = (tmp_path / "lamp.yaml").as_uri()
    lamp = (EXAMPLES / "workshop-lamp.yaml").read_text(encoding="utf-8")
    (page,) = asked({uri: lamp}, (LESSON, about(uri, slug=RULE)))
    assert "0.4144" in page["markdown"]


@pytest.mark.parametrize("params", [None, SimpleNamespace(), SimpleNamespace(textDocument=3), about(7)])  # type: ignore[arg-type]
def test_a_question_about_nothing_has_an_empty_answer(params: Any) -> None:
    assert asked({}, (STATES, params), (LESSON, params)) == [{"states": []}, {"markdown": None}]


def test_a_slug_that_is_no_text_has_no_lesson() -> None:
    assert asked({}, (LESSON, SimpleNamespace(slug=["min-beta-drive"]))) == [{"markdown": None}]


def test_a_server_has_both() -> None:
    known = make_server("0").protocol.fm.features
    assert {STATES, LESSON} <= known.keys()
