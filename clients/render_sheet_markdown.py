"""Sheets of hand working as Markdown: one numbered list a state, formulas as code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from clients.page import escaped as as_it_is
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


def sheet_markdown(answer: Json, *, title: str | None = None) -> str:
    """The whole answer as one document that ends with a line break."""
    name = str(answer.get("circuit", "")) + (f": {title}" if title else "")
    found = [f"# {escaped(name)}", f"Worked by hand at beta {answer.get('beta', 'typical')}."]
    found += [f"- {escaped(str(reason))}" for reason in answer.get("problems") or ()]
    for sheet in answer.get("sheets") or ():
        found += _sheet(sheet)
    return "\n\n".join(found) + "\n"


def escaped(text: str) -> str:
    """Text that Markdown leaves as it is, also where it strikes out what stands between tildes."""
    return as_it_is(text).replace("~", "\\~")


def _code(text: str) -> str:
    fence = "``" if "`" in text else "`"
    inner = " ".join(text.split())
    return f"{fence} {inner} {fence}" if fence == "``" else f"`{inner}`"


def _sheet(sheet: Json) -> list[str]:
    found = [f"## {escaped(heading(sheet))}"]
    found.append("Assume: " + escaped("; ".join(str(item) for item in sheet.get("assume") or ())) + ".")
    found.append("\n".join(_step(line) for line in lines(sheet.get("steps") or ())))
    shown, met = split_checks(sheet)
    items = [f"- {escaped(says)}: **{escaped(result)}**" for says, result in map(check_words, shown)]
    if met:
        items.append(f"- what was not needed above comes out too: {escaped(', '.join(met))}")
    if items:
        found += ["### Checks", "\n".join(items)]
    rows = sheet.get("rough_vs_exact") or ()
    if rows:
        body = [
            f"| {_code(str(row['id']))} | {figure(row.get('rough'), row['unit'])}"
            f" | {figure(row.get('exact'), row['unit'])} | {percent(row.get('difference'))} |"
            for row in rows
        ]
        found += ["### Quick working carried through",
                  "\n".join(["| | quick | exact | off by |", "|---|---:|---:|---:|", *body])]
    undefined = sheet.get("undefined") or ()
    if undefined:
        found.append("Undefined: " + escaped(", ".join(str(item) for item in undefined)))
    return found + _next(sheet)


def _step(line: Line) -> str:
    step, pad = line.step, " " * (len(str(line.number)) + 2)
    found = [f"{line.number}. *{escaped(kind_of(step))}*: {escaped(str(step.get('says')))}  "]
    found += [f"{pad}- {_code(str(item.get('text')))}" for item in step.get("together") or ()]
    for helper in line.helpers:
        value = figure(helper.get("value"), str(helper.get("unit", "")))
        found.append(f"{pad}- {_code(str(helper['id']) + ' = ' + str(helper['formula']) + ' = ' + value)}")
    if len(found) > 1:
        found.append("")
    found.append(f"{pad}{_formula(step)}")
    found += [f"{pad}- {escaped(text)}" for text in rough_words(step)]
    return "\n".join(found)


def _formula(step: Json) -> str:
    *pieces, value = working(step)
    return f"{_code(' = '.join([str(step.get('id')), *pieces]))} = **{escaped(value)}**"


def _next(sheet: Json) -> list[str]:
    event = sheet.get("next")
    if not isinstance(event, Mapping):
        return []
    items = []
    for item in event.get("givens") or ():
        value = figure(item.get("value"), str(item["unit"]))
        items.append(f"- {_code(str(item['id']))} = {value}, {escaped(str(item['meaning']))}")
    items += [f"- {_formula(step)}: {escaped(str(step.get('says')))}" for step in event.get("steps") or ()]
    return ["### Then", escaped(str(event.get("says"))) + ".", "\n".join(items)]
