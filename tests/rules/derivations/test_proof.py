"""The proof of a derivation: what is right goes through, and every way of being wrong is caught."""

from __future__ import annotations

from dataclasses import replace

import pytest
import sympy

from rules.derivations.model import Derivation, Plain, Step, Symbol
from rules.derivations.proof import load, prove
from rules.derivations.text import TextError, in_numbers, in_sympy, names, read, tree
from rules.derivations.units import dimension_of_unit, spoken

DIVIDER = Derivation(
    slug="tap",
    symbols=(
        Symbol("V", "supply", "V"),
        Symbol("V_T", "tap", "V"),
        Symbol("I", "current through both", "A"),
        Symbol("R_1", "top resistor", "ohm"),
        Symbol("R_2", "bottom resistor", "ohm"),
    ),
    steps=(
        Step("One current through both.", "I", "=", "V/(R_1 + R_2)", "law", source="Ohm's law"),
        Step("The bottom one has the tap across it.", "V_T", "=", "I*R_2", "law", source="Ohm's law"),
        Step("So the tap is a share.", "V_T", "=", "V/(1 + R_1/R_2)", "derived", uses=(0, 1), without=("I",)),
    ),
    plain=(),
    example={"V": 12.0, "R_1": 8200.0, "R_2": 1800.0},
)


def with_step(place: int, **changes: object) -> Derivation:
    steps = list(DIVIDER.steps)
    steps[place] = replace(steps[place], **changes)  # type: ignore[arg-type]
    return replace(DIVIDER, steps=tuple(steps))


def test_a_sound_derivation_is_proven_and_every_step_has_its_numbers() -> None:
    proof = prove(DIVIDER)
    assert proof.proven
    assert [item.numbered.left for item in proof.steps] == pytest.approx([1.2e-3, 2.16, 2.16])
    assert proof.steps[2].how == "from steps 0, 1 without I"
    assert [item.numbered.unit for item in proof.steps] == ["A", "V", "V"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"right": "V/(1 + R_2/R_1)"}, "does not follow"),
        ({"right": "V*R_2/(R_1 + R_2) + 1e-9*V"}, "does not follow"),
        ({"uses": (1,), "without": ()}, "does not follow"),
        ({"without": ("R_1",)}, "still there"),
        ({"uses": (0, 2)}, "earlier ones"),
        ({"right": "V_T*R_1"}, "V on the left"),
        ({"right": "V/(1 + R_1)"}, "should be|beside|on the left|does not follow"),
        ({"right": "V/(V + R_2)"}, "puts V beside ohm"),
        ({"right": "V*exp(R_1)"}, "should be a pure number"),
        ({"right": "V_X"}, "no declared symbol"),
        ({"left": "V_T", "right": "V_T"}, "holds by itself"),
        ({"why": "law"}, "needs its source"),
    ],
)
def test_a_step_that_does_not_hold_is_caught(changes: dict[str, object], said: str) -> None:
    problems = " / ".join(prove(with_step(2, **changes)).problems)
    assert problems
    assert any(word in problems for word in said.split("|")), problems


def test_symbols_are_declared_and_used() -> None:
    more = replace(DIVIDER, symbols=(*DIVIDER.symbols, Symbol("X", "nothing", "V")))
    assert "X is declared and not used" in " ".join(prove(more).problems)
    less = replace(DIVIDER, example={"V": 12.0, "R_1": 8200.0})
    assert "no value for" in " ".join(prove(less).problems)


def limited(relation: str, right: str, **changes: object) -> Derivation:
    """A share of the supply at least, and what it asks of the top resistor."""
    steps = (
        *DIVIDER.steps,
        Step("At least a tenth.", "V_T", ">=", "V/10", "limit", source="common practice, no source"),
        Step("So much on top at most.", "R_1", relation, right, "derived", uses=(2, 3), without=("V_T",)),  # type: ignore[arg-type]
    )
    return replace(DIVIDER, steps=steps, **changes)  # type: ignore[arg-type]


def test_an_inequality_follows_with_its_boundary_and_its_side() -> None:
    assert prove(limited("<=", "9*R_2")).proven
    assert "does not follow" in " ".join(prove(limited(">=", "9*R_2")).problems)
    assert "does not follow" in " ".join(prove(limited("<=", "8*R_2")).problems)
    assert prove(limited("<=", "10*R_2")).problems  # weaker, and not its boundary


