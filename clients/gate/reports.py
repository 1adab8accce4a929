"""A run of the gate in the formats that other programs and merge requests read."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from clients.gate.run import Outcome
from clients.gate.verdict import Bar, Judged, is_waived
from clients.reports import Entry, junit, markdown, rule_facts, sarif_text

AskLesson = Callable[[str], Mapping[str, Any]]


def written(outcome: Outcome, style: str, ask: AskLesson, paint: Callable[[str, str], str],
            everything: bool = False) -> str:
    """The run in one format, with a final line break.

    With ``everything`` a SARIF log has the rules that are satisfied or do not apply as well.
    ``ask`` gives what a rule teaches, for the rules of a SARIF log; ``paint`` colours the text.
    """
    if style == "text":
        from clients.render_gate import gate_text

        return gate_text(outcome, paint)
    if style == "json":
        return json.dumps(outcome.as_dict(), indent=2, allow_nan=False) + "\n"
    made = [entry(item, outcome.bar, outcome.terms.remedies) for item in outcome.judged]
    if style == "sarif":
        rules = rule_facts(ask, made, everything)
        return sarif_text(made, rules=rules, run="thumbrule/gate/", everything=everything)
    threshold = outcome.bar.threshold
    if style == "junit":
        return junit(made, threshold=threshold, erosion=outcome.bar.erosion)
    from clients.render_gate import verdict_line

    return markdown(made, threshold=threshold, title="thumbrule gate", verdict=verdict_line(outcome))


def entry(item: Judged, bar: Bar, searched: bool = True) -> Entry:
    """One circuit for a report; what counts there is what counts here."""
    subject, answer = item.subject, item.comparison
    if answer is not None and bar.strict:
        findings = [{**finding, "counts": finding["counts"] or not is_waived(finding)}
                    for finding in answer["findings"]]  # fmt: skip
        answer = {**answer, "findings": findings}
    return Entry(subject.label, subject.head, answer, None, item.problem, searched)
