"""A small page (headings, paragraphs, lists, tables) written as text, Markdown or one HTML file."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from clients.layout import Align, clean, table, wrap

Style = Literal["text", "markdown", "html"]

CSS = """\
body { font: 11pt/1.4 Georgia, serif; color: #111; max-width: 60em; margin: 2em auto; padding: 0 1em; }
h1 { font-size: 1.5em; } h2 { font-size: 1.2em; margin-top: 1.6em; } h3 { font-size: 1em; margin-top: 1.2em; }
table { border-collapse: collapse; width: 100%; font-size: 0.92em; }
th, td { border-bottom: 1px solid #bbb; padding: 0.25em 0.6em; text-align: left; vertical-align: top; }
th { border-bottom: 2px solid #444; }
td.number, th.number { text-align: right; white-space: nowrap; }
td.blank { min-width: 5em; border-bottom: 1px solid #444; }
ul, ol { padding-left: 1.4em; }
@media print {
  body { margin: 0; max-width: none; font-size: 9.5pt; }
  h2, h3 { break-after: avoid; }
  table, tr, li { break-inside: avoid; }
  @page { margin: 15mm; }
}
"""


@dataclass(frozen=True, slots=True)
class Heading:
    text: str
    level: int = 2


@dataclass(frozen=True, slots=True)
class Paragraph:
    text: str


@dataclass(frozen=True, slots=True)
class Items:
    """A list; ``ordered`` numbers it.  An item of two texts is a lead and what follows it."""

    items: tuple[str | tuple[str, str], ...]
    ordered: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under a head; ``numbers`` are columns set to the right, ``blank`` is one to write into by hand."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = field(default_factory=frozenset)
    blank: int | None = None


@dataclass(frozen=True, slots=True)
class Code:
    """Lines whose layout counts, as a circuit document has it; ``inset`` sets them further in as text."""

    text: str
    inset: int = 0


@dataclass(frozen=True, slots=True)
class Steps:
    """A numbered list of sentences, each with lines (a formula, its numbers) under it."""

    steps: tuple[tuple[str, tuple[str, ...]], ...]


Block = Heading | Paragraph | Items | Table | Code | Steps


def write(title: str, blocks: Iterable[Block], style: Style) -> str:
    """The whole page, ending with a line break."""
    made = [Heading(title, 1), *blocks]
    if style == "text":
        return "\n".join(line for block in made for line in _text(block)).strip("\n") + "\n"
    if style == "markdown":
        return "\n\n".join(_markdown(block) for block in made) + "\n"
    return framed(title, CSS, "\n".join(_html(block) for block in made))


def framed(title: str, css: str, body: str) -> str:
    """One HTML file around a body that is HTML already."""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{html.escape(title)}</title>\n<style>\n{css}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _text(block: Block) -> list[str]:
    if isinstance(block, Heading):
        return ["", *wrap(block.text, rest="  ")]
    if isinstance(block, Paragraph):
        return wrap(block.text, first="  ")
    if isinstance(block, Items):
        lines = []
        for at, item in enumerate(block.items, 1):
            first = f"  {at}. " if block.ordered else "  - "
            lead, follow = (item, "") if isinstance(item, str) else item
            lines += wrap(lead, first=first, rest=" " * len(first))
            lines += wrap(follow, first=" " * len(first)) if follow else []
        return lines
    if isinstance(block, Code):
        lines = []
        for row in block.text.strip("\n").split("\n"):
            indent = " " * (2 + block.inset + len(row) - len(row.lstrip(" ")))
            lines += wrap(row, first=indent, rest=indent + "    ")
        return lines
    if isinstance(block, Steps):
        width = len(str(len(block.steps)))
        lines = []
        for at, (says, under) in enumerate(block.steps, 1):
            first = f"  {at:{width}}. "
            lines += wrap(says, first=first, rest=" " * len(first))
            for row in under:
                lines += wrap(row, first=" " * len(first), rest=" " * (len(first) + 4))
        return lines
    align: list[Align] = [">" if at in block.numbers else "<" for at in range(len(block.head))]
    kept = [at for at in range(len(block.head)) if at != block.blank]
    rows = [[row[at] for at in kept] for row in block.rows]
    return table(rows, head=[block.head[at] for at in kept], align=[align[at] for at in kept], indent="  ")


def _markdown(block: Block) -> str:
    if isinstance(block, Heading):
        return f"{'#' * block.level} {escaped(block.text)}"
    if isinstance(block, Paragraph):
        return escaped(block.text)
    if isinstance(block, Items):
        lines = []
        for at, item in enumerate(block.items, 1):
            first = f"{at}. " if block.ordered else "- "
            lead, follow = (item, "") if isinstance(item, str) else item
            lines.append(first + escaped(lead) + (f" {escaped(follow)}" if follow else ""))
        return "\n".join(lines)
    if isinstance(block, Code):
        code = "\n".join(clean(row) for row in block.text.strip("\n").split("\n"))
        return f"```\n{code.replace('```', chr(39) * 3)}\n```"
    if isinstance(block, Steps):
        return "\n\n".join(_markdown_step(at, *step) for at, step in enumerate(block.steps, 1))
    marks = ["---:" if at in block.numbers else "---" for at in range(len(block.head))]
    rows: Sequence[Sequence[str]] = [block.head, marks, *block.rows]
    cells = [[cell if at == 1 else escaped(cell) for cell in row] for at, row in enumerate(rows)]
    return "\n".join(f"| {' | '.join(row)} |" for row in cells)


def _markdown_step(at: int, says: str, under: Sequence[str]) -> str:
    rows = [f"{at}. {escaped(says)}", "", "```", *(clean(row) for row in under), "```"]
    return "\n".join([rows[0], *(f"   {row}".rstrip() for row in rows[1:])])


def escaped(text: str) -> str:
    """Text on one line that Markdown leaves as it is."""
    for sign in ("\\", "|", "*", "_", "<", ">", "`", "#", "["):
        text = text.replace(sign, "\\" + sign)
    return " ".join(text.split())


def _html(block: Block) -> str:
    if isinstance(block, Heading):
        return f"<h{block.level}>{html.escape(block.text)}</h{block.level}>"
    if isinstance(block, Paragraph):
        return f"<p>{html.escape(block.text)}</p>"
    if isinstance(block, Items):
        tag = "ol" if block.ordered else "ul"
        lines = []
        for item in block.items:
            lead, follow = (item, "") if isinstance(item, str) else item
            lines.append(f"<li>{html.escape(lead)}{f'<br>{html.escape(follow)}' if follow else ''}</li>")
        return f"<{tag}>\n" + "\n".join(lines) + f"\n</{tag}>"
    if isinstance(block, Steps):
        made = (f"<li>{html.escape(says)}<pre>{html.escape(chr(10).join(under))}</pre></li>"
                for says, under in block.steps)
        return "<ol>\n" + "\n".join(made) + "\n</ol>"
    if isinstance(block, Code):
        return f"<pre>{html.escape(block.text.strip(chr(10)))}</pre>"
    head = "".join(f"<th{_class(at, block)}>{html.escape(name)}</th>" for at, name in enumerate(block.head))
    body = "\n".join(
        f"<tr>{''.join(f'<td{_class(at, block)}>{html.escape(c)}</td>' for at, c in enumerate(row))}</tr>"
        for row in block.rows
    )
    return f"<table>\n<thead><tr>{head}</tr></thead>\n<tbody>\n{body}\n</tbody>\n</table>"


def _class(at: int, block: Table) -> str:
    name = "blank" if at == block.blank else "number" if at in block.numbers else ""
    return f' class="{name}"' if name else ""
