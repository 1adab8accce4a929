"""Offsets and positions (LSP 3.17, sections "Position" and "Text Documents") against a naive reference."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lsprotocol import types as lsp

import clients
from clients.language_server.lines import BYTE_ORDER_MARK, Lines, changed, width
from clients.language_server.snapshot import file_name, spelling_of, take

ENCODINGS = ("utf-16", "utf-8", "utf-32")
CODECS = {"utf-16": ("utf-16-le", 2), "utf-8": ("utf-8", 1), "utf-32": ("utf-32-le", 4)}
TEXTS = st.text(alphabet="a1: {}\"\n\r\u00b5\u03bc\u03a9\u2126\u20ac\U0001f4a1\U0001d4cd\ufeff", max_size=40)


def units(text: str, encoding: str) -> int:
    """Code units, counted with Python's own encoder."""
    codec, size = CODECS[encoding]
    return len(text.encode(codec)) // size


def reference(text: str, offset: int, encoding: str) -> tuple[int, int]:
    """Line and character of an offset, one character after another."""
    line, start, at = 0, 0, 0
    while at < offset:
        if text[at:at + 2] == "\r\n":
            if at + 1 == offset:  # between CR and LF: still the end of the line
                return line, units(text[start:at], encoding)
            at += 1
        at += 1
        if text[at - 1] in "\r\n":
            line, start = line + 1, at
    return line, units(text[start:offset], encoding)


@given(TEXTS, st.sampled_from(ENCODINGS))
def test_every_offset_is_where_the_reference_says(text: str, encoding: str) -> None:
    lines = Lines(text, encoding)
    lead = len(text) - len(lines.text)
    for offset in range(len(lines.text) + 1):
        position = lines.position(offset)
        assert (position.line, position.character) == reference(text, offset + lead, encoding)


@given(TEXTS, st.sampled_from(ENCODINGS))
def test_there_and_back(text: str, encoding: str) -> None:
    lines = Lines(text, encoding)
    for offset in range(len(lines.text) + 1):
        back = lines.offset(lines.position(offset))
        between = lines.text[offset - 1:offset + 1] == "\r\n"
        assert back == (offset - 1 if between else offset)


@given(TEXTS, st.sampled_from(ENCODINGS), st.integers(0, 12), st.integers(0, 60))
def test_any_position_is_clamped_to_its_line(text: str, encoding: str, line: int, character: int) -> None:
    lines = Lines(text, encoding)
    offset = lines.offset(lsp.Position(line, character))
    assert 0 <= offset <= len(lines.text)
    if line >= len(lines):
        assert offset == len(lines.text)
    else:
        found = lines.position(offset)
        # The greatest offset of the line that is not beyond the position (a byte order mark aside).
        assert found.line == line
        if found.character <= character:
            start, end = lines.line_of(offset)
            assert offset == end or lines.position(offset + 1).character > character
            assert start <= offset <= end


def test_a_position_inside_a_pair_of_surrogates_means_its_start() -> None:
    lines = Lines("a\U0001f4a1b")
    assert [lines.offset(lsp.Position(0, n)) for n in range(6)] == [0, 1, 1, 2, 3, 3]
    bytes_ = Lines("\u00b5F", "utf-8")
    assert [bytes_.offset(lsp.Position(0, n)) for n in range(5)] == [0, 0, 1, 2, 2]


def test_micro_and_ohm_signs_are_one_unit_each_in_utf_16() -> None:
    text = 'x: {capacitance: "4.7 \u00b5F", resistance: 10 \u2126, lamp: "\U0001f4a1", power: 1 W}'
    at = text.index("power")
    assert Lines(text).position(at).character == at + 1  # the lamp is two units
    assert Lines(text, "utf-8").position(at).character == len(text[:at].encode())
    assert Lines(text, "utf-32").position(at).character == at


def test_a_byte_order_mark_is_counted_by_the_client_and_not_by_us() -> None:
    lines = Lines(BYTE_ORDER_MARK + "name: a\nuse: b")
    assert lines.text.startswith("name")
    assert lines.position(0) == lsp.Position(0, 1)
    assert lines.offset(lsp.Position(0, 0)) == lines.offset(lsp.Position(0, 1)) == 0
    assert lines.offset(lsp.Position(1, 0)) == 8
    assert Lines(BYTE_ORDER_MARK + "a", "utf-8").position(0).character == 3
    assert lines.offset_at(1, 1) == 0
    assert lines.offset_at(2, 1) == 8


@given(TEXTS)
def test_places_of_problems_lead_back_to_their_offset(text: str) -> None:
    from schemas.positions import PositionMap

    lines = Lines(text)
    positions = PositionMap(lines.text, {}, {})
    for offset in range(len(lines.text) + 1):
        line, column = positions.place(offset)
        if lines.text[offset - 1:offset + 1] != "\r\n":
            assert lines.offset_at(line, column) == offset


