"""What is wrong with a text that is no YAML, in the words of somebody who is typing it.

The parser says where it gave up and what it was doing.  What is needed often
stands elsewhere: at the bracket that was opened, or in the line before.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TypeAlias

import yaml

from schemas.intake import Intake, Unreadable
from schemas.problems import Complaint, quoted
from schemas.yaml_events import Event
from schemas.yaml_scene import BRACKETS, Scene

Found: TypeAlias = tuple[int, str, str]
"""Offset, what is wrong, what is accepted."""
QUOTED = "the value in quotes"

_FOREIGN = re.compile("[^\t\n\r -~\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]")
"""What no YAML text may hold (YAML 1.2.2, section 5.1), and the byte order mark."""


def check_characters(intake: Intake) -> None:
    """Raises ``Unreadable``, after saying why, for a character that YAML does not allow."""
    found = _FOREIGN.search(intake.text)
    if found is None:
        return
    char, detail = found.group(), "the text holds a character that YAML does not allow"
    accepted = "printable characters; in double quotes an escape such as \\x07"
    if char == "\ufeff":
        detail, accepted = "the text holds a byte order mark", "none, or one at the very start of a file"
    elif "\ud800" <= char <= "\udfff":
        detail, accepted = "the text holds half a character (an unpaired surrogate)", "complete characters"
    raise intake.stop("", found.start(), Complaint(detail, seen=f"U+{ord(char):04X}", accepted=accepted))


def stopped(intake: Intake, error: yaml.MarkedYAMLError, events: Sequence[Event]) -> Unreadable:
    """Notes why the text is no YAML; the caller raises the result."""
    scene = Scene.of(intake.text, error, events)
    for words, explain in _CASES:
        if words.search(scene.problem):
            found = explain(scene)
            if found is not None:
                at, detail, accepted = found
                return intake.stop("", at, Complaint(detail, seen=scene.seen(at), accepted=accepted))
    detail = f"the text is not YAML: {scene.problem or 'it cannot be parsed'}"
    if scene.context:
        detail += f" ({scene.context})"
    return intake.stop("", scene.at, Complaint(detail, seen=scene.seen(scene.at)))


def _no_colon(scene: Scene) -> Found:
    """A line without ``name: value`` among others that have it."""
    at, line = scene.since, scene.rest(scene.since)
    glued = _glued(scene, at)
    if glued is not None:
        return glued
    if line[:1] in BRACKETS:
        if not scene.closed(at):
            return _unclosed(scene, at)
        return at, "a member name is text on one line", "name: value"
    if line.startswith("//"):
        return at, "a remark begins with #", "# and the remark"
    return (at, "the line has no colon after a member name",
            "a name, a colon and a space; or text that goes on, indented further than its own name")


def _glued(scene: Scene, at: int) -> Found | None:
    found = scene.glued(at)
    return (at, "a space is missing after the colon", quoted(": ".join(found))) if found else None


def _colon_again(scene: Scene) -> Found:
    """``name: value`` where a value already stands."""
    start, _ = scene.line(scene.at)
    head = scene.text[start:scene.at]
    if re.search(r":[ \t]", head):
        return scene.at, "the value holds a colon and is not in quotes", QUOTED
    before = scene.line_before(start)
    if before is None:
        return scene.at, "a colon stands where no member name ends", "a name, a colon and a space"
    first = scene.indented(before)
    glued = _glued(scene, first)
    if glued is not None:
        return glued
    if ":" not in scene.rest(first):
        return first, "the line has no colon after a member name", "a name, a colon and a space"
    return (start + len(head) - len(head.lstrip()), "the line is indented further than the member before it, "
            "which has its value already", f"{first - scene.line(first)[0]} spaces before the name")


def _unclosed(scene: Scene, at: int) -> Found:
    return at, f"the {BRACKETS[scene.text[at]]} is not closed", f"a {scene.closing(at)} after the last value"


def _comma(scene: Scene) -> Found:
    """Something else than a comma or the end inside of brackets."""
    at, opening, last = scene.at, scene.since, scene.last()
    outside = scene.outside(opening)
    if outside is not None and at >= outside:
        return _unclosed(scene, opening)
    char = scene.text[at:at + 1]
    if char in ("}", "]"):
        line, column = scene.place(opening)
        kind = BRACKETS[scene.text[opening]]
        return (at, f"the {kind} of line {line}, column {column} is closed by another sign",
                scene.closing(opening))
    if char == ":" and last is not None:
        words = scene.text[last[0]:last[1]]
        name = re.search(r"[ \t\r\n]([^ \t\r\n]+)\Z", words)
        if name is None:
            return at, "the value holds a colon and is not in quotes, or a comma is missing", QUOTED
        at = last[0] + name.start(1)
    return at, "a comma is missing before this", f", or {scene.closing(opening)}"


def _line_does_not_fit(scene: Scene) -> Found:
    """A block that neither goes on nor ends: indentation, or something behind a value."""
    at, char = scene.at, scene.text[scene.at:scene.at + 1]
    if char in ("}", "]") and char:
        return at, f"the {char} closes nothing", "one closing sign for each that opens"
    if char == ":":
        return at, "a member name is missing before the colon", "name: value"
    start, _ = scene.line(at)
    if not scene.text[start:at].strip(" "):
        in_list, wanted = "collection" in scene.context, scene.columns()
        if in_list and re.match(r"-[^ \t\r\n-]", scene.text[at:at + 2]):
            return at, "a space is missing after the dash", "- and the value"
        if in_list and at - start == scene.since - scene.line(scene.since)[0]:
            return at, "the line stands in a list and has no dash", "- and the value"
        if at - start in wanted and not in_list:
            what = "a list item stands among" if char == "-" else "the line is not one of"
            return at, f"{what} the members of an object", "a member such as name: value"
        *most, least = [str(column) for column in wanted] or ["0"]
        ways = f"{', '.join(most)} or {least}" if most else least
        return (at, "the indentation fits no line above", f"{ways} spaces before the line")
    if char == ",":
        return at, "a comma stands behind the value", "no comma outside of braces and brackets"
    return _behind(scene)


def _behind(scene: Scene) -> Found:
    last = scene.last()
    if last is None:
        return scene.at, "the document goes on after its end", "one value"
    start, end = last
    if scene.text[start:start + 1] in ("'", '"'):
        quote = scene.text[start]
        if scene.breaks(start, end):
            return start, "the text in quotes is not closed in its line", f"a closing {quote}"
        inside = "''" if quote == "'" else '\\"'
        return (scene.at, "text goes on after its closing quote",
                f"one text in quotes, a quote inside of it written {inside}")
    return scene.at, "text goes on after the value", "one value for each name"


def _after_the_end(scene: Scene) -> Found:
    if scene.text[scene.at:scene.at + 1] in ("}", "]"):
        return _line_does_not_fit(scene)
    last = scene.last()
    if last is not None and not scene.breaks(last[1], scene.at):
        return _behind(scene)
    return scene.at, "the document goes on after its end", "one value, and nothing indented less than it"


def _cannot_begin(scene: Scene) -> Found:
    char = scene.text[scene.at:scene.at + 1]
    if char == "\t":
        return _tab(scene)
    return scene.at, f"a value or name cannot begin with {quoted(char)}", QUOTED


def _tab(scene: Scene) -> Found:
    start, end = scene.line(scene.at)
    tab = scene.text.find("\t", start, end)
    if tab < 0 or scene.text[start:tab].strip(" "):
        return scene.at, "a tab is not accepted behind a sign that begins a line", "spaces"
    return tab, "a tab is not accepted as indentation", "spaces before the line"


def _open_quote(scene: Scene) -> Found | None:
    if "quoted" not in scene.context:
        return None
    quote = scene.text[scene.since:scene.since + 1]
    return scene.since, "the text in quotes is not closed", f"a closing {quote}"


def _escape(scene: Scene) -> Found:
    at = max(scene.since, scene.text.rfind("\\", scene.since, scene.at + 1))
    return (at, "the escape is not known",
            '\\" \\\\ \\n \\t \\xhh \\uhhhh and others of YAML; in single quotes a backslash is just that')


def _directive(scene: Scene) -> Found | None:
    if "directive" not in scene.context + scene.problem and "incompatible" not in scene.problem:
        return None
    at, _ = scene.line(scene.since)
    return (at, "a line that begins with % is a directive, and this one cannot be followed",
            "%YAML 1.2 and --- below it, or the name in quotes")


def _name_of_anchor(scene: Scene) -> Found | None:
    sign = scene.text[scene.since:scene.since + 1]
    return (scene.since, f"a value cannot begin with {sign}, which marks a value that is used again",
            f"{QUOTED}; or a name of ASCII letters and digits after the sign")


def _list_in_line(scene: Scene) -> Found:
    return (scene.at, "a list with dashes begins on a line of its own",
            "a line break before the dash, or [ and ]")


def _block_header(scene: Scene) -> Found:
    sign = scene.text[scene.since:scene.since + 1]
    return scene.since, f"a value cannot begin with {sign}, which opens text on the lines below", QUOTED


def _no_content(scene: Scene) -> Found | None:
    at, char = scene.at, scene.text[scene.at:scene.at + 1]
    opening = scene.open_bracket()
    if opening is not None and (scene.ends(at) or not scene.closed(opening)):
        return _unclosed(scene, opening)
    if char == ",":
        return at, "a value is missing before the comma", "a value, or one comma less"
    if char in ("}", "]") and char:
        return at, f"the {char} closes nothing", "one closing sign for each that opens"
    return None


def _tag(scene: Scene) -> Found:
    return scene.since, "tags are not read", "the value without a tag"


_CASES: tuple[tuple[re.Pattern[str], Callable[[Scene], Found | None]], ...] = tuple(
    (re.compile(words), explain) for words, explain in (
        ("", _directive),
        ("could not find expected ':'", _no_colon),
        ("mapping values are not allowed", _colon_again),
        (r"expected ',' or '[}\]]'", _comma),
        ("cannot start any token", _cannot_begin),
        ("tab character", _tab),
        ("expected key|'-' indicator|expected <block end>", _line_does_not_fit),
        ("expected '?<document start>'?", _after_the_end),
        ("unexpected end of stream|unexpected document", _open_quote),
        ("escape|hexdecimal|hexadecimal", _escape),
        ("tag", _tag),
        ("alphabetic", _name_of_anchor),
        ("sequence entries are not allowed", _list_in_line),
        ("comment or a? ?line break|chomping", _block_header),
        ("node content", _no_content),
    ))
"""What the parser says (in either of its two builds), in the order in which it is looked for."""
