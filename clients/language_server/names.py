"""How names and texts are spelt in JSON and YAML, with quotes where a reader needs them."""

from __future__ import annotations

import json
import re
from functools import lru_cache

from schemas.values import MAX_LINE

# Bare in every place of YAML, brackets included; anything else is tried, then quoted.
_BARE = re.compile(r"[A-Za-z0-9_.+/-][A-Za-z0-9_.+/%() -]*(?<! )\Z", re.ASCII)
# What readers of YAML 1.1 take for a truth, nothing, a time or a number.
_TAKEN = re.compile(r"(?:y|n|yes|no|on|off|true|false|null|none|~|[-+]?[0-9][0-9_:.]*|[-+]?0[xob][0-9a-f_]+"
                    r"|[-+.]?[0-9.]+(?:e[-+]?[0-9]+)?|[-+]?\.?(?:inf|nan))\Z", re.IGNORECASE)


def quoted_as(text: str, quote: str) -> str:
    """``text`` between quotes of this sort, as both spellings read it."""
    if quote == "'" and text.isprintable():
        return "'" + text.replace("'", "''") + "'"
    return json.dumps(text, ensure_ascii=not text.isprintable())


@lru_cache(maxsize=4096)
def bare(text: str) -> bool:
    """Whether YAML reads the bare text as this text, old readers (``on``, ``1``) included."""
    from schemas.document import parse_text
    from schemas.problems import DocumentProblems

    if len(text) > MAX_LINE or not _BARE.match(text) or _TAKEN.match(text):
        return False
    for around in (f"{{k: {text}}}", f"{text}: k", f"[{text}]"):
        try:
            found, _ = parse_text(around, "yaml")
        except DocumentProblems:
            return False
        if found not in ({"k": text}, {text: "k"}, [text]):
            return False
    return True


def spelt(text: str, spelling: str, quote: str = "") -> str:
    """A name or text as it is written, in the quotes of the old one where there were some."""
    if spelling == "json":
        return quoted_as(text, '"')
    if quote in ("'", '"') and quote:
        return quoted_as(text, quote)
    return text if bare(text) else quoted_as(text, '"')
