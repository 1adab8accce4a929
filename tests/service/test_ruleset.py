"""Discovery and the metadata that a rule must have."""

from __future__ import annotations

import importlib.metadata
from dataclasses import replace
from typing import Any

import pytest

from rules.contract import Lesson
from schemas.finding import Limit
from service import ruleset as module
from service.ruleset import complaints_about, of_rules
from tests.service.fakes import GROUNDS, LESSON, FakeRule


def fine(**over: Any) -> FakeRule:
    return replace(FakeRule("made-up", lambda study: ()), **over)


def test_sound_metadata_has_no_complaint() -> None:
    assert complaints_about(fine(), "made-up") == []


@pytest.mark.parametrize(
    "slug", ["Made-up", "made_up", "made--up", "-made", "made-", "", "made up", "q4", "made-up\n", 7]
)
def test_a_slug_is_lower_case_words_joined_by_hyphens(slug: Any) -> None:
    found = complaints_about(fine(slug=slug))
    assert found == [f"slug {slug!r} is not lower-case words joined by hyphens"]


@pytest.mark.parametrize("slug", ["fuse", "v-ebo", "timing-leakage"])
def test_words_of_any_length_make_a_slug(slug: str) -> None:
    assert complaints_about(fine(slug=slug)) == []


@pytest.mark.parametrize(
    ("over", "complaint"),
    [
        ({"title": " "}, "title is empty"),
        ({"protects": ""}, "protects is empty"),
        ({"api_level": 2}, "api_level is 2; this engine runs 1 to 1"),
        ({"api_level": True}, "api_level is True; this engine runs 1 to 1"),
        ({"grounds": None}, "grounds are missing"),
        ({"grounds": replace(GROUNDS, source="")}, "grounds.source is empty"),
        ({"grounds": replace(GROUNDS, fails="")}, "grounds.fails is empty"),
        ({"grounds": replace(GROUNDS, symbols={})}, "grounds.symbols is empty"),
        ({"grounds": replace(GROUNDS, symbols={"x": ""})}, "grounds.symbols has a symbol without a meaning"),
        ({"limits": None}, "limits are missing"),
        ({"limits": {"least": 3.0}}, "limit 'least' is not a Limit"),
        ({"limits": {"least": Limit("most", 1.0, "V", "s")}}, "limit 'least' names itself 'most'"),
        ({"limits": {"least": Limit("least", float("nan"), "V", "s")}}, "limit 'least' has no finite value"),
        ({"limits": {"least": Limit("least", 1.0, "V", "")}}, "limit 'least' has no source"),
        ({"lesson": None}, "lesson is missing"),
        ({"lesson": replace(LESSON, why="")}, "lesson.why is empty"),
        ({"lesson": Lesson("a", "b", "c", "", "e")}, "lesson.failing is empty"),
    ],
)
def test_incomplete_metadata_is_named(over: dict[str, Any], complaint: str) -> None:
    assert complaints_about(fine(**over)) == [complaint]


def test_the_entry_point_has_the_name_of_the_rule_and_an_instance() -> None:
    assert complaints_about(fine(), "other") == [
        "its slug is 'made-up', but the entry point is named 'other'"
    ]
    assert complaints_about(FakeRule)[0].startswith("the entry point names the class FakeRule")


def test_rules_are_sorted_and_the_unfit_are_reported() -> None:
    found = of_rules([fine(slug="zener"), fine(slug="diode"), fine(slug="lamp", title="")])
    assert [entry.slug for entry in found.rules] == ["diode", "zener"]
    assert [str(fault) for fault in found.faults] == ["rule 'lamp' of local: title is empty"]


def test_a_slug_claimed_twice_runs_neither() -> None:
    found = of_rules([fine(), fine(title="another"), fine(slug="other")])
    assert [entry.slug for entry in found.rules] == ["other"]
    assert "is also claimed by local; neither runs" in found.faults[0].reason


def test_the_digest_names_limits_grounds_versions_and_faults() -> None:
    base = of_rules([fine()])
    assert base.digest == of_rules([fine()]).digest
    others = [
        of_rules([fine(limits={"least": Limit("least", 101.0, "ohm", "made up")})]),
        of_rules([fine(grounds=replace(GROUNDS, formula="x > limit"))]),
        of_rules([fine()], version="1"),
        of_rules([fine()], distribution="elsewhere"),
        of_rules([fine(), fine(slug="broken", title="")]),
        of_rules([]),
    ]
    digests = [base.digest, *(other.digest for other in others)]
    assert len(set(digests)) == len(digests)
    assert all(digest.startswith("sha256:") and len(digest) == 71 for digest in digests)


class _Point:
    """An entry point as the metadata of a distribution gives it."""

    def __init__(self, name: str, value: str, load: Any) -> None:
        self.name, self.value, self.load, self.dist = name, value, load, None


def _installed(monkeypatch: pytest.MonkeyPatch, *points: _Point) -> module.Ruleset:
    monkeypatch.setattr(importlib.metadata, "entry_points", lambda group: points)
    return module.installed.__wrapped__()


def test_a_plugin_that_breaks_on_load_is_reported_and_the_others_run(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> Any:
        raise ModuleNotFoundError("No module named 'gone'\nsecond line")

    found = _installed(
        monkeypatch, _Point("gone", "gone:RULE", missing), _Point("made-up", "here:RULE", fine)
    )
    assert [entry.slug for entry in found.rules] == ["made-up"]
    broken = next(fault for fault in found.faults if fault.name == "gone")
    assert broken.reason.startswith(
        "could not be loaded: ModuleNotFoundError: No module named 'gone' (if its files"
    )
    assert "second line" not in broken.reason


def test_stale_metadata_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    (tmp_path / "rules").mkdir()
    (tmp_path / "service").mkdir()
    for name, text in {
        "old_rule.py": "RULE = 1\n",
        "new_rule.py": "RULE: Rule = NewRule()\n",
        "contract.py": "class Rule: ...\nRULES = ()\n",
        "__init__.py": "",
    }.items():
        (tmp_path / "rules" / name).write_text(text)
    monkeypatch.setattr(module, "__file__", str(tmp_path / "service" / "ruleset.py"))
    found = _installed(monkeypatch, _Point("made-up", "rules.old_rule:RULE", fine))
    assert [fault.name for fault in found.faults] == ["new-rule"]
    assert "install the package again" in found.faults[0].reason


def test_no_metadata_at_all_is_noticed(monkeypatch: pytest.MonkeyPatch, tmp_path: Any) -> None:
    monkeypatch.setattr(module, "__file__", str(tmp_path / "service" / "ruleset.py"))
    found = _installed(monkeypatch)
    assert found.rules == ()
    assert "no rule is announced at all" in found.faults[0].reason
