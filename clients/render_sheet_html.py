"""Sheets of hand working as one HTML page that stands alone and prints well; formulas are MathML."""

from __future__ import annotations

import html
from collections.abc import Mapping
from typing import Any

from clients import mathml
from clients.page import framed
from clients.sheet_parts import (
    Line,
    check_words,
    figure,
    heading,
    kind_of,
    lines,
    percent,
    split_checks,
    stiffness,
)

Json = Mapping[str, Any]
Values = Mapping[str, str]  # numbers as text, by the id of the symbol

CSS = """\
body { font: 11pt/1.45 Georgia, serif; color: #111; max-width: 52em; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; } h2 { font-size: 1.2em; margin-top: 2em; border-bottom: 2px solid #444; }
h3 { font-size: 1em; margin: 1.3em 0 0.3em; }
ol { padding-left: 2.4em; } ol > li { margin: 0.55em 0; }
.kind { font-variant: small-caps; color: #555; }
.line { margin: 0.15em 0 0.15em 1em; overflow-wrap: anywhere; }
.value { font-weight: bold; white-space: nowrap; }
.rough { margin: 0.1em 0 0.1em 1em; padding-left: 0.6em; border-left: 3px solid #999; font-size: 0.93em; }
.rough p { margin: 0; }
.block { margin: 0.2em 0 0.2em 1em; padding: 0.2em 0.8em; background: #f3f3f0; font-size: 0.93em; }
.block { columns: 2; column-gap: 2em; }
.block div { padding: 0.22em 0; break-inside: avoid; }
math { font-size: 1.02em; }
table { border-collapse: collapse; font-size: 0.95em; }
td, th { border-bottom: 1px solid #bbb; padding: 0.2em 0.8em; text-align: left; }
td.number { text-align: right; white-space: nowrap; }
.no { font-weight: bold; }
@media print {
  body { margin: 0; max-width: none; font-size: 9.5pt; }
  h2 { break-before: page; } h2.first { break-before: auto; }
  h2, h3 { break-after: avoid; }
  li, tr, .rough { break-inside: avoid; }
  .block { background: none; border: 1px solid #bbb; }
  @page { margin: 15mm; }
}
"""


def sheet_html(answer: Json, *, title: str | None = None) -> str:
    """The whole page, ending with a line break."""
    name = str(answer.get("circuit", "")) + (f": {title}" if title else "")
    corner = _text(str(answer.get("beta", "typical")))
    body = [f"<h1>{_text(name)}</h1>", f"<p>Worked by hand at \u03b2 {corner}.</p>"]
    body += [f"<p>{_text(str(reason))}</p>" for reason in answer.get("problems") or ()]
    for place, sheet in enumerate(answer.get("sheets") or ()):
        body += _sheet(sheet, first=place == 0)
    return framed(name, CSS, "\n".join(body))


def _text(text: str) -> str:
    return html.escape(text)


def _sheet(sheet: Json, *, first: bool) -> list[str]:
    values = {str(item["id"]): figure(item.get("value"), str(item["unit"]))
              for item in (*(sheet.get("givens") or ()), *(sheet.get("steps") or ()))}
    mark = ' class="first"' if first else ""
    found = [f"<h2{mark}>{_text(heading(sheet))}</h2>"]
    found.append(f"<p>Assume: {_text('; '.join(str(item) for item in sheet.get('assume') or ()))}.</p>")
    found += ["<ol>", *(_step(line, values) for line in lines(sheet.get("steps") or ())), "</ol>"]
    shown, met = split_checks(sheet)
    if sheet.get("checks"):
        found += ["<h3>Checks</h3>", "<ul>"]
        for says, result in map(check_words, shown):
            mark = ' class="no"' if result.endswith("NO") else ""
            found.append(f"<li>{_text(says)}: <span{mark}>{_text(mathml.units(result))}</span></li>")
        if met:
            found.append(f"<li>what was not needed above comes out too: {_text(', '.join(met))}</li>")
        found.append("</ul>")
    found += _compared(sheet)
    undefined = [str(item) for item in sheet.get("undefined") or ()]
    if undefined:
        found.append(f"<p>Undefined: {_text(', '.join(undefined))}</p>")
    return found + _next(sheet, values)


