"""What was found, for other programs and for merge requests: SARIF 2.1.0, JUnit-style XML, Markdown, JSON.

All are pure functions of :class:`Entry` values; they read no clock, no disk
and no environment, and give the same bytes for the same answers::

    entry_of(name, source=None, comparison=None, review=None, problem=None, searched=True) -> Entry
        # name: as on the command line; made relative, with forward slashes
    rule_facts(ask, entries, everything=False) -> list[Json]
        # ask: slug -> answer of `lesson`; may raise, then that rule is told by its name only
    sarif(entries, *, rules=(), run="thumbrule/review/", everything=False) -> Json
    sarif_text(entries, ...) -> str                 # the same as text, with a final line break
    junit(entries, *, threshold="warning", erosion=False) -> str
    markdown(entries, *, threshold="warning", rows=20, title="thumbrule", verdict=None) -> str
    written(style, entries, *, ask, threshold, everything=False, run="thumbrule/review/") -> str
        # style: sarif, junit or markdown
    comparisons(entries) -> Json                    # {"comparisons": [{"file", "comparison" | "problem"}]}

An entry has a ``comparison`` (as ``facade.compare`` gives it), or a ``review``,
or a ``problem`` (problem details: the circuit could not be checked).
"""

from __future__ import annotations

from clients.reports.entry import Entry, comparisons, entry_of
from clients.reports.junit_xml import junit
from clients.reports.markdown_summary import markdown
from clients.reports.sarif_log import rule_facts, sarif, sarif_text
from clients.reports.styles import STYLES, written

__all__ = ["STYLES", "Entry", "comparisons", "entry_of", "junit", "markdown", "rule_facts", "sarif",
           "sarif_text", "written"]
