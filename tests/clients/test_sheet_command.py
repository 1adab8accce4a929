"""``thumbrule sheet``: text within 80 columns, Markdown, a page of HTML that stands alone, JSON."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from click.testing import CliRunner, Result

from clients.cli import main
from clients.layout import WIDTH, columns
from clients.sheet_parts import figure, percent, stiffness
from service import facade

EXAMPLES = sorted((Path(__file__).parents[2] / "clients" / "examples").glob("*.*"))
TANK = """\
format: thumbrule/1
name: tank-latch
title: A lamp that <remembers> the tank & its level
ground: gnd
parts:
  V1: {kind: supply, voltage: 12 V, pins: {plus: vp, minus: gnd}}
  Q2: {kind: pnp, beta: {min: 75, typical: 150, max: 300}, pins: {collector: out, base: b2, emitter: vp}}
  RB2: {kind: resistor, resistance: 4k7, pins: {a: vp, b: b2}}
  R2: {kind: resistor, resistance: 4k7, pins: {a: b2, b: c1}}
  Q1: {kind: npn, beta: {min: 100, typical: 200, max: 400}, pins: {collector: c1, base: b1, emitter: gnd}}
  R3: {kind: resistor, resistance: 47k, pins: {a: out, b: b1}}
  RB1: {kind: resistor, resistance: 10k, pins: {a: b1, b: gnd}}
  LP1: {kind: load, resistance: 1k, pins: {plus: out, minus: gnd}}
states:
  empty: {Q1: off}
  full: {Q1: saturated, Q2: saturated}
"""
FULL = """\
full
====
Assume: Q1 is saturated; Q2 is saturated.

   1  source: V1 sets vp against gnd
      V(vp) = E(V1) = 12 V
   2  junction: Q1 conducts: its base is one junction drop above its emitter
      V(b1) = V_BE = 0.7 V
   3  junction: Q2 conducts: its base is one junction drop below its emitter
      V(b2) = V(vp) - V_BE = 12 V - 0.7 V = 11.3 V
   4  saturation: Q1 is saturated: its collector is only V_CE,sat above its
      emitter
      V(c1) = V_CE,sat = 0.2 V
"""


@pytest.fixture
def tank(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    path = Path("tank.yaml")
    path.write_text(TANK)
    return path


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments, prog_name="thumbrule")


def test_text_as_a_person_would_write_it(tank: Path) -> None:
    result = run("sheet", str(tank))
    assert (result.exit_code, result.stderr) == (0, "")
    text = result.stdout
    assert all(columns(line) <= WIDTH for line in text.split("\n"))
    assert FULL in text
    # the state between is among them, with its eight equations
    assert "Q1 active, Q2 active (unstable)\n====" in text
    assert "8 equations hang together: each is written through I_B(Q1)" in re.sub(r"\s+", " ", text)
    checked = "Q2 is saturated: its base could carry more collector current than there is:"
    # 12.04 mA over 2.213 mA
    assert f"  - {checked}\n    I_C(Q2) / I_B(Q2) = 5.439 <= 150: yes\n" in text


def test_one_state_and_the_json_of_the_service(tank: Path) -> None:
    result = run("sheet", str(tank), "--state", "full", "--beta", "max", "--format", "json")
    expected = facade.sheet(facade.read(TANK.encode(), "yaml"), state="full", beta="max")
    assert json.loads(result.stdout) == expected
    assert [sheet["state"] for sheet in expected["sheets"]] == ["full"]


def test_an_unknown_state_is_refused_with_the_known_ones(tank: Path) -> None:
    result = run("sheet", str(tank), "--state", "ful")
    assert result.exit_code == 2
    assert "--state: no such state" in result.stderr
    assert "did you mean: full" in result.stderr


def test_markdown_keeps_names_from_being_marks(tank: Path) -> None:
    text = run("sheet", str(tank), "--format", "markdown").stdout
    assert text.startswith("# tank-latch: A lamp that \\<remembers\\> the tank & its level\n")
    assert "\n3. *junction*: Q2 conducts" in text
    assert "   `V(b2) = V(vp) - V_BE = 12 V - 0.7 V` = **11.3 V**\n" in text
    assert "**I\\_C(Q2) / I\\_B(Q2) = 5.439 \\<= 150: yes**" in text


class Page(HTMLParser):
    """Every tag in order, and whether each is closed."""

    VOID = frozenset({"meta", "br", "mspace"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_stands_alone(tank: Path) -> None:
    text = run("sheet", str(tank), "--format", "html").stdout
    page = Page()
    page.feed(text)
    assert page.open == []
    assert not page.tags & {"script", "link", "img", "iframe", "object", "embed", "form"}
    assert not page.attributes & {"src", "href", "style", "onclick", "onload"}
    assert "://" not in text
    assert "url(" not in text
    assert "A lamp that &lt;remembers&gt; the tank &amp; its level" in text
    assert "@media print" in text


def test_formulas_of_the_page_are_mathml(tank: Path) -> None:
    text = run("sheet", str(tank), "--format", "html").stdout
    formulas = re.findall(r"<math.*?</math>", text)
    assert len(formulas) > 50
    # MathML Core (W3C): the elements that are used are among its presentation elements
    allowed = {"math", "mrow", "mi", "mn", "mo", "mtext", "mspace", "mfrac", "msub"}
    for formula in formulas:
        root = ElementTree.fromstring(formula)
        assert {item.tag for item in root.iter()} <= allowed
        for fraction in root.iter("mfrac"):
            assert len(list(fraction)) == 2
        for index in root.iter("msub"):
            assert len(list(index)) == 2
    # I(R2) = (V(b2) - V(c1)) / R2
    read = ["".join(ElementTree.fromstring(formula).itertext()) for formula in formulas]
    assert "IR2=Vb2\u2212Vc1R2=11.3V\u22120.2V4.7k\u03a9" in read


@pytest.mark.parametrize("path", EXAMPLES, ids=[path.stem for path in EXAMPLES])
def test_every_example_in_every_form(path: Path) -> None:
    for style in ("text", "markdown", "html"):
        result = run("sheet", str(path), "--format", style)
        assert result.exit_code == 0
        assert "undefined, the circuit does not say" not in result.stdout or "Undefined: " in result.stdout
        assert "None" not in result.stdout
        if style == "text":
            assert all(columns(line) <= WIDTH for line in result.stdout.split("\n"))
        if style == "html":
            page = Page()
            page.feed(result.stdout)
            assert page.open == []


def test_words_and_figures() -> None:
    volts = [figure(value, "V") for value in (0.7, 12.0, -0.2, None)]
    assert volts == ["0.7 V", "12 V", "-0.2 V", "undefined"]
    assert [percent(value) for value in (0.0264, -0.5, None)] == ["+2.6 %", "-50 %", "undefined"]
    assert [stiffness(value).split(": ")[1] for value in (21.3, 5.0, 1.9)] == [
        "stiff enough", "not stiff", "soft, the quick value is only a guess"]  # fmt: skip
