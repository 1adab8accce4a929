"""Derating profiles: the numbers of the documents, and that every row meets a limit of a rule."""

from __future__ import annotations

import pytest

from service.policy.profiles import HOUSE, PROFILES, SHARES
from service.ruleset import installed


def values(name: str) -> dict[str, float]:
    return {f"{slug}.{limit}": row.value for (slug, limit), row in PROFILES[name].rows.items()}


def test_house_is_what_the_rules_bring() -> None:
    assert not PROFILES[HOUSE].rows


def test_the_capacitor_table_of_eee_inst_002() -> None:
    # NASA/GSFC EEE-INST-002, Capacitors, Table 4 (3/05): ceramic 0.60, plastic film 0.60, solid tantalum 0.50
    # (to 0.30 at 110 degC); aluminium electrolytics are not in that table
    found = values("eee-inst-002")
    wanted = {"ceramic": 0.6, "film": 0.6, "tantalum": 0.5}
    assert {key: found[f"capacitor-voltage.{key}"] for key in wanted} == wanted
    assert "capacitor-voltage.aluminium" not in found
    assert not PROFILES["eee-inst-002"].rows["capacitor-voltage", "film"].from_memory


@pytest.mark.parametrize(
    ("name", "aluminium", "ceramic", "film", "tantalum", "reverse"),
    [("src-severe", 0.7, 0.6, 0.6, 0.7, 0.7), ("src-benign", 0.8, 0.7, 0.7, 0.8, 0.8)],
)
def test_the_part_derating_parameters_of_the_system_reliability_center(
    name: str, aluminium: float, ceramic: float, film: float, tantalum: float, reverse: float
) -> None:
    # Part Derating Parameters, System Reliability Center (Rome NY): per cent of the rated voltage
    found = values(name)
    assert [found[f"capacitor-voltage.{key}"] for key in ("aluminium", "ceramic", "film", "tantalum")] == [
        aluminium,
        ceramic,
        film,
        tantalum,
    ]
    assert found["diode-ratings.reverse_share"] == reverse
    assert not any(row.from_memory for row in PROFILES[name].rows.values())


def test_what_was_not_read_says_so() -> None:
    for name in ("mil-std-975", "ecss-q-st-30-11", *(f"mil-hdbk-338-level-{k}" for k in (1, 2, 3))):
        assert all(row.from_memory for row in PROFILES[name].rows.values()), name
    rows = PROFILES["eee-inst-002"].rows
    assert rows["resistor-dissipation", "share"].from_memory
    assert rows["collector-voltage", "share"].from_memory


def test_rows_are_shares_or_temperatures_that_a_junction_can_have() -> None:
    for profile in PROFILES.values():
        for key, row in profile.rows.items():
            low, high = (0.0, 1.0) if key in SHARES else (323.15, 473.15)
            assert low < row.value <= high, key


def test_every_row_meets_a_limit_of_its_rule() -> None:
    catalogue = installed()
    missing = {
        key
        for profile in PROFILES.values()
        for key in profile.rows
        if (entry := catalogue.find(key[0])) is not None and key[1] not in entry.rule.limits
    }
    assert not missing
