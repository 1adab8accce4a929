"""Sheets of hand working as plain text of at most 80 columns."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from clients.layout import WIDTH, Align, columns, table, wrap
from clients.render import join, plural
from clients.sheet_parts import (
    Line,
    check_words,
    figure,
    heading,
    kind_of,
    lines,
    percent,
    rough_words,
    split_checks,
    working,
)

Json = Mapping[str, Any]
_INDENT, _MORE = " " * 6, " " * 10
_TIE = "\ufffc"


def sheet_text(answer: Json, *, title: str | None = None) -> str:
    """All sheets of an answer, one after the other."""
    found = wrap(f"{answer.get('circuit', '')}" + (f": {title}" if title else ""), rest="  ")
    found += wrap(f"worked by hand at beta {answer.get('beta', 'typical')}", first="  ")
    for reason in answer.get("problems") or ():
        found += wrap(str(reason), first="  - ", rest="    ")
    for sheet in answer.get("sheets") or ():
        found += ["", "", *_sheet(sheet)]
    assumed = answer.get("assumed") or ()
    if assumed:
        found += ["", "", *wrap(f"{plural(len(assumed), 'value')} assumed; `thumbrule review` lists them")]
    return join(found)


def _sheet(sheet: Json) -> list[str]:
    head = heading(sheet)
    found = [*wrap(head), "=" * min(WIDTH, columns(head))]
    assume = "; ".join(str(item) for item in sheet.get("assume") or ())
    found += wrap(f"Assume: {assume}.", rest="  ") if assume else []
    found += [""]
    for line in lines(sheet.get("steps") or ()):
        found += _step(line)
    found += _checks(sheet) + _compared(sheet)
    undefined = [str(item) for item in sheet.get("undefined") or ()]
    if undefined:
        found += ["", *wrap(", ".join(undefined), first="Undefined: ", rest="  ")]
    return found + _next(sheet)


def _step(line: Line) -> list[str]:
    step = line.step
    found = wrap(f"{kind_of(step)}: {step.get('says')}", first=f"{line.number:>4}  ", rest=_INDENT)
    for item in step.get("together") or ():
        found += wrap(str(item.get("text")), first=_MORE, rest=_MORE + "  ")
    for helper in line.helpers:
        value = figure(helper.get("value"), str(helper.get("unit", "")))
        told = f"{helper['id']} = {helper['formula']} = {value}"
        found += _tied(told, _MORE + "- ", _MORE + "    ")
    found += _formula(step)
    for text in rough_words(step):
        found += _tied(text, _INDENT + "~ ", _INDENT + "  ")
    return found


def _formula(step: Json) -> list[str]:
    """Formula, numbers and value on one line where they fit, else one below the other."""
    pieces = working(step)
    lead = f"{step.get('id')} = "
    whole = _INDENT + lead + " = ".join(pieces)
    if columns(whole) <= WIDTH:
        return [whole]
    inner = _INDENT + " " * min(columns(lead) - 2, 12) + "= "
    rest = " " * (len(inner) + 2)
    found = wrap(pieces[0], first=_INDENT + lead, rest=rest)
    for piece in pieces[1:]:
        found += _tied(piece, inner, rest)
    return found


def _tied(text: str, first: str, rest: str) -> list[str]:
    """Wrapped so that a number stays with its unit."""
    held = re.sub(r"(\d) (?=[A-Za-z%])", rf"\1{_TIE}", text)
    return [line.replace(_TIE, " ") for line in wrap(held, first=first, rest=rest)]


def _checks(sheet: Json) -> list[str]:
    shown, met = split_checks(sheet)
    found = ["", "Checks"] if sheet.get("checks") else []
    for says, result in map(check_words, shown):
        found += _tied(f"{says}: {result}", "  - ", "    ")
    if met:
        found += wrap(f"what was not needed above comes out too: {', '.join(met)}", first="  - ", rest="    ")
    return found


def _compared(sheet: Json) -> list[str]:
    rows = [
        [str(item["id"]), figure(item.get("rough"), item["unit"]), figure(item.get("exact"), item["unit"]),
         percent(item.get("difference"))]
        for item in sheet.get("rough_vs_exact") or ()
    ]  # fmt: skip
    if not rows:
        return []
    align: tuple[Align, ...] = ("<", ">", ">", ">")
    lines_ = table(rows, head=["", "quick", "exact", "off by"], align=align, indent="  ")
    return ["", "Quick working carried through", *lines_]


def _next(sheet: Json) -> list[str]:
    event = sheet.get("next")
    if not isinstance(event, Mapping):
        return []
    found = ["", *wrap(f"Then: {event.get('says')}", rest="  ")]
    rows = [[str(item["id"]), figure(item.get("value"), str(item["unit"])), str(item["meaning"])]
            for item in event.get("givens") or ()]
    found += table(rows, indent="  ")
    for step in event.get("steps") or ():
        found += _formula(step)
    return found
