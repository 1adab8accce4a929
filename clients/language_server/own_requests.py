"""Two questions that the protocol has no word for: the states of a circuit, and the lesson of a rule.

``thumbrule/states``, parameters ``{textDocument: {uri}}``, answer ``{states:
[name]}``: what the setting ``hintState`` may name; none for a text that is not
open or no circuit.  ``thumbrule/lesson``, parameters ``{slug, textDocument?:
{uri}}``, answer ``{markdown: text or null}``: with an open circuit its own
numbers and the limits of its policy; null for a rule that does not exist.
"""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING, Any

from clients.language_server.hints import states_to_show
from clients.sources import CannotCheck

if TYPE_CHECKING:
    from clients.language_server.server import Server
    from clients.language_server.session import Session
    from schemas.circuit import Circuit
    from schemas.document import Document
    from service.ruleset import Ruleset

STATES = "thumbrule/states"
LESSON = "thumbrule/lesson"


def state_names(circuit: Circuit) -> list[str]:
    """Names of the states that hints can show, the one they show unasked first."""
    from service.timelines import study_of

    return list(states_to_show(study_of(circuit)))


def lesson_page(slug: str, ruleset: Ruleset, document: Document | None) -> str | None:
    """A lesson in Markdown, worked on ``document``; ``None`` for a rule that does not exist."""
    from clients.render_lesson import lesson_text
    from service import facade

    if ruleset.find(slug) is None:
        return None
    return lesson_text(facade.lesson(slug, ruleset=ruleset, document=document), "lesson", "markdown")


def add_own_requests(server: Server) -> None:
    """Put both into a server."""

    @server.feature(STATES)
    async def states(params: Any) -> dict[str, Any]:
        session, uri = server.session, _uri(params)

        def work() -> list[str]:
            circuit = session.snapshot(uri).circuit if uri in session.documents else None
            return state_names(circuit) if circuit is not None else []

        return {"states": await session.ask(work)}

    @server.feature(LESSON)
    async def lesson(params: Any) -> dict[str, Any]:
        session, uri, slug = server.session, _uri(params), getattr(params, "slug", None)

        def work() -> str | None:
            if not isinstance(slug, str):
                return None
            document = session.snapshot(uri).document if uri in session.documents else None
            return lesson_page(slug, _rules(session, uri), document)

        return {"markdown": await session.ask(work)}


def _rules(session: Session, uri: str) -> Ruleset:
    """The rules under the policy of a text; those installed where there is none, or none that can be used."""
    from service.ruleset import installed

    opened = session.documents.get(uri)
    if opened is not None:
        with suppress(CannotCheck):
            return session.rules(opened)
    return installed()


def _uri(params: Any) -> str:
    """The text a question is about; empty where it names none."""
    uri = getattr(getattr(params, "textDocument", None), "uri", None)
    return uri if isinstance(uri, str) else ""
