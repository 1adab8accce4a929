"""Everything written through one unknown, in numbers: which equations it takes, whether it comes out right.

One unknown (a tear) is taken as if it were known; the others follow from it one
by one until an equation closes the loop.  Where one is not enough a second is
added and eliminated first.  Only the choice is made here; the formulas are
written by :mod:`rules.analysis.derivation.together`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from rules.analysis.derivation.equations import Equation

CLOSE = 1e-10  # relative; a solution is this near to that of the solver
VANISHES = 1e-9  # of its largest term; what is left of a factor below this is rounding


@dataclass(frozen=True, slots=True)
class Row:
    """One open equation in numbers."""

    equation: Equation
    place: int
    factors: Mapping[str, float]
    constant: float


@dataclass(frozen=True, slots=True)
class Move:
    """``row`` gives ``unknown`` through the tears that are left; ``closes`` when it ends a loop."""

    row: Row
    unknown: str
    closes: bool


@dataclass
class Course:
    """Everything written through the tears, in numbers: unknown -> {tear: factor}, '' for the constant."""

    rows: list[Row]
    forms: dict[str, dict[str, float]] = field(default_factory=dict)
    tears: list[str] = field(default_factory=list)
    moves: list[Move] = field(default_factory=list)
    done: set[int] = field(default_factory=set)
    late: bool = False  # also small resistances may tell a current
    wanted: Mapping[str, float] = field(default_factory=dict)  # what the solver found
    error: float = 0.0
    eliminated: dict[str, dict[str, float]] = field(default_factory=dict)

    def copy(self) -> Course:
        return replace(self, forms=dict(self.forms), tears=list(self.tears), moves=list(self.moves),
                       done=set(self.done), eliminated=dict(self.eliminated))  # fmt: skip

    def tear(self, unknown: str) -> None:
        self.tears.append(unknown)
        self.forms[unknown] = {unknown: 1.0}

    def run(self) -> bool:
        """Go on as far as possible; true when the first tear has been found."""
        while (found := self._next()) is not None:
            row, unknown = found
            self.done.add(row.place)
            if unknown:
                self._write(row, unknown)
            elif self._close(row):
                return True
        return False

    def _next(self) -> tuple[Row, str] | None:
        """A row that closes a loop, else one with one unknown left, those without a division first."""
        best: tuple[int, Row, str] | None = None
        for row in self.rows:
            if row.place in self.done:
                continue
            open_ = [key for key in row.factors if key not in self.forms]
            if not open_:
                return row, ""
            if len(open_) == 1:
                own = next(term for term in row.equation.terms if term.unknown.id == open_[0])
                if own.factor is None:
                    return row, open_[0]
                price = 2 if row.equation.late(open_[0]) else 1
                if price < (2 + self.late if best is None else best[0]):
                    best = (price, row, open_[0])
        return None if best is None else best[1:]

    def _residual(self, row: Row, without: str = "") -> tuple[dict[str, float], dict[str, float]]:
        """The row written through the tears, and the largest term of each factor."""
        total: dict[str, float] = {"": row.constant}
        largest: dict[str, float] = {"": abs(row.constant)}
        for key, factor in row.factors.items():
            if key == without:
                continue
            for tear, share in self.forms[key].items():
                total[tear] = total.get(tear, 0.0) + factor * share
                largest[tear] = max(largest.get(tear, 0.0), abs(factor * share))
        return total, largest

    def _write(self, row: Row, unknown: str) -> None:
        total, _ = self._residual(row, unknown)
        own = row.factors[unknown]
        self.forms[unknown] = {tear: -share / own for tear, share in total.items()}
        self.moves.append(Move(row, unknown, False))

    def _close(self, row: Row) -> bool:
        total, largest = self._residual(row)
        live = [tear for tear in self.tears if abs(total.get(tear, 0.0)) > VANISHES * largest.get(tear, 0.0)]
        if not live:
            return False  # it follows from the others
        last = live[-1]
        if len(self.tears) == 1 and last in self.wanted:
            # a row that only repeats others is left with rounding: what it gives is no solution
            off = abs(-total[""] / total[last] - self.wanted[last])
            self.error = off / max(abs(self.wanted[last]), 1e-3 * self._scale(last))
            if self.error > CLOSE:
                return False
        self.moves.append(Move(row, last, True))
        form = {tear: -share / total[last] for tear, share in total.items() if tear != last}
        self.eliminated[last] = form
        self.tears.remove(last)
        if not self.tears:
            self._look_back()
        for key, own in list(self.forms.items()):
            if last in own:
                share = own[last]
                merged = {tear: value for tear, value in own.items() if tear != last}
                for tear, value in form.items():
                    merged[tear] = merged.get(tear, 0.0) + share * value
                self.forms[key] = merged
        return not self.tears

    def _look_back(self) -> None:
        """How far off the tears are that follow from the first one."""
        found = {"": 1.0}
        for key in reversed(self.eliminated):
            found[key] = sum(share * found[tear] for tear, share in self.eliminated[key].items())
            if key in self.wanted:
                off = abs(found[key] - self.wanted[key])
                self.error = max(self.error, off / max(abs(self.wanted[key]), 1e-3 * self._scale(key)))

    def _scale(self, key: str) -> float:
        kind = key.startswith("V(")
        return (
            max(
                (abs(value) for name, value in self.wanted.items() if name.startswith("V(") == kind),
                default=0.0,
            )
            or 1e-3
        )

    def needed(self) -> list[Move]:
        """The moves without which the last one could not be made, in order."""
        wanted, kept = set[str](), list[Move]()
        closing = self.moves[-1]
        eliminated = {move.unknown: move for move in self.moves if move.closes}
        pending = [closing]
        made = {move.unknown: move for move in self.moves if not move.closes}
        while pending:
            move = pending.pop()
            if move in kept:
                continue
            kept.append(move)
            for key in move.row.factors:
                if key in wanted:
                    continue
                wanted.add(key)
                pending.extend(found[key] for found in (made, eliminated) if key in found)
        return sorted(kept, key=self.moves.index)
