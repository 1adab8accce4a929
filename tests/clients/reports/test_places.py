"""The token a reader should look at, and its columns in UTF-16 code units."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from clients.reports.entry import Entry
from clients.reports.places import Text, text_of
from clients.reports.sarif_places import location, region, uri
from clients.sources import Source

ReadAs = Callable[..., Text]

TEXT = """\
# \U0001f321 a pond
parts:
  "\U0001d53d1": {kind: 'µ\U0001f600', value: 4.7 kΩ, more: ''}   # Ω
  R2:
    kind: resistor
    pins:
      a: n1
list:
- {rule: a,
   parts: [b]}
- plain
folded: >
  one
  two
nothing:
"""


@pytest.fixture
def read(tmp_path: Path) -> ReadAs:
    def make(text: str, name: str = "a.yaml") -> Text:
        path = tmp_path / name
        path.write_bytes(text.encode())
        found = text_of(Source(str(path)))
        assert found is not None
        return found

    return make


def shown(text: Text, pointer: str) -> str:
    start, end = text.token(pointer)
    return text.text[start:end]


@pytest.mark.parametrize(("pointer", "token"), [
    ("/parts/\U0001d53d1/value", "4.7 kΩ"),
    ("/parts/\U0001d53d1/kind", "'µ\U0001f600'"),
    ("/parts/\U0001d53d1", '"\U0001d53d1"'),
    ("/parts/R2/pins", "pins"),
    ("/parts/R2/pins/a", "n1"),
    ("/parts/R2/resistance", "R2"),
    ("/parts/R9/pins/a", "parts"),
    ("/list/0", "{rule: a,"),
    ("/list/1", "plain"),
    ("/list/7", "list"),
    ("/nothing", "nothing"),
    ("/nowhere/at/all", "parts:"),
    ("", "parts:"),
    ("/folded", ">"),
])
def test_the_token_is_the_value_or_a_name_and_never_more_than_a_line(read: ReadAs, pointer: str,
                                                                     token: str) -> None:
    assert shown(read(TEXT), pointer) == token


def utf16(text: str, line: int, token: str) -> tuple[int, int]:
    """Columns from 1 of a token, counted on the bytes of UTF-16: two to a code unit."""
    row = text.split("\n")[line - 1].encode("utf-16-le")
    at = row.index(token.encode("utf-16-le")) // 2
    return at + 1, at + 1 + len(token.encode("utf-16-le")) // 2


@pytest.mark.parametrize(("pointer", "token"), [
    ("/parts/\U0001d53d1/value", "4.7 kΩ"), ("/parts/\U0001d53d1/kind", "'µ\U0001f600'"),
    ("/parts/\U0001d53d1/more", "''"), ("/parts/\U0001d53d1", '"\U0001d53d1"')])
def test_columns_count_utf16_code_units(read: ReadAs, pointer: str, token: str) -> None:
    text = read(TEXT)
    found = region(text, *text.token(pointer))
    assert (found["startColumn"], found["endColumn"]) == utf16(TEXT, 3, token)
    assert (found["startLine"], found["endLine"]) == (3, 3)


def test_columns_by_hand(read: ReadAs) -> None:
    """SARIF 2.1.0, section 3.30: columns from 1; an emoji is two UTF-16 units, micro and ohm are one."""
    text = read('{"µ": "\U0001f600", "Ω": "1 µF"}', "a.json")
    assert region(text, *text.token("/µ")) == {
        "startLine": 1, "startColumn": 7, "endLine": 1, "endColumn": 11}
    assert region(text, *text.token("/Ω")) == {
        "startLine": 1, "startColumn": 18, "endLine": 1, "endColumn": 24}


def test_a_byte_order_mark_moves_no_column_and_every_line_end_counts(read: ReadAs) -> None:
    text = read("\ufeffa: µ1\r\nb: µ2\nc: µ3\rd: µ4\r\n")
    for line, name in enumerate("abcd", 1):
        assert region(text, *text.token(f"/{name}")) == {
            "startLine": line, "startColumn": 4, "endLine": line, "endColumn": 6}


def test_compact_json_has_its_tokens_too(read: ReadAs) -> None:
    text = read(json.dumps({"parts": {"R1": {"resistance": "4k7"}}}, separators=(",", ":")), "a.json")
    assert shown(text, "/parts/R1/resistance") == '"4k7"'
    assert shown(text, "/parts/R1/power") == '"R1"'


@pytest.mark.parametrize("data", [b"", b"{", b"a: [", b"a: 1\na: 2\n", b"\xff\xfea", b"a: \xff", b"- {"])
def test_what_cannot_be_read_has_no_text(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "a.yaml"
    path.write_bytes(data)
    assert text_of(Source(str(path))) is None


@pytest.mark.parametrize(("label", "written"), [
    ("pond/lamp.yaml", "pond/lamp.yaml"),
    ("Gärten am Teich/Lampe 1.yaml", "G%C3%A4rten%20am%20Teich/Lampe%201.yaml"),
    ("a:b.yaml", "a%3Ab.yaml"),
    ("100 %#?.yaml", "100%20%25%23%3F.yaml"),
    ("../side/x.yaml", "../side/x.yaml"),
])
def test_uris_are_relative_and_escaped(label: str, written: str) -> None:
    """RFC 3986: only unreserved characters and slashes are left as they are."""
    assert uri(label) == written


def test_standard_input_has_no_uri() -> None:
    assert uri("standard input") is None
    assert "physicalLocation" not in location(Entry("standard input"), "/parts/R1")


@pytest.mark.parametrize(("pointer", "kind"), [
    ("/parts/R2", "object"), ("/list", "array"), ("/parts/R2/kind", "property"), ("/list/1", "value"),
    ("/parts/R2/resistance", "property")])
def test_logical_locations_are_pointers_with_the_kinds_of_json(tmp_path: Path, pointer: str,
                                                               kind: str) -> None:
    """SARIF 2.1.0, section 3.33.7, names object, array, property and value for JSON."""
    path = tmp_path / "a.yaml"
    path.write_text(TEXT, encoding="utf-8")
    found: dict[str, Any] = location(Entry("a.yaml", Source(str(path))), pointer)["logicalLocations"][0]
    assert found == {"name": pointer.rpartition("/")[2], "fullyQualifiedName": pointer, "kind": kind}
