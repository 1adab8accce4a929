"""What a rule teaches as JSON-ready data, at three depths: ``line``, ``card``, ``lesson``.

``line`` is the rule of thumb, ``card`` adds when it holds, ``lesson`` adds why,
step by step with numbers, and the circuits that fail and pass.  With a circuit
of the reader each depth adds what the rule says of that one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from service.shapes import finite, grounds_shape, outcome_shape, quantity_shape, rule_shape, test_shape

if TYPE_CHECKING:
    from rules.derivations.model import Derivation, Step
    from rules.derivations.proof import Proof
    from rules.derivations.worked import NumberedStep
    from schemas.document import Document
    from schemas.finding import Finding, Limit, Quantity
    from service.ruleset import LoadedRule, Ruleset

Json = dict[str, Any]
Numbers = Callable[[Sequence["Quantity"]], list[Json]]
DEPTHS = ("line", "card", "lesson")
AGREE = 0.01  # relative; a hand formula and the number of the rule closer than that are told as the same


def lesson_shape(
    entry: LoadedRule, ruleset: Ruleset, depth: str = "lesson", prove: bool = False,
    document: Document | None = None,
) -> Json:
    """Everything a rule teaches at that depth; ``prove`` proves each step of its derivation anew."""
    shape: Json = {**rule_shape(entry), "depth": depth}
    if depth != "line":
        shape["grounds"] = grounds_shape(entry.rule.grounds)
    if depth == "lesson":
        shape["lesson"] = _texts(entry)
        shape["derivation"] = derivation_shape(entry.rule.lesson.derivation, prove)
    if document is not None:
        shape["worked"] = _worked(entry, ruleset, document)
    return shape


def _texts(entry: LoadedRule) -> Json:
    lesson = entry.rule.lesson
    dial = None
    if lesson.dial is not None:
        dial = {"pointer": lesson.dial.pointer, "good": lesson.dial.good, "bad": lesson.dial.bad}
    return {
        "why": lesson.why,
        "breaks": lesson.breaks,
        "mend": lesson.mend,
        "failing": lesson.failing,
        "passing": lesson.passing,
        "dial": dial,
        "undialled": lesson.undialled,
    }


def derivation_shape(path: str, prove: bool = False) -> Json | None:
    """The steps of a derivation with the numbers of its example; ``None`` where a rule has none.

    ``proven`` is ``None`` unless asked for.  What cannot be read is told under ``problems``.
    """
    if not path:
        return None
    from rules.derivations.proof import load
    from rules.derivations.worked import numbered

    empty: Json = {"name": path, "proven": None, "symbols": [], "steps": [], "plain": [], "problems": []}
    try:
        derivation = load(path)
        values, steps = numbered(derivation)
    except ValueError as error:
        return {**empty, "problems": [str(error)]}
    proof = _proof(path) if prove else None
    units = {item.name: item.unit for item in derivation.symbols}
    return {
        "name": path,
        "proven": None if proof is None else proof.proven,
        "symbols": [
            {"name": item.name, "meaning": item.meaning, "unit": item.unit, "domain": item.domain,
             "value": finite(values[item.name]), "given": item.name in derivation.example}
            for item in derivation.symbols
        ],
        "steps": [
            {**_step(item, None if proof is None else proof.steps[item.place].how),
             "numbers": with_numbers(item.step.right, values, units)}
            for item in steps
        ],
        "plain": [
            {"function": item.function, "step": item.step, "arguments": dict(item.arguments),
             "how": None if proof is None else proof.plain[at].how}
            for at, item in enumerate(derivation.plain)
        ],
        "problems": [] if proof is None else list(proof.problems),
    }  # fmt: skip


@lru_cache(maxsize=256)
def _proof(path: str) -> Proof:
    from rules.derivations.proof import load, prove

    return prove(load(path))


def _step(item: NumberedStep, how: str | None) -> Json:
    step = item.step
    return {
        "place": item.place,
        "says": step.says,
        "left": step.left,
        "relation": step.relation,
        "right": step.right,
        "why": step.why,
        "uses": list(step.uses),
        "without": list(step.without),
        "source": step.source,
        "left_value": finite(item.left),
        "right_value": finite(item.right),
        "unit": item.unit,
        "holds": item.holds,
        "how": how,
    }


def _worked(entry: LoadedRule, ruleset: Ruleset, document: Document) -> Json:
    """What the rule says of one circuit, and its formulas with the numbers behind that put in."""
    from service import engine

    found = engine.review(document.circuit, ruleset.only({entry.slug}), False)
    derivation = _derivation(entry.rule.lesson.derivation)

    def numbers(evidence: Sequence[Quantity]) -> list[Json]:
        if derivation is None:
            return []
        return put_in(derivation, evidence, entry.rule.limits.values(), document.circuit.parts)

    others = (item for item in found.outcomes if item.kind != "violated")
    return {
        "circuit": found.circuit,
        "complete": found.complete,
        "verdicts": [
            *(_violated(item, numbers) for item in found.findings),
            *(_verdict(outcome_shape(item), item.evidence, numbers) for item in others),
        ],
        "problems": list(found.problems),
    }


def _derivation(path: str) -> Derivation | None:
    from rules.derivations.proof import load

    try:
        return load(path) if path else None
    except ValueError:
        return None


def _violated(finding: Finding, numbers: Numbers) -> Json:
    told = {
        "rule": finding.rule,
        "kind": "violated",
        "subject": [*finding.parts, *finding.nets],
        "reason": "",
        "state": finding.state,
        "corner": finding.corner,
        "test": test_shape(finding.test),
        "identity": finding.identity,
    }
    more = {"severity": finding.severity, "message": finding.message, "advice": list(finding.advice)}
    return _verdict(told, finding.evidence, numbers) | more


def _verdict(told: Json, evidence: Sequence[Quantity], numbers: Numbers) -> Json:
    return {
        **told,
        "severity": None,
        "message": "",
        "evidence": [quantity_shape(item) for item in evidence],
        "put_in": numbers(evidence),
        "advice": [],
    }


def put_in(
    derivation: Derivation, evidence: Iterable[Quantity], limits: Iterable[Limit] = (),
    parts: Iterable[str] = (),
) -> list[Json]:
    """The steps of a derivation in which numbers can be put, where the symbols match.

    A number of the evidence, or a limit, belongs to a symbol of the same name
    and the same unit; what follows from those by an exact step is known too.
    ``left`` is what the rule found, where it tells that; ``agrees`` says
    whether the two do.
    """
    from rules.derivations.text import names
    from rules.derivations.worked import worked_out

    found = _matching(derivation, [(item.symbol, item.value, item.unit) for item in evidence], parts)
    if not found:
        return []
    limit = _matching(derivation, [(item.name, item.value, item.unit) for item in limits], ())
    exact = tuple(step for step in derivation.steps if step.why != "approximation")
    try:
        known = worked_out(replace(derivation, steps=exact), limit | found)
    except (ArithmeticError, ValueError, TypeError):
        known = limit | found
    units = {item.name: item.unit for item in derivation.symbols}
    made: list[Json] = []
    for values in (known, limit | found):
        made = []
        for step in derivation.steps:
            needed = names(step.right)
            spoken_of = (needed | names(step.left)) & found.keys()
            if needed <= values.keys() and spoken_of and step.right not in limit:
                item = _with_numbers(step, values, found, units)
                made += [] if item is None else [item]
        if all(item["agrees"] is not False or item["relation"] != "=" for item in made):
            break  # else what follows by the formulas is no guide here: only what was found is put in
    return made


def _with_numbers(
    step: Step, known: Mapping[str, float], found: Mapping[str, float], units: Mapping[str, str]
) -> Json | None:
    """One step with numbers put in; ``None`` where it says nothing of what was found."""
    from rules.derivations.text import lone, names
    from rules.derivations.worked import holds, unit_of, value

    name = lone(step.left)
    told = names(step.left) <= known.keys() and not (step.relation == "=" and name and name not in found)
    if not told and (name is None or step.relation != "="):
        return None
    try:
        right = value(step.right, known)
        left = value(step.left, known) if told else None
    except (ArithmeticError, ValueError, TypeError):
        return None

    agrees = None
    if left is not None:
        close = abs(left - right) <= AGREE * max(abs(left), abs(right))
        agrees = close if step.relation == "=" else close or holds(left, step.relation, right)
    return {
        "formula": f"{step.left} {step.relation} {step.right}",
        "numbers": with_numbers(step.right, known, units),
        "left": finite(left),
        "relation": step.relation,
        "right": finite(right),
        "unit": unit_of(step, units),
        "agrees": agrees,
    }


def with_numbers(text: str, values: Mapping[str, float], units: Mapping[str, str]) -> str:
    """The text with a number and its unit for each symbol; empty where it takes a slope, or has no symbol."""
    from rules.derivations.text import names, slopes
    from schemas.quantities import format_quantity

    if slopes(text) or not names(text):
        return ""

    def number(match: re.Match[str]) -> str:
        word = match.group()
        if word not in values:
            return word
        unit = units[word]
        rate = unit.startswith("1/")  # takes no prefix
        shown = f"{values[word]:.3g} {unit}" if rate else format_quantity(values[word], unit, 3)
        raised = bool(unit) and text.startswith("**", match.end())
        return f"({shown})" if raised or "/" in unit or shown.startswith("-") else shown

    return re.sub(r"[A-Za-z_][A-Za-z0-9_]*", number, text)


def _matching(
    derivation: Derivation, evidence: Iterable[tuple[str, float, str]], parts: Iterable[str]
) -> dict[str, float]:
    """Numbers by symbol: the same name, the same kind of unit; none where two numbers have that name."""
    from rules.derivations.text import TextError
    from rules.derivations.units import dimension_of_unit

    units = {item.name: item.unit for item in derivation.symbols}
    tails = tuple(f"_{_plain(part)}" for part in parts)
    found: dict[str, float] = {}
    twice: set[str] = set()
    for symbol, number, unit in evidence:
        name = _plain(symbol)
        if name not in units:
            name = next((name.removesuffix(tail) for tail in tails if name.endswith(tail)), name)
        try:
            fits = name in units and dimension_of_unit(unit) == dimension_of_unit(units[name])
        except TextError:
            continue
        if fits and name in found and found[name] != number:
            twice.add(name)
        if fits:
            found[name] = float(number)
    return {name: number for name, number in found.items() if name not in twice}


def _plain(symbol: str) -> str:
    """``V_CE,sat`` as ``V_CE_sat``, ``V(+)`` as ``V_plus``, ``T'`` as ``T_2``, ``I_L(C1)`` as ``I_L_C1``."""
    for sign, word in (("(+)", "_plus"), ("(-)", "_minus"), ("'", "_2")):
        symbol = symbol.replace(sign, word)
    return re.sub(r"[^A-Za-z0-9]+", "_", symbol).strip("_")
