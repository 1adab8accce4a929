"""Equations that hang together in a mesh: each unknown in turn is written through those that are left.

The order is that of the smallest fill, with factors that are not small beside
others in their column, so that the digits keep; the last unknown stands alone
and the others follow backwards.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rules.analysis.derivation.board import Board, Draft
from rules.analysis.derivation.equations import Equation
from rules.analysis.derivation.expression import (
    ONE,
    ZERO,
    Expr,
    Ref,
    Symbol,
    add,
    evaluate,
    leaves,
    negative,
    over,
    times,
    unit_of,
)

AMPERE = 1e-3  # a current of this size weighs as much as one volt
FIRM = 0.02  # of the largest factor in its column; a smaller one is no pivot
GONE = 1e-12  # of the largest term; what is left of a factor below this is rounding
LONGEST = 10  # symbols in a factor before it gets a name of its own


class Elimination:
    """Gaussian elimination with formulas: every factor is an expression, its number is evaluated from it."""

    def __init__(self, board: Board, rows: Sequence[Equation], names: Mapping[str, Symbol]) -> None:
        self.names, self.block = names, board.block
        self.equations = tuple(rows)
        self.values = dict(board.values)
        self.helpers: list[Draft] = []
        self.rows: list[tuple[dict[str, Expr], Expr]] = []
        self.numbers: list[dict[str, float]] = []
        for equation in rows:
            self._take(equation)
        self.forms: list[tuple[str, dict[str, Expr]]] = []

    def _take(self, equation: Equation) -> None:
        factors: dict[str, list[tuple[int, Expr]]] = {}
        constants = list(equation.constants)
        for term in equation.terms:
            factor = ONE if term.factor is None else term.factor
            if term.unknown.id in self.values:
                constants.append((term.sign, times(factor, Ref(term.unknown))))
            else:
                factors.setdefault(term.unknown.id, []).append((term.sign, factor))
        row = {key: add(*terms) for key, terms in factors.items()}
        self.rows.append((row, add(*constants)))
        self.numbers.append({key: evaluate(expr, self.values) for key, expr in row.items()})

    def drafts(self) -> list[Draft] | None:
        active = set(range(len(self.rows)))
        while active:
            pivot = self._pivot(active)
            if pivot is None:
                break
            row, key = pivot
            active.discard(row)
            self._write(row, key)
            self._put(active, key)
        known = set(self.values)
        found: list[Draft] = []
        for key, form in reversed(self.forms):
            if all(other in known or not other for other in form):
                terms = [
                    (1, times(share, Ref(self.names[other]) if other else ONE))
                    for other, share in form.items()
                ]
                last = not found
                says = (
                    f"{len(self.rows)} equations hang together; each unknown is written through those left,"
                    f" and {key} stands alone"
                    if last
                    else f"{key} from those found before it"
                )
                together = tuple(equation.sides() for equation in self.equations) if last else ()
                found.append(Draft(self.names[key], "together", says, add(*terms), None, together))
                known.add(key)
        return [*self.helpers, *found] if found else None

    def _weight(self, key: str) -> float:
        return AMPERE if self.names[key].unit == "A" else 1.0

    def _pivot(self, active: set[int]) -> tuple[int, str] | None:
        columns: dict[str, list[tuple[float, int]]] = {}
        for row in active:
            sizes = {key: abs(value) * self._weight(key) for key, value in self.numbers[row].items()}
            top = max(sizes.values(), default=0.0)
            for key, size in sizes.items():
                columns.setdefault(key, []).append((size / top, row))
        best: tuple[int, float, str, int] | None = None
        for key, entries in columns.items():
            largest = max(size for size, _ in entries)
            for size, row in entries:
                if size < FIRM * largest or size < FIRM:
                    continue
                measure = ((len(self.numbers[row]) - 1) * (len(entries) - 1), -size, key, row)
                best = measure if best is None or measure < best else best
        return None if best is None else (best[3], best[2])

    def _write(self, row: int, key: str) -> None:
        factors, constant = self.rows[row]
        own = factors[key]
        form = {"": over(negative(constant), own)}
        form.update({other: over(negative(share), own) for other, share in factors.items() if other != key})
        self.forms.append(
            (
                key,
                {
                    other: self._named(key, other, share)
                    for other, share in form.items()
                    if share != ZERO
                },
            )
        )

    def _put(self, active: set[int], key: str) -> None:
        form = self.forms[-1][1]
        for row in sorted(active):
            factors, constant = self.rows[row]
            share = factors.pop(key, None)
            if share is None:
                continue
            self.numbers[row].pop(key)
            constant = add((1, constant), (1, times(share, form.get("", ZERO))))
            for other, inner in form.items():
                if not other:
                    continue
                more = times(share, inner)
                before = self.numbers[row].get(other, 0.0)
                merged = add((1, factors[other]), (1, more)) if other in factors else more
                if merged == ZERO:
                    factors.pop(other, None)
                    self.numbers[row].pop(other, None)
                    continue
                merged = self._loose(merged)
                value = evaluate(merged, self.values)
                if abs(value) <= GONE * max(abs(before), abs(evaluate(more, self.values))):
                    factors.pop(other, None)
                    self.numbers[row].pop(other, None)
                    continue
                factors[other] = merged
                self.numbers[row][other] = value
            self.rows[row] = (factors, self._loose(constant))

    def _named(self, unknown: str, other: str, expr: Expr) -> Expr:
        if not any(leaves(expr)) or isinstance(expr, Ref):
            return expr
        if other:
            return self._helper("b", f"{unknown}; {other}", f"{unknown} per unit of {other}", expr)
        return self._helper("a", unknown, f"the constant part of {unknown}", expr)

    def _loose(self, expr: Expr) -> Expr:
        """The same under a short name where it has grown long."""
        if sum(1 for _ in leaves(expr)) <= LONGEST:
            return expr
        count = 1 + sum(not draft.symbol.of for draft in self.helpers)
        return self._helper(
            f"g{self.block}_" if self.block else "g", str(count), "put together for what follows", expr
        )

    def _helper(self, letter: str, of: str, says: str, expr: Expr) -> Expr:
        if letter.startswith("g"):
            symbol = Symbol(f"{letter}{of}", f"{letter}{of}", "", unit_of(expr))
        else:
            symbol = Symbol(f"{letter}{self.block}[{of}]", f"{letter}{self.block}", of, unit_of(expr))
        self.values[symbol.id] = evaluate(expr, self.values)
        self.helpers.append(Draft(symbol, "together", says, expr, helping=True))
        return Ref(symbol)
