"""The last resort: a few equations that hang together, solved by writing everything through one unknown.

One unknown is taken as if it were known; the others follow from it one by one
until an equation closes the loop.  Where one is not enough a second is added
and eliminated first.  The unknown is chosen so that the fewest equations are
needed (smallest fill).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from rules.analysis.derivation.board import Board, Draft, Twin
from rules.analysis.derivation.elimination import Elimination
from rules.analysis.derivation.equations import coefficients
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
    symbols,
    times,
    unit_of,
)
from rules.analysis.derivation.tears import Course, Row

EXACT = 1e-12  # relative; how far off a solution may be before a longer one is preferred
LONGEST = 12  # symbols in a formula; a longer one is put together from helping numbers
MOST_TEARS = 6
TRIED = 12  # first unknowns tried where one is not enough


def next_block(board: Board, *, strict: bool) -> list[Draft] | None:
    """The steps that solve the smallest set of equations that hang together, or ``None``.

    ``strict`` takes only what comes out where the solver does.
    """
    while board.pending:
        # a pattern that people know would have come first
        draft = board.pending.pop(0)
        if draft.symbol.id not in board.values and set(symbols(draft.formula)) <= set(board.values):
            return [draft]
    rows = []
    for place, equation in enumerate(board.equations):
        # one that has a single unknown and was not taken costs digits: it comes last of all
        if place not in board.used and len(board.missing(equation)) > 1:
            factors, constant = coefficients(equation, board.values)
            rows.append(Row(equation, place, factors, constant))
    names = {term.unknown.id: term.unknown for row in rows for term in row.equation.terms}
    open_ = sorted(
        {key for row in rows for key in row.factors}, key=lambda key: (_liking(board, names[key]), key)
    )
    wanted = board.measured
    sagging = [key for key in open_ if _liking(board, names[key]) == 0]
    best = None if board.careful else _best(rows, open_, sagging, wanted)
    if best is None or best.error > EXACT:
        plain = [row.equation for row in rows if not row.equation.spare]
        mesh = Elimination(board, plain, names)
        drafts = mesh.drafts()
        if drafts is not None:
            return drafts
    if best is None and board.careful:
        best = _best(rows, open_, sagging, wanted)
    if best is None and not strict:
        # where the solver itself has lost digits no solution is near to its own
        best = _best(rows, open_, sagging, {})
    if best is None:
        return None
    return Writer(board, names, False).drafts(best) or Writer(board, names, True).drafts(best)


def _best(
    rows: list[Row], open_: list[str], sagging: list[str], wanted: Mapping[str, float]
) -> Course | None:
    """The shortest way: through a rail that sags, else through one unknown, else through several."""
    best: Course | None = None
    for late in (False, True):
        for first in sagging:
            best = _shorter(best, _torn(rows, first, open_, late, wanted))
        for first in open_ if best is None else ():
            best = _shorter(best, _torn(rows, first, (), late, wanted))
        for first in open_[:TRIED] if best is None else ():
            best = _shorter(best, _torn(rows, first, open_, late, wanted))
        if best is not None:
            break
    return best


def _shorter(best: Course | None, course: Course | None) -> Course | None:
    if course is None:
        return best
    if best is None:
        return course
    return min(best, course, key=lambda item: (item.error > EXACT, len(item.needed())))


def _liking(board: Board, symbol: Symbol) -> int:
    """What a person would rather write everything through: a rail that sags, a base current."""
    if symbol.base == "V" and _sagging(board, symbol) is not None:
        return 0
    return {"I_B": 1, "V": 2}.get(symbol.base, 3)


def _sagging(board: Board, symbol: Symbol) -> Expr | None:
    """The voltage a net would have if the source on it had no resistance inside."""
    for element in board.facts.elements:
        if element.kind != "source" or element.resistance is None or element.drop is None:
            continue
        for here, other, sign in ((element.b, element.a, -1), (element.a, element.b, 1)):
            mine = symbol == board.facts.voltage(here)
            if mine and board.knows(other) and board.facts.defined(here, other):
                return add((1, board.facts.net(other) or ZERO), (sign, element.drop))
    return None


def _torn(
    rows: list[Row], first: str, more: Sequence[str], late: bool, wanted: Mapping[str, float]
) -> Course | None:
    """Everything through ``first``, and where that does not do, through unknowns of ``more`` beside it."""
    course = Course(rows, late=late, wanted=wanted)
    course.tear(first)
    if course.run():
        return course
    for _ in range(MOST_TEARS):
        best: tuple[int, int, Course] | None = None
        for key in more:
            if key in course.forms:
                continue
            trial = course.copy()
            trial.tear(key)
            measure = (0, len(trial.needed())) if trial.run() else (len(trial.tears), -len(trial.forms))
            if best is None or measure < best[:2]:
                best = (*measure, trial)
        if best is None:
            return None
        course = best[2]
        if not course.tears:
            return course
    return None


class Writer:
    """Writes a course as formulas.

    A short one becomes a closed form.  In a long one every quantity is written
    as a + b * x, where a and b are helping numbers with a formula of their own.
    """

    def __init__(self, board: Board, names: Mapping[str, Symbol], helping: bool) -> None:
        self.board, self.names, self.helping = board, names, helping
        self.helpers: list[Draft] = []
        self.values = dict(board.values)
        self.forms: dict[str, dict[str, Expr]] = {}
        self.order: list[str] = []
        self.block = board.block

    def drafts(self, course: Course) -> list[Draft] | None:
        """The steps; ``None`` where the closed form would be long and no helping numbers are wanted."""
        moves = course.needed()
        symbol = self.names[moves[-1].unknown]
        self.order = [symbol.id, *(move.unknown for move in moves if move.closes and move is not moves[-1])]
        for key in self.order:
            self.forms[key] = {key: ONE}
        for move in moves[:-1]:
            total = self._residual(move.row, "" if move.closes else move.unknown)
            own = total.pop(move.unknown) if move.closes else self._factor(move.row, move.unknown)
            form = {tear: over(negative(share), own) for tear, share in total.items()}
            self.forms[move.unknown] = {
                tear: self._named(move.unknown, tear, share) for tear, share in form.items() if share != ZERO
            }
        total = self._residual(moves[-1].row, "")
        top, bottom = negative(total.get("", ZERO)), total[symbol.id]
        if evaluate(bottom, self.values) < 0.0:
            top, bottom = negative(top), negative(bottom)
        formula = over(top, bottom)
        if not self.helping and sum(1 for _ in leaves(formula)) > LONGEST:
            return None
        together = tuple(move.row.equation.sides() for move in moves)
        rough = _sagging(self.board, symbol) if symbol.base == "V" else None
        twin = None if rough is None else Twin("what the source drops inside", rough)
        sketch = symbol.id
        if self.helping:
            marks = zip("bcdefgh", self.order, strict=False)
            sketch = " + ".join(["a", *(f"{mark} * {key}" for mark, key in marks)])
        lead = f"{len(moves)} equations hang together"
        if twin is not None:
            lead = f"{symbol.of} sags by what all on it draws; {lead}"
        says = f"{lead}: each is written through {sketch}; the last gives it"
        drafts = [*self.helpers, Draft(symbol, "together", says, formula, twin, together)]
        for key in reversed([move.unknown for move in moves if move.closes and move is not moves[-1]]):
            # eliminated on the way: now everything it was written through is known
            back = [
                (1, times(share, Ref(self.names[tear]) if tear else ONE))
                for tear, share in self.forms[key].items()
            ]
            self.board.pending.append(
                Draft(self.names[key], "together", f"{key} back from {symbol.id}", add(*back))
            )
        return drafts

    def _factor(self, row: Row, unknown: str) -> Expr:
        term = next(term for term in row.equation.terms if term.unknown.id == unknown)
        own = ONE if term.factor is None else term.factor
        return own if term.sign > 0 else negative(own)

    def _residual(self, row: Row, without: str) -> dict[str, Expr]:
        """The row as a sum of tears, each with its factor; '' is the constant."""
        shares: dict[str, list[tuple[int, Expr]]] = {"": list(row.equation.constants)}

        def put(sign: int, factor: Expr, key: str) -> None:
            for tear, share in self.forms[key].items():
                if tear != key and tear and tear in self.forms and tear not in self.forms[tear]:
                    put(sign, times(factor, share), tear)  # it has been eliminated since
                else:
                    shares.setdefault(tear, []).append((sign, times(factor, share)))

        for term in row.equation.terms:
            key, factor = term.unknown.id, ONE if term.factor is None else term.factor
            if key in self.board.values:
                shares[""].append((term.sign, times(factor, Ref(term.unknown))))
            elif key != without:
                put(term.sign, factor, key)
        return {tear: add(*terms) for tear, terms in shares.items()}

    def _named(self, unknown: str, tear: str, expr: Expr) -> Expr:
        """A helping number of its own, unless the formula is but a symbol."""
        if not self.helping or not any(leaves(expr)) or isinstance(expr, Ref):
            return expr
        letter = "a" if not tear else "bcdefgh"[self.order.index(tear)]
        symbol = Symbol(f"{letter}{self.block}[{unknown}]", f"{letter}{self.block}", unknown, unit_of(expr))
        says = (
            f"what of {unknown} does not depend on {self.order[0]}"
            if not tear
            else f"{unknown} per unit of {tear}"
        )
        self.values[symbol.id] = evaluate(expr, self.values)
        self.helpers.append(Draft(symbol, "together", says, expr, helping=True))
        return Ref(symbol)
