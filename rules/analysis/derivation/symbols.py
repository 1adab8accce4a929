"""The names of the quantities on a sheet, and the numbers that are given."""

from __future__ import annotations

from rules.analysis.derivation.expression import Expr, Ref, Symbol
from rules.analysis.derivation.model import Given
from rules.analysis.resolve import Resolved


def named(base: str, of: str, unit: str) -> Symbol:
    return Symbol(f"{base}({of})" if of else base, base, of, unit)


def voltage(net: str, datum: str = "") -> Symbol:
    """The voltage of a net against the reference, or against the datum net of an island of its own."""
    return named("V", f"{net},{datum}" if datum else net, "V")


class Givens:
    """Every given number that the sheet has asked for so far."""

    def __init__(self, resolved: Resolved) -> None:
        self.resolved = resolved
        self.found: dict[str, Given] = {}

    def take(
        self, symbol: Symbol, value: float, meaning: str, pointer: str = "", origin: str = "declared"
    ) -> Expr:
        self.found.setdefault(symbol.id, Given(symbol, value, meaning, pointer, origin))
        return Ref(symbol)

    def part(self, name: str, member: str, base: str, unit: str, meaning: str) -> Expr:
        """A value of a part; a resistor that is called R... is its own symbol."""
        known = self.resolved.values[(name, member)]
        plain = base == "R" and name.startswith("R") and name.isascii() and name.isalnum()
        symbol = Symbol(name, name, "", unit) if plain else named(base, name, unit)
        return self.take(symbol, known.value, meaning, known.pointer, known.origin)

    def reverse_gain(self) -> Expr:
        return self.assumption(
            "reverse_beta", "beta_R", "", "current gain of a transistor that works backwards"
        )

    def assumption(self, name: str, symbol: str, unit: str, meaning: str) -> Expr:
        """One of the numbers that every transistor shares: a drop, the gain of one that works backwards."""
        given = name in self.resolved.circuit.assumptions
        return self.take(Symbol(symbol, symbol, "", unit), self.resolved.assumptions[name], meaning,
                         f"/assumptions/{name}", "declared" if given else "assumed")  # fmt: skip
