"""A sheet of hand working as data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rules.analysis.derivation.expression import Expr, Symbol

KINDS = (
    "source", "capacitor", "contact", "coil", "junction", "saturation", "ohm", "beta", "sum", "kcl",
    "idle", "sharing", "series", "parallel", "divider", "thevenin", "together",
)  # fmt: skip
"""What a step is, in the order in which a person reaches for it."""


@dataclass(frozen=True, slots=True)
class Given:
    """A number that is not worked out: a value of a part, a drop, a gain, a voltage that is held."""

    symbol: Symbol
    value: float
    meaning: str
    pointer: str = ""
    origin: str = "declared"


@dataclass(frozen=True, slots=True)
class Approximation:
    """The rule-of-thumb twin of a step: what is neglected, its value, and how far off it is.

    ``difference`` is (rough - exact) / exact.  ``ratio`` is the divider current
    over the base current, ``shift`` the estimated shift of the tap (R_th * I_B);
    each is a formula of its own, ``None`` where there is none.
    """

    neglects: str
    formula: Expr
    value: float
    difference: float | None
    ratio: tuple[Expr, float] | None = None
    shift: tuple[Expr, float] | None = None


@dataclass(frozen=True, slots=True)
class Step:
    """One line of working: ``formula`` gives the ``unknown`` its value from givens and earlier steps."""

    unknown: Symbol
    kind: str
    says: str
    formula: Expr
    uses: tuple[str, ...]
    value: float
    approximate: Approximation | None = None
    together: tuple[tuple[Expr, Expr], ...] = ()  # the equations that were solved together, left and right
    rough: Expr | None = None  # taken in quick working instead of the formula
    helping: bool = False  # a helping number, no quantity of the circuit


@dataclass(frozen=True, slots=True)
class Check:
    """``left relation right``, evaluated from the sheet; ``holds`` is ``None`` where one is undefined."""

    kind: str  # "region" or "kcl" or the kind of an equation that was not needed
    subject: str
    says: str
    left: Expr | None
    relation: str
    right: Expr | None
    left_value: float | None
    right_value: float | None
    holds: bool | None
    unit: str


@dataclass(frozen=True, slots=True)
class Compared:
    """One quantity by quick working and by the exact one; ``difference`` is (rough - exact) / exact."""

    symbol: Symbol
    rough: float
    exact: float
    difference: float | None


@dataclass(frozen=True, slots=True)
class NextEvent:
    """How a state that a capacitor holds goes on: its course up to the next change."""

    capacitor: str
    says: str
    givens: tuple[Given, ...]
    steps: tuple[Step, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole working of one state.

    ``open`` names what the circuit does not determine, ``missing`` what it does
    but no step gives (a defect of the working, never passed over in silence).
    ``nets`` and ``currents`` say which symbol holds which quantity of the state:
    a current by part and pin, with the sign that makes it positive into the pin.
    """

    assume: tuple[str, ...]
    givens: tuple[Given, ...]
    steps: tuple[Step, ...]
    checks: tuple[Check, ...]
    compared: tuple[Compared, ...]
    open: tuple[str, ...]
    missing: tuple[str, ...]
    nets: Mapping[str, str]
    currents: Mapping[tuple[str, str], tuple[int, str]]
    next: NextEvent | None = None

    def values(self) -> dict[str, float]:
        """Every number of the sheet by the id of its symbol."""
        return {given.symbol.id: given.value for given in self.givens} | {
            step.unknown.id: step.value for step in self.steps
        }
