"""What is known so far: givens, steps already done, equations that are still open."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rules.analysis.derivation.equations import Equation
from rules.analysis.derivation.expression import Expr, Ref, Symbol, evaluate, symbols
from rules.analysis.derivation.facts import Facts
from rules.analysis.derivation.model import Approximation, Step
from rules.analysis.derivation.words import says


@dataclass(frozen=True, slots=True)
class Twin:
    """How quick working would take a step: its formula, what it neglects, and the sums beside it."""

    neglects: str
    formula: Expr
    ratio: Expr | None = None
    shift: Expr | None = None


@dataclass(frozen=True, slots=True)
class Draft:
    """A step that is planned: everything but its number."""

    symbol: Symbol
    kind: str
    says: str
    formula: Expr
    twin: Twin | None = None
    together: tuple[tuple[Expr, Expr], ...] = ()
    helping: bool = False


SOUND = 1e-11  # relative; how near to that of the solver the value of an equation is
LITTLE = 1e-3  # of the largest of its kind; an unknown is asked for as if it were not less


class Board:
    """The working as it grows; every number on it is given or the value of a step's own formula."""

    def __init__(self, facts: Facts, equations: Iterable[Equation]) -> None:
        self.facts = facts
        self.equations = list(equations)
        self.used: set[int] = set()
        self.steps: list[Step] = []
        self.careful = False  # digits before brevity: blocks are eliminated with sound pivots
        self.pending: list[Draft] = []  # what a block of equations gives beside its first unknown, if need be
        self.measured = facts.measured()
        self.largest = {
            volts: max((abs(v) for k, v in self.measured.items() if k.startswith("V(") == volts), default=0.0)
            for volts in (False, True)
        }
        self.values: dict[str, float] = {}
        self.look_up()

    def known(self, symbol: Symbol | None) -> bool:
        return symbol is None or symbol.id in self.values

    def knows(self, net: str) -> bool:
        """True when the voltage of a net is known; the reference and a datum always are."""
        return self.facts.net(net) is None or self.facts.voltage(net).id in self.values

    def fresh(self, base: str, of: str, unit: str, taken: Iterable[str] = ()) -> Symbol:
        """A symbol of a helping quantity that no other has."""
        names, count = set(taken) | set(self.values), 1
        while True:
            label = base if count == 1 else f"{base}{count}"
            symbol = Symbol(f"{label}({of})" if of else label, label, of, unit)
            if symbol.id not in names:
                return symbol
            count += 1

    def missing(self, equation: Equation) -> tuple[str, ...]:
        return tuple(key for key in equation.unknowns() if key not in self.values)

    def write(self, draft: Draft) -> Step:
        value = evaluate(draft.formula, self.values)
        self.values[draft.symbol.id] = value
        twin = draft.twin
        approximate = None
        if twin is not None:
            rough = evaluate(twin.formula, self.values)
            approximate = Approximation(
                twin.neglects, twin.formula, rough, None if value == 0.0 else rough / value - 1.0,
                None if twin.ratio is None else (twin.ratio, evaluate(twin.ratio, self.values)),
                None if twin.shift is None else (twin.shift, evaluate(twin.shift, self.values)),
            )  # fmt: skip
        step = Step(
            unknown=draft.symbol,
            kind=draft.kind,
            says=draft.says,
            formula=draft.formula,
            uses=symbols(draft.formula),
            value=value,
            approximate=approximate,
            together=draft.together,
            rough=None if twin is None else twin.formula,
            helping=draft.helping,
        )
        self.steps.append(step)
        return step

    def take_in(self, more: Iterable[Equation]) -> None:
        """Equations that come on top of the laws of the circuit."""
        self.equations.extend(more)
        self.look_up()

    def look_up(self) -> None:
        """Givens that have been asked for since."""
        self.values.update({key: given.value for key, given in self.facts.givens.found.items()})

    @property
    def block(self) -> str:
        """What sets the helping numbers of the next block of equations apart: nothing for the first, 2, 3."""
        solved = sum(step.kind == "together" and bool(step.together) for step in self.steps)
        return str(solved + 1) if solved else ""

    def error(self) -> float:
        """How far the working is from the solver, relative to the largest quantity of its kind."""
        return max(
            (
                abs(self.values[key] - wanted) / max(self.largest[key.startswith("V(")], 1e-9)
                for key, wanted in self.measured.items()
                if key in self.values
            ),
            default=0.0,
        )

    def propagate(self) -> None:
        """Take, in the order of the kinds, every equation that has one unknown left."""
        while (found := self._next(late=False)) is not None:
            self.used.add(found[0])
            self._take(self.equations[found[0]], found[1])

    def concede(self) -> bool:
        """Take one equation that costs digits, when nothing better is left; false when there is none."""
        found = self._next(late=True)
        if found is not None:
            self.used.add(found[0])
            self._take(self.equations[found[0]], found[1])
        return found is not None

    def _next(self, *, late: bool) -> tuple[int, str] | None:
        kept: tuple[int, str] | None = None
        for place, equation in enumerate(self.equations):
            if place in self.used:
                continue
            open_ = self.missing(equation)
            if len(open_) == 1:
                if not equation.late(open_[0]) and self._sound(equation, open_[0]):
                    return place, open_[0]
                kept = kept or (place, open_[0])
        return kept if late else None

    def _sound(self, equation: Equation, unknown: str) -> bool:
        """False where an equation would tell a small number as the difference of two large ones."""
        wanted = self.measured.get(unknown)
        if wanted is None:
            return True
        value = evaluate(equation.solved_for(unknown), self.values)
        return abs(value - wanted) <= SOUND * max(
            abs(wanted), LITTLE * self.largest[unknown.startswith("V(")]
        )

    def _take(self, equation: Equation, unknown: str) -> None:
        symbol = next(term.unknown for term in equation.terms if term.unknown.id == unknown)
        formula = equation.solved_for(unknown)
        twin = self._twin(equation, symbol)
        self.write(Draft(symbol, equation.kind, says(self.facts, equation, symbol, formula), formula, twin))

    def _twin(self, equation: Equation, unknown: Symbol) -> Twin | None:
        """Where the emitter current is known first, quick working lets the collector carry all of it."""
        if equation.kind != "beta" or equation.spare or unknown.base != "I_C":
            return None
        emitter = Symbol(f"I_E({unknown.of})", "I_E", unknown.of, "A")
        return Twin("the base current", Ref(emitter)) if emitter.id in self.values else None
