"""A session over a real pipe with a real client library: open, type, see findings, mend, see them clear."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from itertools import pairwise
from pathlib import Path

import pytest
import pytest_lsp
from lsprotocol import types as lsp
from pygls.exceptions import JsonRpcException

from tests.clients.language_server.editing import (
    Editor,
    capabilities,
    codes,
    marked,
    server,
)

EXAMPLES = Path(__file__).parents[3] / "clients" / "examples"
LAMP = (EXAMPLES / "workshop-lamp.yaml").read_text()
FAULTS = ["min-beta-drive", "saturation-headroom"]
pytestmark = pytest.mark.asyncio(loop_scope="module")


@pytest_lsp.fixture(config=server(), scope="module")
async def editor(lsp_client: Editor) -> AsyncIterator[None]:
    await lsp_client.initialize_session(
        lsp.InitializeParams(capabilities=capabilities(), initialization_options={
            "lessons": "http://127.0.0.1:8000/", "owner": "the bench"}))
    yield
    await lsp_client.shutdown_session()
    assert lsp_client._server is not None
    assert lsp_client._server.returncode == 0, "0 after shutdown (LSP 3.17, section 'Exit Notification')"


def named(name: str) -> str:
    """A document of its own for each test, so that they do not disturb each other."""
    return f"file:///nowhere/{name}.yaml"


async def test_findings_stand_on_the_value_with_the_lesson_and_the_other_places(editor: Editor) -> None:
    uri = named("findings")
    editor.open(uri, LAMP)
    found = await editor.shows(uri, FAULTS)
    first, second = found
    assert marked(LAMP, first.range) == "10k"
    assert first.severity == lsp.DiagnosticSeverity.Error
    assert first.source == "thumbrule"
    assert "0.414 times" in first.message
    assert first.code_description is not None
    assert first.code_description.href == "http://127.0.0.1:8000/v1/rules/min-beta-drive"
    assert first.data["rule"] == "min-beta-drive"
    assert first.data["identity"].startswith("min-beta-drive/1/")
    assert first.data["pointer"] == "/parts/R1/resistance"
    assert first.data["version"] == 1
    related = {(marked(LAMP, item.location.range), item.message) for item in first.related_information or ()}
    assert ("pins", "goes with it: saturation-headroom") in related
    assert all(item.location.uri == uri for item in first.related_information or ())
    assert len(related) > 2
    assert second.severity == lsp.DiagnosticSeverity.Hint, "it goes with the first"
    assert second.related_information is not None
    assert second.related_information[0].message == "the cause: min-beta-drive"


async def test_typing_a_value_clears_the_findings_and_each_version_is_echoed(editor: Editor) -> None:
    uri = named("typing")
    editor.open(uri, LAMP, version=7)
    await editor.shows(uri, FAULTS)
    assert editor.type(uri, "resistance: 10k", "resistance: 1k2") == 8
    await editor.shows(uri, [], 8)
    editor.type(uri, "resistance: 1k2", "resistance: 12k")
    await editor.shows(uri, FAULTS, 9)
    told = editor.told(uri)
    assert told == sorted(told, key=lambda version: version or 0)


async def test_of_keys_that_come_fast_the_last_is_told_and_none_out_of_turn(editor: Editor) -> None:
    uri = named("fast")
    editor.open(uri, LAMP)
    await editor.known(uri)
    values = ["10k", "11k", "12k", "13k", "15k", "16k", "18k", "20k", "22k", "24k"]
    for before, after in pairwise(values):
        editor.type(uri, before, after)
    await editor.shows(uri, FAULTS, 10)
    told = [version for version in editor.told(uri) if version is not None]
    assert told == sorted(told)
    await asyncio.sleep(0.3)
    assert editor.told(uri)[-1] == 10


async def test_a_half_typed_document_is_told_with_its_place_and_recovers(editor: Editor) -> None:
    uri = named("broken")
    editor.open(uri, LAMP)
    await editor.known(uri)
    editor.type(uri, "  R2:  {kind: resistor,", "  R2:  {kind: resistor, resis\n  XX:  {")
    problems = await editor.known(uri)
    assert set(codes(problems)) == {"document"}
    assert lsp.DiagnosticSeverity.Error in {problem.severity for problem in problems}
    assert any(15 <= problem.range.start.line <= 17 for problem in problems)
    editor.type(uri, " resis\n  XX:  {", "")
    await editor.shows(uri, FAULTS)


async def test_a_wrong_name_is_marked_and_the_known_one_is_offered(editor: Editor) -> None:
    uri = named("nearest")
    editor.open(uri, LAMP.replace("resistance: 10k", "resistence: 10k"))
    text = editor.texts[uri]
    found = await editor.known(uri)
    assert {marked(text, item.range) for item in found} == {"resistence", "R1"}
    wrong = next(item for item in found if marked(text, item.range) == "resistence")
    (action,) = await editor.actions(uri, wrong.range, [wrong])
    assert action.title == "Write resistance"
    assert codes(action.diagnostics or ()) == ["document"]
    editor.apply(action.edit)
    assert editor.texts[uri] == LAMP
    await editor.shows(uri, FAULTS)


async def test_a_remedy_is_applied_and_the_findings_clear_and_comments_stay(editor: Editor) -> None:
    uri = named("remedy")
    editor.open(uri, LAMP)
    found = await editor.shows(uri, FAULTS)
    actions = await editor.actions(uri, found[0].range, found)
    best = next(action for action in actions if action.is_preferred)
    assert best.kind == lsp.CodeActionKind.QuickFix
    assert codes(best.diagnostics or ()) == FAULTS, "one remedy clears both"
    assert "0.414 ->" in best.title
    assert "(limit 3)" in best.title
    assert [action.is_preferred for action in actions].count(True) == 1
    editor.apply(best.edit)
    await editor.shows(uri, [])
    kept = zip(LAMP.splitlines(), editor.texts[uri].splitlines(), strict=True)
    changed = [(old, new) for old, new in kept if old != new]
    assert len(changed) == 1
    assert changed[0][1].endswith("# too large"), "the comment stays"


async def test_a_finding_that_goes_with_another_offers_the_remedies_of_its_cause(editor: Editor) -> None:
    uri = named("cause")
    editor.open(uri, LAMP)
    found = await editor.shows(uri, FAULTS)
    at_cause = await editor.actions(uri, found[0].range, found[:1], ["quickfix"])
    at_other = await editor.actions(uri, found[1].range, found[1:], ["quickfix"])
    remedies = [action.title for action in at_cause if action.edit and not action.title.startswith("Waive")]
    assert remedies
    assert [title for title in remedies if title in {action.title for action in at_other}] == remedies


async def test_a_finding_can_be_waived_for_a_time(editor: Editor) -> None:
    uri = named("waiver")
    editor.open(uri, LAMP)
    found = await editor.shows(uri, FAULTS)
    actions = await editor.actions(uri, found[0].range, found)
    waive = next(action for action in actions if action.title.startswith("Waive min-beta-drive at Q1, R1"))
    editor.apply(waive.edit)
    text = editor.texts[uri]
    assert text.startswith(LAMP)
    assert "owner: the bench" in text
    assert "accepted: 0.414" in text
    unwritten = await editor.known(uri, enough=lambda found: "waiver" in codes(found))
    told = next(item for item in unwritten if item.code == "waiver")
    assert marked(text, told.range).strip("\"'") == "write down why this is accepted"
    assert "its reason has still to be written" in told.message
    counted = next(item for item in unwritten if item.code == "min-beta-drive")
    assert counted.severity == lsp.DiagnosticSeverity.Error

    editor.type(uri, "write down why this is accepted", "the lamp is dimmed on purpose")
    text = editor.texts[uri]
    again = await editor.shows(uri, FAULTS)
    waived = next(item for item in again if item.code == "min-beta-drive")
    assert waived.severity == lsp.DiagnosticSeverity.Hint
    assert list(waived.tags or ()) == [lsp.DiagnosticTag.Unnecessary]
    assert "Waived: the lamp is dimmed on purpose" in waived.message

    year = text[text.index("expires: ") + 9:][:4].strip("\"'")
    editor.write(uri, text.replace(f"{year}-", "2001-"))
    late = await editor.known(uri, enough=lambda found: "waiver" in codes(found))
    assert {"min-beta-drive", "waiver"} <= set(codes(late))
    counted = next(item for item in late if item.code == "min-beta-drive")
    assert counted.severity == lsp.DiagnosticSeverity.Error
    told = next(item for item in late if item.code == "waiver")
    assert marked(editor.texts[uri], told.range).strip("\"'").startswith("2001-")
    assert "expired" in told.message

    renew = next(action for action in await editor.actions(uri, found[0].range, late)
                 if action.title.startswith("Renew the waiver of min-beta-drive"))
    editor.apply(renew.edit)
    last = await editor.known(uri)
    assert "waiver" not in codes(last)
    assert editor.texts[uri] == text


async def test_everything_proven_is_mended_at_once_when_asked(editor: Editor) -> None:
    uri = named("mend")
    editor.open(uri, LAMP)
    await editor.known(uri)
    whole = lsp.Range(lsp.Position(0, 0), lsp.Position(99, 0))
    (action,) = await editor.actions(uri, whole, only=["source.fixAll"])
    assert action.kind == "source.fixAll.thumbrule"
    assert action.edit is None
    editor.apply((await editor.code_action_resolve_async(action)).edit)
    await editor.shows(uri, [])
    with pytest.raises(JsonRpcException) as modified:  # it was offered for the text as it was
        await editor.code_action_resolve_async(action)
    assert modified.value.code == lsp.LSPErrorCodes.ContentModified
    assert await editor.actions(uri, whole, only=["source.fixAll"]) == []


async def test_a_closed_document_is_cleared_and_an_unknown_one_has_nothing(editor: Editor) -> None:
    uri = named("closed")
    editor.open(uri, LAMP)
    await editor.known(uri)
    editor.close(uri)
    async with asyncio.timeout(10):
        while editor.published[-1].uri != uri or editor.published[-1].diagnostics:
            await asyncio.sleep(0.01)
    nothing = lsp.Range(lsp.Position(0, 0), lsp.Position(0, 0))
    assert await editor.actions(uri, nothing) == []
    editor.versions[uri] = 1
    editor.change(uri, [lsp.TextDocumentContentChangeWholeDocument("x")], "x")  # of a text that is not open
    assert await editor.actions(uri, nothing) == [], "the server goes on"


async def test_a_giant_document_has_one_problem(editor: Editor) -> None:
    uri = named("giant")
    editor.open(uri, LAMP + "# water the seedlings\n" * 60_000)
    (problem,) = await editor.known(uri)
    assert "too long" in problem.message


async def test_settings_can_change_and_a_wrong_one_is_told_once(editor: Editor) -> None:
    uri = named("settings")
    editor.open(uri, LAMP)
    found = await editor.shows(uri, FAULTS)
    change = lsp.DidChangeConfigurationParams
    editor.workspace_did_change_configuration(change({"thumbrule": {"remedies": False, "remedie": 1}}))
    assert "nearest: remedies" in await editor.heard('no setting "remedie"')
    actions = await editor.actions(uri, found[0].range, found, ["quickfix"])
    assert {action.title.split()[0] for action in actions} == {"Waive"}
    editor.workspace_did_change_configuration(change({"thumbrule": {"remedies": True}}))
    actions = await editor.actions(uri, found[0].range, found, ["quickfix"])
    assert any(action.is_preferred for action in actions)
    assert sum("remedie" in message for message in editor.said) == 1


async def test_a_policy_beside_the_file_is_followed_and_judged(editor: Editor, tmp_path: Path) -> None:
    place = tmp_path / "lamp.yaml"
    uri, policy = place.as_uri(), tmp_path / "thumbrule.toml"
    editor.open(uri, LAMP)
    await editor.shows(uri, FAULTS)
    assert lsp.WORKSPACE_DID_CHANGE_WATCHED_FILES in editor.registered

    def saved() -> None:
        event = lsp.FileEvent(policy.as_uri(), lsp.FileChangeType.Changed)
        editor.workspace_did_change_watched_files(lsp.DidChangeWatchedFilesParams([event]))

    policy.write_text('[rules]\nskip = ["saturation-headroom"]\n')
    saved()
    await editor.known(uri, enough=lambda found: codes(found) == ["min-beta-drive"])
    policy.write_text("[rules]\nskipp = 1\n")
    saved()
    await editor.heard("thumbrule.toml cannot be used")
    (only,) = await editor.known(uri, enough=lambda found: codes(found) == ["review"])
    assert "Nothing was judged" in only.message
    policy.unlink()
    saved()
    await editor.known(uri, enough=lambda found: codes(found) == FAULTS)
