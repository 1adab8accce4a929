"""Derating profiles: the numbers of the documents, and that every row meets a limit of a rule."""

from __future__ import annotations

import pytest

from rules.capacitor_voltage import RULE as CAPACITOR
from service.engine import run
from service.policy import apply, read_policy
from service.policy.profiles import HOUSE, PROFILES, SHARES
from service.ruleset import Ruleset, installed
from tests.judged import document


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
    for profile in PROFILES.values():
        for slug, limit in profile.rows:
            entry = catalogue.find(slug)
            assert entry is not None, slug
            assert limit in entry.rule.limits, (slug, limit)


def under(profile: str, slug: str) -> Ruleset:
    policy = read_policy(f'[derating]\nprofile = "{profile}"\n'.encode(), "t.toml")[0]
    return apply(policy, installed().only([slug]))


def test_a_profile_changes_a_verdict_and_names_its_document() -> None:
    # System Reliability Center, Part Derating Parameters: aluminium electrolytics 70 % severe, 80 % benign
    passing = document(CAPACITOR.lesson.passing).circuit
    assert not run(passing, under("src-benign", CAPACITOR.slug)).findings
    (finding,) = run(passing, under("src-severe", CAPACITOR.slug)).findings
    assert finding.severity == "warning"
    assert finding.test.right == pytest.approx(0.7 * 16.0)
    assert (
        "limit aluminium is 0.7 instead of 0.8 by profile src-severe (t.toml, line 2)"
        in finding.grounds.source
    )


@pytest.mark.parametrize("name", sorted(set(PROFILES) - {HOUSE}))
def test_shares_of_a_profile_are_never_more_than_a_warning(name: str) -> None:
    for slug in sorted({slug for slug, _ in PROFILES[name].rows}):
        rules = under(name, slug)
        entry = rules.find(slug)
        assert entry is not None
        passing = document(entry.rule.lesson.passing).circuit  # within every rating, by the rules' own shares
        assert {finding.severity for finding in run(passing, rules).findings} <= {"warning", "note"}, slug
        for key, row in PROFILES[name].rows.items():
            if key[0] == slug:
                assert entry.rule.limits[key[1]].value == row.value
                assert entry.rule.limits[key[1]].source.startswith(row.source)
