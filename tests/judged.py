"""Rules under test: their outcomes, what the engine makes of them, and circuits told differently."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from rules.analysis.study import Study
from rules.conformance.circuits import renamed as under_other_names
from rules.contract import Rule
from schemas.circuit import Circuit, Part, frozen_map
from schemas.document import Document, read
from schemas.finding import Finding, Outcome, Review
from service.engine import Run, review, run
from service.ruleset import of_rules

_OTHER_KIND = {"npn": "pnp", "pnp": "npn"}
_OTHER_END = {
    "plus": "minus",
    "minus": "plus",
    "anode": "cathode",
    "cathode": "anode",
    "from": "to",
    "to": "from",
}
_TURNED = ("battery", "supply", "diode", "led", "zener", "current-source", "capacitor")


def document(text: str) -> Document:
    return read(text.encode(), "yaml")


def outcomes(rule: Rule, circuit: Circuit) -> tuple[Outcome, ...]:
    return tuple(rule.check(Study(circuit)))


def causes(rule: Rule, circuit: Circuit) -> set[str | None]:
    """What a rule names as causes of its findings, whether or not those findings are there."""
    return {outcome.finding.caused_by for outcome in outcomes(rule, circuit) if outcome.finding is not None}


def kinds(rule: Rule, circuit: Circuit) -> set[str]:
    return {outcome.kind for outcome in outcomes(rule, circuit)}


def judged(circuit: Circuit, *rules: Rule) -> Run:
    """One pass of the engine; a rule that raised, or gave something unsound, fails the test here."""
    result = run(circuit, of_rules(rules))
    failed = [outcome.reason for outcome in result.outcomes if outcome.kind == "failed"]
    assert not failed, failed
    return result


def only_finding(circuit: Circuit, *rules: Rule) -> Finding:
    found = judged(circuit, *rules).findings
    assert len(found) == 1, [f"{f.rule}: {f.message}" for f in found]
    return found[0]


def reviewed(text: str, *rules: Rule) -> Review:
    """A review with remedies, of a document as it is written."""
    found = document(text)
    result = review(found.circuit, of_rules(rules), raw=found.raw)
    failed = [outcome.reason for outcome in result.outcomes if outcome.kind == "failed"]
    assert not failed, failed
    return result


def value(finding: Finding, symbol: str) -> float:
    """A number of the evidence."""
    found = [item.value for item in finding.evidence if item.symbol == symbol]
    assert len(found) == 1, (symbol, [item.symbol for item in finding.evidence])
    return found[0]


def mirrored(circuit: Circuit) -> Circuit:
    """The same circuit with every polarity turned: NPN for PNP, every source and diode the other way round.

    A driver has no mirror (its levels are voltages): its levels change sign instead.
    """
    parts: dict[str, Part] = {}
    for name, part in circuit.parts.items():
        kind = _OTHER_KIND.get(part.kind, part.kind)
        pins = dict(part.pins)
        if part.kind in _TURNED:
            pins = {_OTHER_END.get(pin, pin): net for pin, net in pins.items()}
        values = dict(part.values)
        if part.kind == "driver":
            values.update({level: -float(part.number(level) or 0.0) for level in ("low", "high")})
        parts[name] = Part(name, kind, frozen_map(pins), frozen_map(values))
    return replace(circuit, parts=frozen_map(parts))


def renamed(circuit: Circuit) -> tuple[Circuit, Mapping[str, str]]:
    """Every part and net under another name, in the reverse order; also what each part is called now."""
    changed, names = under_other_names(circuit)
    return changed, names.parts
