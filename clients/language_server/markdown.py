"""Small pieces of Markdown, safe against whatever stands in a document."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

_SPECIAL = re.compile(r"([\\`*_{}\[\]<>#|~])")


def plain(text: object) -> str:
    """Text that Markdown shows as it is, in one line."""
    return _SPECIAL.sub(r"\\\1", " ".join(str(text).split()))


def code(text: object) -> str:
    """Text as code, in one line."""
    line = " ".join(str(text).split())
    fence = "`" * (max((len(run) for run in re.findall(r"`+", line)), default=0) + 1)
    space = " " if line.startswith("`") or line.endswith("`") else ""
    return f"{fence}{space}{line}{space}{fence}" if line else ""


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> list[str]:
    """A table; cells are Markdown already.  Empty columns are left out, no rows give no lines."""
    every = [list(row) for row in rows]
    if not every:
        return []
    kept = [at for at in range(len(head)) if any(row[at] for row in every)]
    lines = ["| " + " | ".join(head[at] for at in kept) + " |", "|" + "---|" * len(kept)]
    lines += ["| " + " | ".join(row[at] for at in kept) + " |" for row in every]
    return lines


def blocks(*parts: Sequence[str]) -> str:
    """Blocks of lines with an empty line between them; empty blocks are left out."""
    return "\n\n".join("\n".join(part) for part in parts if part)
