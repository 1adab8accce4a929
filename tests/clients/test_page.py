"""One page, three ways of writing it."""

from __future__ import annotations

import json
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner

from clients.cli import main
from clients.layout import columns
from clients.page import Heading, Items, Paragraph, Table, write

EXAMPLE = Path("clients/examples/workshop-lamp.yaml")
BLOCKS = (
    Heading("Parts"),
    Paragraph("a < b & c | d"),
    Items(("one", ("two", "and more")), ordered=True),
    Table(("net", "volts", "read"), (("a|b", "1 V", ""), ("c*", "2 V", "")), frozenset({1}), blank=2),
)


class Reader(HTMLParser):
    """Tags that are open, and the text seen; raises when they do not nest."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in ("script", "link", "img")
        assert not any(name in ("src", "href") for name, _ in attrs)
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_html_nests_and_escapes() -> None:
    reader = Reader()
    reader.feed(write("A <lamp>", BLOCKS, "html"))
    assert reader.open == []
    text = "".join(reader.text)
    assert "A <lamp>" in text
    assert "a < b & c | d" in text
    assert "@media print" in text


def test_markdown_escapes_what_it_would_read() -> None:
    text = write("A lamp", BLOCKS, "markdown")
    assert text.startswith("# A lamp\n\n## Parts\n\n")
    assert "a \\< b & c \\| d" in text
    assert "1. one\n2. two and more" in text
    assert "| net | volts | read |\n| --- | ---: | --- |\n| a\\|b | 1 V |  |\n| c\\* | 2 V |  |" in text


def test_text_leaves_out_what_is_to_be_written_by_hand() -> None:
    assert write("A lamp", BLOCKS, "text") == (
        "A lamp\n\nParts\n  a < b & c | d\n  1. one\n  2. two\n     and more\n"
        "  net  volts\n  a|b    1 V\n  c*     2 V\n"
    )


@pytest.mark.parametrize("style", ["text", "markdown", "html"])
def test_the_bench_command_prints_a_page(style: str) -> None:
    result = CliRunner().invoke(main, ["bench", str(EXAMPLE), "--format", style])
    assert result.exit_code == 0, result.output
    assert "Readings" in result.output
    assert "any small-signal NPN" in result.output
    if style == "text":
        assert max(columns(line) for line in result.output.splitlines()) <= 80
    if style == "html":
        reader = Reader()
        reader.feed(result.output)
        assert reader.open == []


def test_the_bench_command_prints_the_shape_of_the_service() -> None:
    result = CliRunner().invoke(main, ["bench", str(EXAMPLE), "--format", "json", "--measured", "PS1=12 V"])
    assert result.exit_code == 0
    answer = json.loads(result.output)
    assert answer["measured"] == {"PS1": 12.0}
    assert {state["name"] for state in answer["states"]} == {"dark", "bright"}


@pytest.mark.parametrize("bad", [["--meter", "5 V"], ["--measured", "PS1"], ["--measured", "LP1=3 V"]])
def test_bad_options_end_with_two_and_say_why(bad: list[str]) -> None:
    result = CliRunner().invoke(main, ["bench", str(EXAMPLE), *bad])
    assert result.exit_code == 2
    assert "needed" in result.output or "accepted" in result.output
