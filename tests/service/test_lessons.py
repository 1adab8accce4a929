"""Lessons as data: three depths, derivations with numbers, numbers put into formulas, broken paths."""

from __future__ import annotations

import pytest

from rules.derivations.min_beta_drive import DERIVATION
from schemas.finding import Quantity
from service import facade
from service.lessons import derivation_shape, put_in, with_numbers
from service.ruleset import installed, of_rules
from tests.service.fakes import FakeRule

PATH = "rules.derivations.min_beta_drive:DERIVATION"


def quantities(**values: float) -> list[Quantity]:
    units = {"beta_min": "", "ODF": ""}
    return [Quantity(name, name, value, units.get(name, "A")) for name, value in values.items()]


def test_each_depth_has_all_of_the_one_before() -> None:
    depths = ("line", "card", "lesson")
    line, card, lesson = (set(facade.lesson("min-beta-drive", depth=depth)) for depth in depths)
    assert line < card < lesson
    assert {"slug", "rule_of_thumb", "limits"} <= line
    assert card - line == {"grounds"}
    assert lesson - card == {"lesson", "derivation"}
    with pytest.raises(facade.OptionRefused):
        facade.lesson("min-beta-drive", depth="lin")


def test_a_derivation_has_the_numbers_of_its_example() -> None:
    shape = derivation_shape(PATH)
    assert shape is not None
    assert shape["proven"] is None
    # 12 V less 0.2 V over 330 ohm, by hand
    assert shape["steps"][0]["right_value"] == pytest.approx(11.8 / 330.0)
    assert shape["steps"][0]["numbers"] == "(12 V - 200 mV)/330 ohm"
    assert [item["name"] for item in shape["symbols"] if item["given"]] == [
        item.name for item in DERIVATION.symbols if item.name in DERIVATION.example
    ]


def test_a_path_that_leads_nowhere_is_a_problem_and_no_crash() -> None:
    shape = derivation_shape("rules.derivations.nowhere:DERIVATION")
    assert shape is not None
    assert "names no derivation" in shape["problems"][0]
    assert derivation_shape("") is None


def test_numbers_go_where_symbol_and_unit_match() -> None:
    found = put_in(DERIVATION, quantities(beta_min=100.0, I_B=1e-3, I_C=50e-3, ODF=2.0))
    assert [(item["formula"], item["right"], item["agrees"]) for item in found] == [
        ("ODF = beta_min*I_B/I_C", 2.0, True)
    ]
    assert found[0]["numbers"] == "100*1 mA/50 mA"
    wrong_unit = [Quantity("I_B", "", 1e-3, "V"), *quantities(beta_min=100.0, I_C=50e-3)]
    assert put_in(DERIVATION, wrong_unit) == []
    twice = [*quantities(I_B=1e-3), *quantities(beta_min=100.0, I_B=2e-3, I_C=50e-3)]
    assert put_in(DERIVATION, twice) == []


def test_a_number_that_the_formula_does_not_give_is_told() -> None:
    (item,) = put_in(DERIVATION, quantities(beta_min=100.0, I_B=1e-3, I_C=50e-3, ODF=1.5))
    assert (item["left"], item["right"], item["agrees"]) == (1.5, 2.0, False)


def test_the_name_of_a_part_behind_a_symbol_is_no_part_of_it() -> None:
    named = [Quantity("beta_min,Q1", "", 100.0, ""), *quantities(I_B=1e-3, I_C=50e-3)]
    assert put_in(DERIVATION, named, (), ("Q1", "Q2"))[0]["right"] == pytest.approx(2.0)
    assert put_in(DERIVATION, named) == []


def test_a_rule_that_raises_on_a_circuit_reads_as_failed() -> None:
    def broken(study: object) -> list[object]:
        raise ZeroDivisionError

    ruleset = of_rules([FakeRule("bad-rule", broken)])  # type: ignore[list-item, arg-type]
    document = facade.read(installed().rules[0].rule.lesson.passing.encode(), "yaml")
    answer = facade.lesson("bad-rule", ruleset=ruleset, document=document)
    assert [item["kind"] for item in answer["worked"]["verdicts"]] == ["failed"]
    assert answer["derivation"] is None


def test_numbers_are_written_so_that_they_can_be_read_back_as_a_formula() -> None:
    values = {"I": 0.03, "k": 0.01, "s": 0.002, "n": 3.0, "V": -2.1}
    units = {"I": "A", "k": "1/s", "s": "V/K", "n": "", "V": "V"}
    assert with_numbers("I**2/n", values, units) == "(30 mA)**2/3"
    assert with_numbers("n*k*s", values, units) == "3*(0.01 1/s)*(2 mV/K)"
    assert with_numbers("-V", values, units) == "-(-2.1 V)"
    assert with_numbers("diff(I*n, n)", values, units) == ""
