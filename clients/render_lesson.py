"""One rule as a page at three depths: the line, the card, the whole lesson; as text or Markdown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from clients.layout import table, wrap
from clients.page import Block, Code, Heading, Items, Paragraph, Steps, Style, Table, write
from clients.render_finding import Depth, situation
from clients.render_values import finding_value, nowhere, quantity, short_place, valued

_PREMISE = {"limit": "limit: ", "approximation": "approximation: "}
_VERDICTS = {
    "satisfied": "holds", "not-applicable": "does not apply", "undecided": "cannot be decided",
    "failed": "could not be run",
}


def rules_text(rules: Sequence[Mapping[str, Any]], style: Style = "text") -> str:
    """The catalogue: one row per rule."""
    rows = [[str(item.get("slug", "")), str(item.get("title", ""))] for item in rules]
    if style == "text":
        return "\n".join(table(rows)) + "\n" if rows else "no rules are installed\n"
    return write("Rules", [Table(("rule", "title"), tuple((slug, title) for slug, title in rows))], style)


def lesson_text(lesson: Mapping[str, Any], depth: Depth = "lesson", style: Style = "text") -> str:
    """One rule, and what it says of the circuit of the reader, as far as the data goes."""
    title = f"{lesson.get('slug', '')}: {lesson.get('title', '')}"
    if depth == "line":
        return _line(lesson, style)
    blocks = _thumb(lesson, depth)
    if depth == "lesson":
        blocks += _why(lesson) + _section("where it breaks", (lesson.get("lesson") or {}).get("breaks"))
    blocks += _limits(lesson)
    if depth == "lesson":
        blocks += _circuits(lesson)
    blocks += _worked(lesson.get("worked"), depth)
    if depth == "lesson":
        blocks += [*_section("how to mend", (lesson.get("lesson") or {}).get("mend")), *_sources(lesson)]
    return write(title, blocks, style)


def _section(word: str, *texts: Any) -> list[Block]:
    told = [str(text) for text in texts if text]
    return [Heading(word), *(Paragraph(text) for text in told)] if told else []


def _line(lesson: Mapping[str, Any], style: Style) -> str:
    grounds = lesson.get("grounds") or {}
    rule = lesson.get("rule_of_thumb") or grounds.get("rule_of_thumb") or lesson.get("title", "")
    texts = [f"{lesson.get('slug', '')}: {rule}"]
    worked = lesson.get("worked")
    if worked:
        texts += [f"{worked.get('circuit', '')}: {_heading(item)}: {_judged(item) or item.get('reason', '')}"
                  .rstrip(": ") for item in worked.get("verdicts") or ()]
    if style == "text":
        return "\n".join(line for text in texts for line in wrap(text, rest="  ")) + "\n"
    return write(texts[0], [Items(tuple(texts[1:]))] if texts[1:] else [], style)


def _thumb(lesson: Mapping[str, Any], depth: Depth) -> list[Block]:
    grounds = lesson.get("grounds") or {}
    made = _section("protects", lesson.get("protects"))
    made += _section("rule of thumb", grounds.get("rule_of_thumb") or lesson.get("rule_of_thumb"))
    if grounds.get("formula"):
        made.append(Code("\n".join(piece.strip() for piece in str(grounds["formula"]).split(";")), 2))
    symbols = grounds.get("symbols") or {}
    if symbols:
        made.append(_rows(("symbol", "what it is"), [(name, str(text)) for name, text in symbols.items()]))
    made += _section("holds", grounds.get("holds")) + _section("does not hold", grounds.get("fails"))
    return made + (_section("source", grounds.get("source")) if depth == "card" else [])


def _rows(head: tuple[str, ...], rows: Sequence[tuple[str, ...]], *numbers: int) -> Table:
    return Table(head, tuple(rows), frozenset(numbers))


def _why(lesson: Mapping[str, Any]) -> list[Block]:
    made = _section("why it holds", (lesson.get("lesson") or {}).get("why"))
    derivation = lesson.get("derivation")
    if not derivation:
        return made
    steps, problems = derivation.get("steps") or (), derivation.get("problems") or ()
    if steps:
        proven = derivation.get("proven")
        word = "" if proven is None else ", each step proven here" if proven else ", NOT proven"
        made.append(Heading(f"step by step, with the numbers of an example{word}"))
        made.append(Steps(tuple(_step(item) for item in steps)))
        if any("diff(" in f"{item.get('left')} {item.get('right')}" for item in steps):
            made.append(Paragraph("diff(f, x) is the slope of f with x, log the natural logarithm."))
        made.append(Heading("symbols of these steps, and the values of the example"))
        made.append(_rows(("symbol", "value", "what it is"), [
            (str(item.get("name", "")), valued(item), str(item.get("meaning", "")))
            for item in derivation.get("symbols") or ()], 1))
    ends = [(f"{item.get('function', '')} works out step {item.get('step', 0) + 1}",
             str(item.get("how") or "")) for item in derivation.get("plain") or ()]
    if ends:
        made += [Heading("in the program"), Items(tuple(ends))]
    if problems:
        made += [Heading("not in order"), Items(tuple(str(item) for item in problems))]
    return made


def _step(item: Mapping[str, Any]) -> tuple[str, tuple[str, ...]]:
    """What a step says, then its formula, the formula with numbers, and how it is known."""
    relation, unit = str(item.get("relation", "=")), str(item.get("unit", ""))
    left, right = (quantity(item.get(side), unit) for side in ("left_value", "right_value"))
    start = f"{item.get('left', '')} {relation}"
    put = str(item.get("numbers") or "")
    numbers = " = ".join(dict.fromkeys(text for text in (put, right) if text))
    if relation == "=" and item.get("holds", True):
        numbers = f"{start} {numbers}"
    elif relation == "=":
        numbers = f"{numbers}, about {left}"
    else:
        missed = "" if item.get("holds", True) else ", not in this example"
        numbers = f"{left} {relation} {numbers}{missed}"
    return str(item.get("says", "")), (f"{start} {item.get('right', '')}", numbers, _because(item))


def _because(item: Mapping[str, Any]) -> str:
    """``[from 1 and 2, without I]`` or ``[Ohm's law]``."""
    if item.get("why") != "derived":
        return f"[{_PREMISE.get(str(item.get('why')), '')}{item.get('source', '')}]"
    uses = [str(int(place) + 1) for place in item.get("uses") or ()]
    text = f"from {', '.join(uses)}" if uses else "by algebra"
    without = item.get("without") or ()
    text += f", without {', '.join(without)}" if without else ""
    how = str(item.get("how") or "")
    return f"[{text}{'; ' + how.partition('; ')[2] if '; ' in how else ''}]"


def _limits(lesson: Mapping[str, Any]) -> list[Block]:
    listed = lesson.get("limits") or ()
    if not listed:
        return []
    rows = [(str(item.get("name", "")), valued(item), str(item.get("meaning", "")),
             str(item.get("source", ""))) for item in listed]
    return [Heading("limits"), _rows(("limit", "value", "what it is", "source"), rows, 1)]


def _circuits(lesson: Mapping[str, Any]) -> list[Block]:
    body = lesson.get("lesson") or {}
    made: list[Block] = []
    for word, key in (("the smallest circuit that fails", "failing"), ("and the one that passes", "passing")):
        text = body.get(key)
        if text:
            made += [Heading(word), Code(str(text))]
    dial = body.get("dial")
    if dial:
        turned = f"{dial.get('pointer', '')} from {dial.get('good', '')} to {dial.get('bad', '')}"
        text = f"In the one that passes turn {turned}: on the way the rule begins to fire."
        made += _section("to see it change", text)
    elif body.get("undialled"):
        made += _section("to see it change", f"No single value leads there: {body['undialled']}.")
    return made


def _worked(worked: Mapping[str, Any] | None, depth: Depth) -> list[Block]:
    if not worked:
        return []
    made: list[Block] = [Heading(f"on your circuit {worked.get('circuit', '')}")]
    for item in worked.get("verdicts") or ():
        made.append(Paragraph(_heading(item) + (f": {item['message']}" if item.get("message") else "")
                              + (f": {item['reason']}" if item.get("reason") else "")))
        judged = _judged(item)
        if judged:
            made.append(Code(judged, 2))
        if depth == "lesson":
            made += _behind(item)
    problems = worked.get("problems") or ()
    return [*made, Items(tuple(str(item) for item in problems))] if problems else made


def _behind(item: Mapping[str, Any]) -> list[Block]:
    made: list[Block] = []
    evidence = item.get("evidence") or ()
    if evidence:
        made.append(_rows(("symbol", "value", "what it is"), [
            (str(one.get("symbol", "")), finding_value(one.get("value"), str(one.get("unit", ""))),
             _told(one)) for one in evidence], 1))
    formulas = item.get("put_in") or ()
    shown = [one for one in formulas if one.get("agrees") is not False or one.get("relation") != "="]
    if shown:
        made.append(Paragraph("With these numbers in the formulas:"))
        made.append(Code("\n".join(_put_in(one) for one in shown), 2))
    if len(shown) < len(formulas):
        made.append(Paragraph("What the derivation neglects counts here: a formula of it that gives another"
                              " number than the rule is left out."))
    advice = item.get("advice") or ()
    return [*made, Items(tuple(str(text) for text in advice))] if advice else made


def _told(item: Mapping[str, Any]) -> str:
    grounds = (short_place(item.get("pointer"), nowhere), str(item.get("source") or ""))
    where = "; ".join(part for part in grounds if part)
    return f"{item.get('meaning', '')} ({where})" if where else str(item.get("meaning", ""))


def _put_in(item: Mapping[str, Any]) -> str:
    relation, unit = str(item.get("relation", "=")), str(item.get("unit", ""))
    left, right = item.get("left"), quantity(item.get("right"), unit)
    numbers = str(item.get("numbers", ""))
    text = f"{item.get('formula', '')}\n  "
    put = numbers if numbers == right else f"{numbers} = {right}"
    if relation == "=":
        return text + put
    end = "" if item.get("agrees") else ", which is not so"
    return f"{text}{quantity(left, unit)} {relation} {put}{end}"


def _heading(item: Mapping[str, Any]) -> str:
    kind = str(item.get("kind", ""))
    verdict = str(item.get("severity") or "finding") if kind == "violated" else _VERDICTS.get(kind, kind)
    subject = ", ".join(str(part) for part in item.get("subject") or ())
    where = situation(item)
    return (f"{subject}: " if subject else "") + verdict + (f" ({where})" if where else "")


def _judged(item: Mapping[str, Any]) -> str:
    test = item.get("test")
    if not test:
        return ""
    unit = str(test.get("unit", ""))
    left, right = finding_value(test.get("left"), unit), finding_value(test.get("right"), unit)
    met = "is not met" if item.get("kind") == "violated" else "is met"
    return f"{left} {test.get('relation', '')} {right} {met}"


def _sources(lesson: Mapping[str, Any]) -> list[Block]:
    found = [str((lesson.get("grounds") or {}).get("source") or "")]
    steps, limits = (lesson.get("derivation") or {}).get("steps") or (), lesson.get("limits") or ()
    found += [str(item.get("source") or "") for item in (*steps, *limits)]
    listed = tuple(dict.fromkeys(text for text in found if text))
    return [Heading("sources"), Items(listed)] if listed else []
