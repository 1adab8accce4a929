"""A derivation as data: symbols, steps, and the plain formulas that it ends in.

Nothing here imports SymPy: the text of a step is read by it only where
somebody asks for the working, and in the tests that prove each step.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Why = Literal["definition", "law", "limit", "approximation", "derived"]
Relation = Literal["=", "<=", ">=", "<", ">"]


@dataclass(frozen=True, slots=True)
class Symbol:
    """One quantity of a derivation: an ASCII name (``I_B``), what it is, its unit, and its domain."""

    name: str
    meaning: str
    unit: str
    domain: Literal["positive", "nonnegative", "real"] = "positive"


@dataclass(frozen=True, slots=True)
class Step:
    """``left relation right``, both as text over the symbols (``beta*I_B``, ``log(x)``, ``diff(t, x)``).

    The words are ``log exp sqrt Max Min Abs``, ``pi``, and ``diff(expression, symbol)`` for a derivative.

    ``says`` is the sentence a teacher would say.  A ``derived`` step follows
    from the steps in ``uses`` (their places, from 0) by eliminating the symbols
    in ``without``; a test proves it.  Every other step is a premise and names
    its ``source`` (a law, a definition, a textbook, "common practice, no
    source", "from memory").  An ``approximation`` says in ``says`` when it holds.
    """

    says: str
    left: str
    relation: Relation
    right: str
    why: Why
    uses: tuple[int, ...] = ()
    without: tuple[str, ...] = ()
    source: str = ""


@dataclass(frozen=True, slots=True)
class Plain:
    """A plain-Python formula (``package.module:function``) that equals the right side of one step.

    ``arguments`` maps its parameters to symbols or to expressions over them
    (also ``None``, tuples, and ``source.voltage`` for a member of an argument);
    ``step`` is the place of the step, ``member`` the member of what the
    function returns, where that is an object.
    """

    function: str
    arguments: Mapping[str, str]
    step: int
    member: str = ""


@dataclass(frozen=True, slots=True)
class Derivation:
    """Why a rule of thumb holds, step by step.

    ``example`` gives a value in SI units for every symbol that is not worked
    out by a step, so that each step can be shown with numbers; a premise that
    is an approximation or a limit need not hold for it.
    """

    slug: str
    symbols: tuple[Symbol, ...]
    steps: tuple[Step, ...]
    plain: tuple[Plain, ...]
    example: Mapping[str, float]