def _step(line: Line, values: Values) -> str:
    step = line.step
    found = [f'<li><span class="kind">{_text(kind_of(step))}</span> {_text(str(step.get("says")))}']
    together = list(step.get("together") or ())
    if together or line.helpers:
        found.append('<div class="block">')
        for item in together:
            left, right = (mathml.formula(item[side], mathml.symbol_of) for side in ("left", "right"))
            found.append(f"<div>{mathml.math(left + '<mo>=</mo>' + right)}</div>")
        found += [f"<div>{_line(helper, values, numbers=False)}</div>" for helper in line.helpers]
        found.append("</div>")
    found.append(f'<div class="line">{_line(step, values)}</div>')
    told = "".join(f"<p>{text}</p>" for text in _rough(step))
    if told:
        found.append(f'<div class="rough">{told}</div>')
    return "\n".join(found) + "</li>"


def _rough(step: Json) -> list[str]:
    """The rule-of-thumb twin: what is neglected, its value, how stiff the divider is, the tap's shift."""
    rough = step.get("approximate")
    if not isinstance(rough, Mapping):
        return []
    mark = step.get("symbol") or {}
    sign = mathml.symbol(str(mark.get("base")), str(mark.get("of"))) + "<mo>\u2248</mo>"
    value = mathml.units(figure(rough.get("value"), str(step.get("unit", ""))))
    formula = mathml.math(sign + mathml.formula(rough["tree"], mathml.symbol_of))
    found = [f"quick, without {_text(str(rough.get('neglects')))}: {formula} = {_text(value)},"
             f" {_text(percent(rough.get('difference')))}"]
    if isinstance(rough.get("ratio"), Mapping):
        found.append(_text(stiffness(rough["ratio"].get("value"))))
    shift = rough.get("shift")
    if isinstance(shift, Mapping):
        volts = mathml.units(figure(shift.get("value"), "V"))
        made = mathml.math(mathml.formula(shift["tree"], mathml.symbol_of))
        found.append(f"the base current shifts the tap by {made} = {_text(volts)}")
    return found


def _line(step: Json, values: Values, *, numbers: bool = True) -> str:
    """Symbol = formula = numbers, then the value."""
    mark = step.get("symbol") or {}
    tree: Json = step["tree"]
    value = figure(step.get("value"), str(step.get("unit", "")))
    content = mathml.symbol(str(mark.get("base")), str(mark.get("of"))) + "<mo>=</mo>"
    content += mathml.formula(tree, mathml.symbol_of)
    if numbers and tree.get("op") not in ("symbol", "number") and tree.get("of"):
        content += "<mo>=</mo>"
        content += mathml.formula(tree, lambda leaf: mathml.number(values.get(str(leaf["id"]), "")))
    return f'{mathml.math(content)} = <span class="value">{_text(mathml.units(value))}</span>'


def _compared(sheet: Json) -> list[str]:
    rows = sheet.get("rough_vs_exact") or ()
    if not rows:
        return []
    found = ["<h3>Quick working carried through</h3>", "<table>",
             "<thead><tr><th></th><th>quick</th><th>exact</th><th>off by</th></tr></thead>", "<tbody>"]
    for row in rows:
        mark = mathml.symbol(str(row["symbol"]["base"]), str(row["symbol"]["of"]))
        cells = [figure(row.get("rough"), row["unit"]), figure(row.get("exact"), row["unit"]),
                 percent(row.get("difference"))]
        numbers = "".join(f'<td class="number">{_text(mathml.units(cell))}</td>' for cell in cells)
        found.append(f"<tr><td>{mathml.math(mark)}</td>{numbers}</tr>")
    return [*found, "</tbody>", "</table>"]


def _next(sheet: Json, values: Values) -> list[str]:
    event = sheet.get("next")
    if not isinstance(event, Mapping):
        return []
    givens, steps = list(event.get("givens") or ()), list(event.get("steps") or ())
    more = dict(values)
    more |= {str(item["id"]): figure(item.get("value"), str(item["unit"])) for item in (*givens, *steps)}
    found = ["<h3>Then</h3>", f"<p>{_text(str(event.get('says')))}.</p>", "<ul>"]
    for item in givens:
        mark = mathml.symbol(str(item["symbol"]["base"]), str(item["symbol"]["of"]))
        value = mathml.units(figure(item.get("value"), str(item["unit"])))
        found.append(f"<li>{mathml.math(mark)} = {_text(value)}, {_text(str(item['meaning']))}</li>")
    found += [f"<li>{_text(str(step.get('says')))}: {_line(step, more)}</li>" for step in steps]
    return [*found, "</ul>"]