def test_a_plain_formula_is_followed_symbol_by_symbol_or_at_points() -> None:
    arguments = {"supply": "V", "top": "R_1", "bottom": "R_2"}
    home = "rules.analysis.formulas.bias"
    good = Plain(f"{home}:thevenin_of_divider", arguments, 2, "voltage")
    assert "symbol by symbol" in prove(replace(DIVIDER, plain=(good,))).plain[0].how
    assert prove(replace(DIVIDER, plain=(replace(good, member="resistance"),))).problems
    swapped = replace(good, arguments={"supply": "V", "top": "R_2", "bottom": "R_1"})
    assert prove(replace(DIVIDER, plain=(swapped,))).problems
    arms = Plain(f"{home}:thevenin_of_arms", {"arms": "((V, R_1), (0, R_2))"}, 2, "voltage")
    assert prove(replace(DIVIDER, plain=(arms,))).proven
    assert (
        "names no function" in prove(replace(DIVIDER, plain=(Plain(f"{home}:nothing", {}, 2),))).problems[0]
    )
    current = Plain(f"{home}:divider_current", arguments, 0)
    assert prove(replace(DIVIDER, plain=(current,))).proven


def test_a_slope_and_its_numbers() -> None:
    falling = Derivation(
        "slope",
        (Symbol("x", "share", ""), Symbol("S", "slope", "")),
        (
            Step(
                "The slope of the curve.",
                "S",
                "=",
                "diff(log(1/(1 - x)), x)",
                "definition",
                source="definition",
            ),
            Step("That is.", "S", "=", "1/(1 - x)", "derived", uses=(0,)),
        ),
        (),
        {"x": 0.5},
    )
    proof = prove(falling)
    assert proof.proven
    assert proof.steps[0].numbered.right == pytest.approx(2.0)


@pytest.mark.parametrize(
    "text",
    [
        "__import__('os')",
        "x.y",
        "x[0]",
        "lambda: 1",
        "sin(x)",
        "x if y else z",
        "'x'",
        "x =",
        "f'{x}'",
        "[x for x in y]",
        "log(x=1)",
        "x == y",
        "True",
    ],
)
def test_only_the_small_grammar_is_read(text: str) -> None:
    with pytest.raises(TextError):
        tree(text)


def test_names_and_units() -> None:
    assert names("log(x)*pi + Max(a, b)") == {"x", "a", "b"}
    assert read("-2*x**2 + sqrt(y)", in_numbers({"x": 3.0, "y": 4.0})) == -16.0
    assert dimension_of_unit("K/W*V*A") == dimension_of_unit("K")
    assert spoken(dimension_of_unit("V/K")) == "V/K"
    with pytest.raises(TextError, match="furlong"):
        dimension_of_unit("furlong/s")


def test_a_path_that_leads_nowhere_is_told() -> None:
    with pytest.raises(ValueError, match="names no derivation"):
        load("rules.derivations.nowhere:DERIVATION")
    with pytest.raises(ValueError, match="not a Derivation"):
        load("rules.derivations.model:Why")


def test_an_example_that_breaks_a_law_is_caught() -> None:
    broken = replace(DIVIDER, example={**DIVIDER.example, "I": 2e-3})
    assert any("the example breaks it" in problem for problem in prove(broken).problems)


def test_a_branch_that_the_example_does_not_take_is_not_what_is_proven() -> None:
    """The function clips at nothing: with a drive below the drop it gives 0, and the step does not."""
    drive = Derivation(
        "drive",
        (Symbol("V", "drive", "V"), Symbol("V_BE", "drop", "V"), Symbol("R", "resistor", "ohm"),
         Symbol("I", "current", "A", "real")),
        (Step("The base current.", "I", "=", "(V - V_BE)/R", "law", source="Ohm's law"),),
        (Plain("rules.analysis.formulas.drive:base_current_of_drive",
               {"drive": "V", "base_resistor": "R", "vbe": "V_BE"}, 0),),
        {"V": 5.0, "V_BE": 0.7, "R": 1e3},
    )  # fmt: skip
    assert prove(drive).proven
    assert prove(replace(drive, example={"V": 0.5, "V_BE": 0.7, "R": 1e3})).problems


def test_the_slope_in_numbers_is_that_of_sympy() -> None:
    text = "diff(x**2*log(a*x)/sqrt(x + a) + exp(-a/x) + 2**x, x)"
    exact = sympy.sympify(read(text, in_sympy({"x": sympy.Symbol("x"), "a": sympy.Symbol("a")})))
    for x, a in ((0.7, 2.0), (3.0, 0.4)):
        wanted = float(exact.subs({"x": x, "a": a}))
        assert read(text, in_numbers({"x": x, "a": a})) == pytest.approx(wanted, rel=1e-12)