@given(TEXTS, st.data(), st.sampled_from(ENCODINGS))
def test_changes_are_applied_as_on_a_list_of_characters(text: str, data: st.DataObject,
                                                         encoding: str) -> None:
    full, changes = text, []
    for _ in range(data.draw(st.integers(1, 3))):
        start = data.draw(st.integers(0, len(full)))
        end = data.draw(st.integers(start, len(full)))
        if any(full[at - 1:at + 1] == "\r\n" for at in (start, end)):
            continue  # no position of the protocol names the place between the two
        new = data.draw(TEXTS)
        here, there = reference(full, start, encoding), reference(full, end, encoding)
        changes.append(lsp.TextDocumentContentChangePartial(
            range=lsp.Range(lsp.Position(*here), lsp.Position(*there)), text=new))
        full = full[:start] + new + full[end:]
    assert changed(text, changes, encoding) == full


def test_a_whole_document_replaces_all() -> None:
    assert changed("a", [lsp.TextDocumentContentChangeWholeDocument(text="b\n")]) == "b\n"


@pytest.mark.parametrize("text", ["\ud800", "a\udc00b", "\U0001f4a1"])
def test_half_characters_have_a_width(text: str) -> None:
    assert width(text, "utf-16") == len(text.encode("utf-16-le", "surrogatepass")) // 2
    assert width(text, "utf-8") == len(text.encode("utf-8", "surrogatepass"))


def test_an_unknown_encoding_is_refused() -> None:
    with pytest.raises(ValueError, match="utf-7"):
        Lines("", "utf-7")


@pytest.mark.parametrize(("uri", "language", "text", "expected"), [
    ("file:///w/lamp.json", "", "name: x", "json"),
    ("file:///w/lamp.YML", "json", "{}", "yaml"),
    ("file:///w/la%6Dp%2Ejson?x=1#y", "", "", "json"),
    ("untitled:Untitled-1", "yaml", '{"name": "x"}', "yaml"),
    ("untitled:Untitled-1", "jsonc", "x", "json"),
    ("untitled:Untitled-1", "", '{"name": "x"}', "json"),
    ("untitled:Untitled-1", "", "{name: x}", "yaml"),
    ("http://[bad", "", "name: x", "yaml"),
])
def test_the_spelling_is_told_by_name_then_client_then_text(uri: str, language: str, text: str,
                                                           expected: str) -> None:
    assert spelling_of(text, uri, language) == expected


def test_the_file_name_of_a_uri() -> None:
    assert file_name("file:///garden%20shed/lamp.yaml") == "lamp.yaml"


@pytest.mark.parametrize("full", [
    "", " ", "\ufeff", "\x00", "\ud800", "- \ud800\n", "{", "a: &a [*a]", "\t", "[" * 5000, "{a: " * 3000,
    "'" * 99, "x" * (1 << 20) + "y", '{"a": 1e999}', "--- a\n--- b"])
def test_a_text_that_is_no_circuit_has_problems_with_places(full: str) -> None:
    for name in ("file:///x.json", "file:///x.yaml"):
        snapshot = take(name, 3, full)
        assert snapshot.document is None
        assert snapshot.circuit is None
        assert snapshot.problems
        for problem in snapshot.problems:
            assert problem.line is not None
            assert problem.column is not None
            assert 0 <= snapshot.lines.offset_at(problem.line, problem.column) <= len(snapshot.text)
        assert snapshot.version == 3


def test_a_well_formed_text_that_is_no_circuit_still_has_positions() -> None:
    snapshot = take("file:///x.yaml", 1, "\ufeffname: lamp\nparts: {R1: {kind: resistor}}\n")
    assert snapshot.document is None
    assert snapshot.well_formed
    assert snapshot.raw == {"name": "lamp", "parts": {"R1": {"kind": "resistor"}}}
    mark = snapshot.positions.value("/parts/R1/kind")
    assert snapshot.text[mark.start:mark.end] == "resistor"
    broken = take("file:///x.json", 1, '{"name": "lamp", "parts": {')
    assert not broken.well_formed
    assert broken.raw is None
    assert "/name" in broken.positions


def test_a_circuit_is_a_document_without_problems() -> None:
    path = Path(clients.__file__).parent / "examples" / "frost-bell.yaml"
    snapshot = take(path.as_uri(), 7, path.read_text(encoding="utf-8"))
    assert snapshot.problems == ()
    assert snapshot.circuit is not None
    assert snapshot.circuit.name == "frost-bell"
