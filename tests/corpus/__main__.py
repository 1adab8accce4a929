"""``python3 .ci/dev corpus [NAME...]``: precision and recall of every rule over the golden corpus."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import Any

from service import facade
from service.ruleset import installed
from tests.corpus import Case, Score, cases, score


def judge(case: Case) -> tuple[Score, Mapping[str, Any]]:
    """A review of the circuit without remedies, and how it compares."""
    document = facade.read(case.path.read_bytes(), "yaml", case.path.name)
    review = facade.review(document, remedies=False)
    return score(case, list(review["findings"])), review


def ratio(part: int, whole: int) -> str:
    return f"{part / whole:.2f}" if whole else "-"


def main(names: Sequence[str]) -> int:
    chosen = [case for case in cases() if not names or case.name in names]
    if names and len(chosen) < len(set(names)):
        known = {case.name for case in chosen}
        sys.exit(f"no such circuit: {', '.join(sorted(set(names) - known))}")
    hits: Counter[str] = Counter()
    missed: Counter[str] = Counter()
    alarms: Counter[str] = Counter()
    silences: Counter[str] = Counter()
    troubles = []
    for case in chosen:
        found, review = judge(case)
        hits.update(expected.rule for expected, _ in found.met)
        missed.update(expected.rule for expected in found.missed)
        alarms.update(str(finding["rule"]) for finding in found.false_alarms)
        silences.update(case.silent.keys())
        for expected in found.missed:
            where = ", ".join(expected.parts)
            troubles.append(f"{case.name}: missed {expected.severity} {expected.rule} {where}")
        for finding in found.false_alarms:
            where = ", ".join((*finding["parts"], *finding["nets"]))
            text = f"{case.name}: false alarm {finding['severity']} {finding['rule']} {where}"
            troubles.append(f"{text}: {finding['message']}" if names else text)
        failed = [item for item in review["outcomes"] if item["kind"] == "failed"]
        troubles.extend(f"{case.name}: failed {item['rule']}: {item['reason']}" for item in failed)
    head = f"{'found':>6} {'missed':>7} {'false':>6} {'silences':>9} {'precision':>10} {'recall':>7}"
    print(f"{'rule':28} {head}")
    rules = {entry.slug for entry in installed().rules} | set(hits) | set(missed) | set(alarms)
    for rule in [*sorted(rules), "all"]:
        counts = [hits, missed, alarms, silences]
        tp, fn, fp, quiet = (c.total() if rule == "all" else c[rule] for c in counts)
        print(f"{rule:28} {tp:6} {fn:7} {fp:6} {quiet:9} {ratio(tp, tp + fp):>10} {ratio(tp, tp + fn):>7}")
    clean = sum(case.is_clean for case in chosen)
    print(f"\n{len(chosen)} circuits, {clean} of them clean")
    for line in troubles:
        print(line)
    return 1 if troubles else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
