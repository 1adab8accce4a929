"""The sheet of one state, from the first source to the last check."""

from __future__ import annotations

from rules.analysis.derivation.assume import assumptions_of
from rules.analysis.derivation.board import Board
from rules.analysis.derivation.checks import checks_of
from rules.analysis.derivation.equations import equations_of
from rules.analysis.derivation.facts import Facts, facts_of
from rules.analysis.derivation.model import Sheet
from rules.analysis.derivation.onward import onward
from rules.analysis.derivation.patterns import next_pattern
from rules.analysis.derivation.quick import compared
from rules.analysis.derivation.sharing import sharing
from rules.analysis.derivation.together import next_block
from rules.analysis.frozen import TimedState
from rules.analysis.states import State

ACCURATE = 1e-10  # relative; working that ends further from the solver is done again with more care


def sheet_of(state: State, timed: TimedState | None = None) -> Sheet:
    """The ordered hand working of ``state`` at the gains of its mode; ``timed`` tells how it goes on."""
    facts, board = _worked(state, careful=False)
    if board.error() > ACCURATE:
        other = _worked(state, careful=True)
        if other[1].error() < board.error():
            facts, board = other
    return _finished(facts, board, timed)


def _worked(state: State, *, careful: bool) -> tuple[Facts, Board]:
    facts = facts_of(state)
    board = Board(facts, equations_of(facts))
    board.careful = careful
    _work(board)
    if _missing(board):
        board.take_in(sharing(facts))
        _work(board)
    if _missing(board):
        _work(board, strict=False)
    return facts, board


def _work(board: Board, *, strict: bool = True) -> None:
    """Equations with one unknown as far as they go, then a pattern, until nothing more is found."""
    while True:
        board.propagate()
        drafts = next_pattern(board) or next_block(board, strict=strict)
        for draft in drafts or ():
            board.write(draft)
        if drafts is None and not board.concede():
            return


def _missing(board: Board) -> tuple[str, ...]:
    """What the circuit determines and no step has given."""
    return tuple(sorted(key for key in board.measured if key not in board.values))


def _finished(facts: Facts, board: Board, timed: TimedState | None) -> Sheet:
    state = facts.state
    nets = {
        net: facts.voltage(net).id
        for net, volts in state.nets.items()
        if volts is not None and facts.net(net) is not None
    }
    checks = checks_of(facts, board)
    givens, steps = tuple(facts.givens.found.values()), tuple(board.steps)
    return Sheet(
        assume=assumptions_of(facts),
        givens=givens,
        steps=steps,
        checks=checks,
        compared=compared(givens, steps),
        open=_open(facts),
        missing=_missing(board),
        nets=nets,
        currents=dict(facts.currents),
        next=None if timed is None else onward(facts, dict(board.values), timed),
    )


def _open(facts: Facts) -> tuple[str, ...]:
    """Every quantity that the circuit leaves undefined, in words."""
    state = facts.state
    found = [f"the voltage of {net}" for net, volts in state.nets.items() if volts is None]
    found += [f"the current of {part}" for part, pins in state.currents.items() if None in pins.values()]
    return tuple(found)
