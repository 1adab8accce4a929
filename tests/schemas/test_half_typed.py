"""What somebody is told while typing YAML: the place to look at, and what is needed, in plain words."""

from __future__ import annotations

import pytest
import yaml

from schemas import yaml_text
from schemas.document import parse_text
from schemas.problems import DocumentProblems

TEXT = """\
format: thumbrule/1
name: pond
ground: gnd
parts:
  R1: {kind: resistor, resistance: 4k7, pins: {a: rail, b: n4}}
  R2:
    kind: resistor
    resistance: 1k
    pins:
      a: rail
      b: gnd
stimuli:
  s:
    - at: 0
      part: S1
    - at: 1
      part: S2
"""
SPACE, COLON = "a space is missing after the colon", "the line has no colon after a member name"
INSIDE, COMMA = "the value holds a colon and is not in quotes", "a comma is missing before this"
TAB, CLOSED = "a tab is not accepted as indentation", "the text in quotes is not closed"
BRACE, DEEPER = "the brace is not closed", "the line is indented further than the member before it"
FITS, BEGIN = "the indentation fits no line above", "a value or name cannot begin with"

STATES = [
    # was, becomes, line, column, what it says, what it accepts
    ("format: t", "format:t", 1, 1, SPACE, '"format: thumbrule/1"'),
    ("ground: gnd", "ground:gnd", 3, 1, SPACE, '"ground: gnd"'),
    ("    kind: r", "    kind:r", 7, 5, SPACE, '"kind: resistor"'),
    ("    resistance: 1k", "    resistance:1k", 8, 5, SPACE, '"resistance: 1k"'),
    ("      part: S2", "      part:S2", 17, 7, SPACE, '"part: S2"'),
    ("kind: resistor, res", "kind:resistor, res", 5, 8, SPACE, '"kind: resistor"'),
    ("    - at: 1", "    -at: 1", 16, 5, "a space is missing after the dash", "- and the value"),
    ("b: n4}}", "b: n4}", 5, 7, BRACE, "a } after the last value"),
    ("b: n4}}", "b: n4", 5, 47, BRACE, "a } after the last value"),
    ("b: n4}}", "b: ", 5, 47, BRACE, "a } after the last value"),
    ("b: n4}}", "", 5, 47, BRACE, "a } after the last value"),
    ("      part: S2\n", "      part: {", 17, 13, BRACE, "a } after the last value"),
    ("ground: gnd", "ground: gnd\n{", 4, 1, BRACE, "a } after the last value"),
    ("name: pond", "name: [pond, x", 2, 7, "the bracket is not closed", "a ] after the last value"),
    ("b: n4}}", "b: n4]}", 5, 62, "the brace of line 5, column 47 is closed by another sign", "}"),
    ("b: n4}}", "b: n4}}}", 5, 64, "the } closes nothing", "one closing sign for each that opens"),
    ("name: pond", "name: ]", 2, 7, "the ] closes nothing", "one closing sign for each that opens"),
    ("    kind: r", "\tkind: r", 7, 1, TAB, "spaces before the line"),
    ("    resistance: 1k", "    \tresistance: 1k", 8, 5, TAB, "spaces before the line"),
    ("    - at: 1", "\t- at: 1", 16, 1, TAB, "spaces before the line"),
    ("    - at: 1", "    -\t- 1", 16, 6, "a tab is not accepted behind a sign that begins a line", "spaces"),
    ("    resistance: 1k", "     resistance: 1k", 8, 6, DEEPER, "4 spaces before the name"),
    ("ground: gnd", " ground: gnd", 3, 2, DEEPER, "0 spaces before the name"),
    ("    resistance: 1k", "   resistance: 1k", 8, 4, FITS, "0, 2 or 4 spaces before the line"),
    ("    - at: 1", "   - at: 1", 16, 4, FITS, "0, 2, 4 or 6 spaces before the line"),
    ("    - at: 1", "     - at: 1", 16, 6, FITS, "0, 2, 4 or 6 spaces before the line"),
    ("    - at: 1", "    at: 1", 16, 5, "the line stands in a list and has no dash", "- and the value"),
    ("ground: gnd", "ground: gnd\n- x", 4, 1, "a list item stands among the members", "name: value"),
    ("parts:", "parts: - R1", 4, 8, "a list with dashes begins on a line of its own", "a line break before"),
    ("      part: S2\n", '      part: "S2\n', 17, 13, CLOSED, 'a closing "'),
    ("name: pond", 'name: "pond', 2, 7, CLOSED, 'a closing "'),
    ("name: pond", "name: 'pond", 2, 7, CLOSED, "a closing '"),
    ("name: pond\nground: gnd", 'name: "pond\nground: "gnd"', 2, 7, f"{CLOSED} in its line", 'a closing "'),
    ("ground: gnd", 'ground: gnd\n"am', 4, 1, CLOSED, 'a closing "'),
    ("name: pond", "name: 'pond's'", 2, 13, "text goes on after its closing quote", "written ''"),
    ("name: pond", 'name: "a" x', 2, 11, "text goes on after its closing quote", 'written \\"'),
    ("name: pond", "name: pond: x", 2, 11, INSIDE, "the value in quotes"),
    ("ground: gnd", "ground: gnd:", 3, 12, INSIDE, "the value in quotes"),
    ("kind: resistor, res", "kind: resistor: x, res", 5, 22, INSIDE, "the value in quotes"),
    ("kind: resistor, res", "kind: resistor res", 5, 23, COMMA, ", or }"),
    ("4k7, pins", "4k7 pins", 5, 40, COMMA, ", or }"),
    ("kind: resistor, ", 'kind: "resistor" ', 5, 25, COMMA, ", or }"),
    ("name: pond", "name: {a: {b: c} d: e}", 2, 18, COMMA, ", or }"),
    ("name: pond", 'name: ["a" "b"]', 2, 12, COMMA, ", or ]"),
    ("kind: resistor, ", "kind: resistor,, ", 5, 23, "a value is missing before the comma", "one comma less"),
    ("name: pond", 'name: "pond",', 2, 13, "a comma stands behind the value", "no comma outside of braces"),
    ("ground: gnd", "ground: gnd\nam", 4, 1, COLON, "a name, a colon and a space"),
    ("    kind: resistor", "    kind: resistor\n    res", 8, 5, COLON, "a name, a colon and a space"),
    ("      part: S2\n", "      part: S2\n      xx", 18, 7, COLON, "a name, a colon and a space"),
    ("parts:", "parts", 4, 1, COLON, "a name, a colon and a space"),
    ("  R2:\n", "  R2\n", 6, 3, COLON, "a name, a colon and a space"),
    ("name: pond", '"name" pond', 2, 1, COLON, "a name, a colon and a space"),
    ("name: pond", "name: pond\n// note", 3, 1, "a remark begins with #", "# and the remark"),
    ("name: pond", "name: @pond", 2, 7, f'{BEGIN} "@"', "the value in quotes"),
    ("name: pond", "name: %pond", 2, 7, f'{BEGIN} "%"', "the value in quotes"),
    ("name: pond", "%name: pond", 2, 1, "a line that begins with % is a directive", "the name in quotes"),
    ("name: pond", "name: * pond", 2, 7, "a value cannot begin with *", "the value in quotes"),
    ("name: pond", "name: & pond", 2, 7, "a value cannot begin with &", "the value in quotes"),
    ("name: pond", "name: > 5 V", 2, 7, "a value cannot begin with >", "the value in quotes"),
    ("name: pond", "name: |x", 2, 7, "a value cannot begin with |", "the value in quotes"),
    ("name: pond", "name: !x!y pond", 2, 7, "tags are not read", "the value without a tag"),
    ("name: pond", 'name: "po\\qnd"', 2, 10, "the escape is not known", "in single quotes a backslash is"),
    ("name: pond", 'name: "po\\xzz"', 2, 10, "the escape is not known", "in single quotes a backslash is"),
]


@pytest.mark.parametrize(("was", "becomes", "line", "column", "says", "accepts"), STATES)
@pytest.mark.parametrize("build", ["CSafeLoader", "SafeLoader"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"], ids=["LF", "CR LF", "CR"])
def test_what_is_told(was: str, becomes: str, line: int, column: int, says: str, accepts: str, newline: str,
                      build: str, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    monkeypatch.setattr(yaml_text, "_Base", getattr(yaml, build))
    assert TEXT.count(was) >= 1
    text = TEXT.replace(was, becomes, 1).replace("\n", newline)
    with pytest.raises(DocumentProblems) as caught:
        parse_text(text, "yaml")
    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (line, column), str(problem)
    assert says in problem.detail
    assert accepts in str(problem.accepted)
    assert problem.seen


def test_the_text_itself_is_right() -> None:
    assert parse_text(TEXT, "yaml")[0]["parts"]["R2"]["pins"] == {"a": "rail", "b": "gnd"}
