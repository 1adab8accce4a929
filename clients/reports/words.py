"""How findings, proofs and waivers are put into words in every report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from clients.render_values import finding_value, quantity

Facts = Mapping[str, Any]


def many(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def subject(item: Facts) -> str:
    """``Q1, R1``: the parts and nets of a finding or waiver."""
    return ", ".join(str(name) for key in ("parts", "nets") for name in item.get(key) or ())


def percent(part: float) -> str:
    """``-12 %``; to three figures, all digits before the point."""
    number = 100 * part
    if not number:
        return "0 %"
    return f"{number:.0f} %" if abs(number) >= 999.5 else f"{number:.3g} %"


def fell(item: Facts) -> str:
    """``min-beta-drive: Q1: 5.2 -> 3.4 (limit >= 3), margin fell by 60 %`` for an eroded margin.

    Both limits are told where it is the limit that moved.
    """
    (before, was), (after, limit) = inequality(item["before"]), inequality(item["after"])
    limit = limit if was == limit else f"{was} -> {limit}"
    names = ", ".join(str(name) for name in item.get("subject") or ())
    lead = ": ".join(text for text in (str(item["rule"]), names) if text)
    return f"{lead}: {before} -> {after} (limit {limit}), margin fell by {percent(float(item['fell']))}"


def unjudged_texts(items: Sequence[Facts]) -> list[str]:
    """``true-off: Q1: violated before, not judged any more: ...`` each; those that held, in one line."""
    told, held = [], []
    for item in items:
        names = ", ".join(str(name) for name in item.get("subject") or ())
        if item["was"] == "violated":
            lead = ": ".join(text for text in (str(item["rule"]), names) if text)
            told.append(f"{lead}: violated before, not judged any more: {item['why']}")
        else:
            held.append(f"{item['rule']} ({names})" if names else str(item["rule"]))
    return told + ([f"held before, not judged any more: {', '.join(held)}"] if held else [])


def terms_text(item: Facts) -> str:
    """``requirement delay ring time: target 30 s -> target 60 s``, for what the circuit is judged by."""
    lead = " ".join(str(text) for text in (item["what"], item["name"]) if text)
    before, after = item["before"], item["after"]
    if before is None:
        return f"{lead}: {after} is added"
    return f"{lead}: {before} is taken out" if after is None else f"{lead}: {before} -> {after}"


def inequality(test: Facts) -> tuple[str, str]:
    """``0.6`` and ``>= 3``: the judged number and its limit."""
    unit = str(test.get("unit", ""))
    limit = f"{test.get('relation', '')} {finding_value(test.get('right'), unit)}"
    return finding_value(test.get("left"), unit), limit.strip()


def is_proven(remedy: Facts) -> bool:
    return (remedy.get("proof") or {}).get("proven") is True


def proven(finding: Facts) -> list[Facts]:
    """The proven remedies, in the order of the review: smallest change first."""
    return [remedy for remedy in finding.get("remedies") or () if is_proven(remedy)]


def course(proof: Facts) -> str:
    """The judged number before and after a remedy, and its limit: ``0.6 -> 3.3 (limit 3)``."""
    unit, after = str(proof.get("unit", "")), proof.get("after")
    before, limit = finding_value(proof.get("before"), unit), quantity(proof.get("limit"), unit)
    then = "no longer applies" if after is None else quantity(after, unit)
    return f"{before} -> {then} (limit {limit})"


def described(remedy: Facts) -> str:
    """``lower R1 to 1.8 kohm: 0.6 -> 3.3 (limit 3)``."""
    return f"{remedy.get('summary', '')}: {course(remedy['proof'])}"


def justification(waiver: Facts) -> str:
    """``the lamp is a dummy (Anna, until 2026-11-30)``."""
    until = f"until {waiver['expires']}" if waiver.get("expires") else ""
    about = ", ".join(str(item) for item in (waiver.get("owner"), until) if item)
    return str(waiver.get("reason") or "no reason given") + (f" ({about})" if about else "")
