"""The reports by the name that ``--format`` has for them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from clients.reports.entry import Entry
from clients.reports.junit_xml import junit
from clients.reports.markdown_summary import markdown
from clients.reports.sarif_log import rule_facts, sarif_text

STYLES = ("sarif", "junit", "markdown")


def written(style: str, entries: Sequence[Entry], *, ask: Callable[[str], Mapping[str, Any]], threshold: str,
            everything: bool = False, run: str = "thumbrule/review/") -> str:
    """The report of that style as text.

    ``ask`` gives the answer of ``lesson`` for a slug; only SARIF asks.
    ``everything`` and ``run`` are for SARIF, ``threshold`` for the others.
    Raises ``ValueError`` for an unknown style.
    """
    if style == "sarif":
        rules = rule_facts(ask, entries, everything)
        return sarif_text(entries, rules=rules, run=run, everything=everything)
    if style == "junit":
        return junit(entries, threshold=threshold)
    if style == "markdown":
        return markdown(entries, threshold=threshold)
    raise ValueError(f"{style!r} is no style of report; there are {', '.join(STYLES)}")
