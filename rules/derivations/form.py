"""What can be said against a derivation without reckoning: names, places, sources, units."""

from __future__ import annotations

from collections.abc import Iterator

from rules.derivations.model import Derivation, Step
from rules.derivations.text import TextError, names
from rules.derivations.units import agree, dimension, spoken


def faults_of_form(derivation: Derivation) -> Iterator[str]:
    """What can be seen without reckoning: names, places, sources, units."""
    declared = {item.name: item.unit for item in derivation.symbols}
    if len(declared) < len(derivation.symbols):
        yield "a symbol is declared twice"
    used: set[str] = set()
    for place, step in enumerate(derivation.steps):
        where = f"step {place}"
        try:
            seen = names(step.left) | names(step.right)
        except TextError as error:
            yield f"{where}: {error}"
            continue
        used |= seen
        if unknown := sorted((seen | set(step.without)) - set(declared)):
            yield f"{where}: {', '.join(unknown)} is no declared symbol"
            continue
        if not step.says.strip():
            yield f"{where}: says nothing"
        if step.why == "derived":
            yield from _form_of_derived(derivation, place, step)
        elif not step.source.strip():
            yield f"{where}: a premise needs its source"
        elif step.uses or step.without:
            yield f"{where}: a premise uses no other steps; is it derived?"
        try:
            left, right = dimension(step.left, declared), dimension(step.right, declared)
            if not agree(left, right):
                yield f"{where}: {spoken(left)} on the left, {spoken(right)} on the right"
        except TextError as error:
            yield f"{where}: {error}"
    for item in derivation.plain:
        if not 0 <= item.step < len(derivation.steps):
            yield f"{item.function}: there is no step {item.step}"
        try:
            used |= set().union(*(names(text) for text in item.arguments.values()))
        except TextError as error:
            yield f"{item.function}: {error}"
    if unknown := sorted(used - set(declared)):
        yield f"{', '.join(unknown)} is used and not declared"
    if unused := sorted(set(declared) - used):
        yield f"{', '.join(unused)} is declared and not used"
    if stray := sorted(set(derivation.example) - set(declared)):
        yield f"{', '.join(stray)} has an example value and is no symbol"


def _form_of_derived(derivation: Derivation, place: int, step: Step) -> Iterator[str]:
    if any(not 0 <= item < place for item in step.uses):
        yield f"step {place}: uses {step.uses}; a step can only use earlier ones, counted from 0"
        return
    known = set().union(
        *(
            names(text)
            for item in step.uses
            for text in (derivation.steps[item].left, derivation.steps[item].right)
        ),
        set(),
    )
    if stray := sorted(set(step.without) - known):
        yield f"step {place}: {', '.join(stray)} cannot be eliminated, no used step speaks of it"
    if left := sorted(set(step.without) & (names(step.left) | names(step.right))):
        yield f"step {place}: {', '.join(left)} should be gone and is still there"
