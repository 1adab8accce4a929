"""A policy over a rule set: what runs, with which limits and severities, and how it is told."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

import pytest

from rules.divider_stiffness import RULE as DIVIDER
from rules.min_beta_drive import RULE as DRIVE
from schemas.finding import Limit, Review
from schemas.finding import Test as Inequality
from schemas.problems import Problem
from service.engine import review
from service.policy import (
    Policy,
    PolicyRefused,
    allowed_rules,
    apply,
    effective,
    installed_under,
    load,
    read_policy,
)
from service.policy.values import limit_value
from service.ruleset import LeftOut, LoadedRule, LoadFault, Ruleset, installed, of_rules
from tests.judged import document
from tests.service.fakes import FakeRule, violated

LEAST = Limit("least", 100.0, "ohm", "made up")
HOT = Limit("hot", 383.15, "K", "made up")
MORE = Limit("more", 15.0, "K", "made up")
SHARE = Limit("some share", 0.5, "", "a book, from memory")
RATE = Limit("rate", 0.005, "1/K", "made up")


def fake(slug: str, *limits: Limit) -> FakeRule:
    def judge(study: Any) -> Any:
        yield violated(slug, Inequality.at_least(1.0, 2.0, "ohm"), ("R1",))

    return FakeRule(slug, judge, limits={limit.name: limit for limit in limits or (LEAST,)})


RULES = of_rules([fake("first", LEAST, HOT, MORE, RATE), fake("second", SHARE), fake("third")], "own-rules")


def policy(text: str, file: str = "t.toml") -> Policy:
    return read_policy(text.encode(), file)[0]


def refused(text: str, rules: Ruleset = RULES) -> tuple[Problem, ...]:
    with pytest.raises(PolicyRefused) as caught:
        apply(policy(text), rules)
    return caught.value.problems


def slugs(rules: Ruleset) -> list[str]:
    return [entry.slug for entry in rules.rules]


def reviewed(text: str, rules: Ruleset) -> Review:
    found = document(text)
    return review(found.circuit, rules, remedies=False, raw=found.raw)


BENCH = """\
format: thumbrule/1
name: bench
ground: gnd
parts:
  V1: {kind: supply, voltage: 9 V, pins: {plus: rail, minus: gnd}}
  R1: {kind: resistor, resistance: 1 kohm, pins: {a: rail, b: gnd}}
"""


# limits


def test_other_limits_are_on_a_copy_and_the_rule_stays_as_it_was() -> None:
    before = DRIVE.limits["sure"]
    made = apply(policy("[limits.min-beta-drive]\nsure = 5\n"), of_rules([DRIVE, DIVIDER]))
    entry = made.find("min-beta-drive")
    assert entry is not None
    assert entry.rule.limits["sure"].value == 5.0
    assert entry.rule is not DRIVE
    assert entry.original is DRIVE
    assert DRIVE.limits["sure"] is before
    assert made.find("divider-stiffness").rule is DIVIDER  # type: ignore[union-attr]


def test_another_limit_changes_verdict_and_digest_and_the_finding_names_file_and_line() -> None:
    text = DRIVE.lesson.passing
    own = of_rules([DRIVE])
    made = apply(policy("\n[limits.min-beta-drive]\nsure = 30\n", "workshop.toml"), own)
    assert made.digest != own.digest
    assert not reviewed(text, own).findings
    (finding,) = reviewed(text, made).findings
    assert finding.test.right == 30.0
    assert "limit sure is 30 instead of 3 by policy (workshop.toml, line 3)" in finding.grounds.source
    assert "from workshop.toml" in reviewed(text, made).policy


def test_the_digest_knows_no_paths_and_no_lines() -> None:
    here = apply(policy("[limits.first]\nleast = 50\n", "a.toml"), RULES)
    there = apply(policy('# moved\n\n[limits.first]\nleast = "50 ohm"\n', "/b.toml"), RULES)
    assert here.digest == there.digest != RULES.digest
    assert apply(policy("[limits.first]\nleast = 51\n"), RULES).digest != here.digest
    assert apply(policy("[limits.first]\nleast = 100\n"), RULES).digest == RULES.digest


@pytest.mark.parametrize(
    ("limit", "raw", "value"),
    [
        (LEAST, 50, 50.0),
        (LEAST, "4k7", 4700.0),
        (HOT, "100 degC", 373.15),
        (HOT, 400.0, 400.0),
        (MORE, "20 K", 20.0),
        (MORE, 7, 7.0),
        (SHARE, "75 %", 0.75),
        (SHARE, "0.75", 0.75),
        (RATE, 0.01, 0.01),
    ],
)
def test_limits_are_numbers_in_si_or_texts_with_their_unit(limit: Limit, raw: Any, value: float) -> None:
    assert limit_value(raw, "first", limit) == pytest.approx(value)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('least = "5 V"', ("ohm", '"5 V"')),
        ("least = nan", ("finite", "ohm")),
        ("least = -5", ("out of range", "above zero")),
        ("least = 1e300", ("resistance", "1e+300")),
        ('hot = "5 V"', ("in K", "degC")),
        ("hot = 20", ("temperature", "20")),
        ('more = "20 degC"', ("difference", "15 K")),
        ('rate = "1 %"', ("no text", "plain number in 1/K")),
        ("leest = 3", ("no limit of this name", "least", "hot")),
    ],
)
def test_wrong_units_and_ranges_are_told_with_file_and_line(line: str, words: tuple[str, ...]) -> None:
    (problem,) = refused(f"# t\n[limits.first]\n{line}\n")
    assert problem.line == 3
    assert problem.pointer.startswith("/limits/first/")
    for word in words:
        assert word in problem.message


@pytest.mark.parametrize("raw", ["0", "120 %", "1.01"])
def test_a_share_is_above_nothing_and_at_most_all(raw: str) -> None:
    (problem,) = refused(f'[limits.second]\nsome-share = "{raw}"\n')
    assert "at most 1" in problem.message


@pytest.mark.parametrize("written", ["some share", "some-share", "some_share"])
def test_a_limit_with_a_blank_may_be_written_as_a_bare_key(written: str) -> None:
    made = apply(policy(f'[limits.second]\n"{written}" = 0.25\n'), RULES)
    assert made.find("second").rule.limits["some share"].value == 0.25  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("text", "line", "nearest"),
    [
        ("[limits.frist]\nleast = 3\n", 1, "first"),
        ('[severity]\nsecnd = "note"\n', 2, "second"),
        ('[rules]\nskip = ["thirdd"]\n', 2, "third"),
        ('[rules]\nrun = [\n"first", "seccond"]\n', 3, "second"),
        ('[derating]\nprofile = "hous"\n', 2, "house"),
        ('[plugins]\nallowed = ["own-rule"]\n', 2, "own-rules"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(text: str, line: int, nearest: str) -> None:
    (problem,) = refused(text)
    assert (problem.line, problem.nearest) == (line, nearest)


def test_a_frozen_rule_takes_other_limits_on_its_copy_and_one_without_room_is_refused() -> None:
    made = apply(policy("[limits.first]\nleast = 1\n"), RULES)  # FakeRule is a frozen dataclass
    assert made.find("first").rule.limits["least"].value == 1.0  # type: ignore[union-attr]

    @dataclass(frozen=True, slots=True)
    class Cramped:
        slug: str
        limits: ClassVar[Any] = {"least": LEAST}
        grounds: ClassVar[Any] = FakeRule("x", list).grounds

    entry = LoadedRule(Cramped("cramped"), "own-rules", "0")  # type: ignore[arg-type]
    (problem,) = refused("[limits.cramped]\nleast = 1\n", Ruleset((entry,)))
    assert "cannot be set on a copy" in problem.detail


# severity


@pytest.mark.parametrize("severity", ["error", "warning", "note"])
def test_a_severity_replaces_that_of_the_rule_and_is_told(severity: str) -> None:
    made = apply(policy(f'[severity]\nfirst = "{severity}"\n'), RULES.only(["first"]))
    found = reviewed(BENCH, made)
    (finding,) = found.findings
    assert finding.severity == severity
    assert {item.severity for item in finding.occurrences} == {severity}
    assert f"severity {severity} by policy t.toml, line 2" in finding.grounds.source
    assert f"first: every finding is told as {severity} (t.toml:2)" in found.policy
    assert made.digest != RULES.only(["first"]).digest


def test_no_severity_turns_a_failure_into_anything_else() -> None:
    def crash(study: Any) -> Any:
        raise RuntimeError("broken")

    made = apply(policy('[severity]\nbroken = "note"\n'), of_rules([FakeRule("broken", crash)]))
    (outcome,) = reviewed(BENCH, made).outcomes
    assert outcome.kind == "failed"


def test_a_limit_from_memory_makes_no_error_unless_it_is_replaced_by_a_value_of_ones_own() -> None:
    (problem,) = refused('[severity]\nsecond = "error"\n')
    assert "some share" in problem.detail
    assert "from memory" in problem.detail
    made = apply(policy('[severity]\nsecond = "error"\n[limits.second]\nsome_share = 0.4\n'), RULES)
    assert made.find("second").severity == "error"  # type: ignore[union-attr]


# what runs


def test_run_and_skip_choose_rules_and_what_does_not_run_is_told() -> None:
    made = apply(policy('[rules]\nrun = ["first", "second"]\nskip = ["second"]\n'), RULES)
    assert slugs(made) == ["first"]
    found = reviewed(BENCH, made)
    told = {outcome.rule: outcome for outcome in found.outcomes if outcome.rule != "first"}
    assert {outcome.kind for outcome in told.values()} == {"not-applicable"}
    assert told["second"].reason == "not run: skipped by policy t.toml, line 3"
    assert told["third"].reason.startswith("not run: not among the rules that run by policy t.toml, line 2")
    assert "not run, skipped by policy t.toml, line 3: second" in found.policy
    assert not found.problems


def test_a_policy_that_leaves_nothing_is_refused() -> None:
    (problem,) = refused('[rules]\nskip = ["first", "second", "third"]\n')
    assert "no rule" in problem.detail
    (problem,) = refused("[plugins]\nallowed = []\n")
    assert "no rule" in problem.detail


def test_only_rules_of_the_distributions_allowed_run() -> None:
    other = of_rules([fake("fourth")], "Other_Rules")
    broken = LoadFault("fifth", "Other_Rules", "could not be loaded")
    both = Ruleset((*RULES.rules, *other.rules), (broken,))
    made = apply(policy('[plugins]\nallowed = ["own_rules"]\n'), both)
    assert slugs(made) == ["first", "second", "third"]
    assert made.faults == ()
    assert [(item.name, item.distribution) for item in made.left_out] == [
        ("fifth", "Other_Rules"),
        ("fourth", "Other_Rules"),
    ]
    assert "Other_Rules is not among those allowed in t.toml, line 2" in made.left_out[0].reason
    assert slugs(apply(policy('[plugins]\nallowed = ["own.rules", "other-rules"]\n'), both)) == slugs(both)
    assert apply(policy(""), both).faults == (broken,)  # what is allowed and broken stays a failure


def test_a_rule_of_a_distribution_that_is_not_allowed_is_never_loaded(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import importlib.metadata as metadata

    class Point:
        name, value = "stranger", "nowhere:RULE"

        class dist:
            metadata: ClassVar[Any] = {"Name": "strange-rules", "Version": "1"}

        def load(self) -> Any:
            raise AssertionError("loaded all the same")

    known = list(metadata.entry_points(group="thumbrule.rules"))
    monkeypatch.setattr(metadata, "entry_points", lambda group: [*known, Point()])
    installed.cache_clear()
    try:
        allowed = policy('[plugins]\nallowed = ["thumbrule"]\n')
        assert [item.name for item in allowed_rules(allowed).left_out] == ["stranger"]
        made = installed_under(allowed)
        assert "not among those allowed" in made.left_out[0].reason
        assert not [fault for fault in made.faults if fault.distribution != "thumbrule"]
    finally:
        installed.cache_clear()


# series, profiles


def test_the_series_reach_the_study_of_every_rule() -> None:
    seen: list[str] = []

    def look(study: Any) -> Any:
        seen.append(study.preferences.resistor)
        yield violated("looks", Inequality.at_least(1.0, 2.0, "ohm"), ("R1",))

    made = apply(policy('[series]\nresistor = "E96"\n'), of_rules([FakeRule("looks", look)]))
    found = reviewed(BENCH, made)
    assert set(seen) == {"E96"}
    assert "resistor: values are proposed from E96 (t.toml:2)" in found.policy
    assert made.digest != of_rules([FakeRule("looks", look)]).digest


def test_a_profile_sets_limits_with_its_source_and_a_limit_of_ones_own_counts_more() -> None:
    from rules.base_emitter_reverse import RULE as REVERSE

    text = '[derating]\nprofile = "ecss-q-st-30-11"\n'
    limit = apply(policy(text), of_rules([REVERSE])).rules[0].rule.limits["share"]
    assert limit.value == 0.75
    assert "ECSS-Q-ST-30-11C Rev 1 (2011), from memory" in limit.source
    assert "profile ecss-q-st-30-11 in policy t.toml, line 2" in limit.source
    more = "[limits.base-emitter-reverse]\nshare = 0.7\n"
    assert apply(policy(more + text), of_rules([REVERSE])).rules[0].rule.limits["share"].value == 0.7
    (problem,) = refused(text + '[severity]\nbase-emitter-reverse = "error"\n', of_rules([REVERSE]))
    assert "from memory" in problem.detail


def test_no_policy_changes_nothing() -> None:
    assert apply(Policy(), RULES) == RULES
    assert apply(policy(""), RULES).digest == RULES.digest


# showing


def test_every_line_of_the_effective_policy_has_its_origin(tmp_path: Path) -> None:
    (tmp_path / "base.toml").write_text('[series]\nfilm = "E6"\n[derating]\nprofile = "ecss-q-st-30-11"\n')
    own = tmp_path / "thumbrule.toml"
    own.write_text(
        'extends = ["base.toml"]\n[limits.divider-stiffness]\nstiff = 12\n[rules]\nskip = ["power-up"]\n'
    )
    shown = effective(load(own), installed())
    limits = {(line["rule"], line["limit"]): line for line in shown["limits"]}
    stiff = limits["divider-stiffness", "stiff"]
    assert (stiff["value"], stiff["default"]) == (12.0, 10.0)
    assert (stiff["origin"]["kind"], stiff["origin"]["line"]) == ("file", 3)
    assert stiff["origin"]["file"].endswith("thumbrule.toml")
    share = limits["base-emitter-reverse", "share"]
    assert (share["value"], share["origin"]["kind"], share["origin"]["profile"]) == (
        0.75,
        "profile",
        "ecss-q-st-30-11",
    )
    assert share["origin"]["file"].endswith("base.toml")
    weak = limits["divider-stiffness", "weak"]
    assert weak["origin"]["kind"] == "default"
    assert weak["origin"]["source"] == DIVIDER.limits["weak"].source
    rules = {line["rule"]: line for line in shown["rules"]}
    assert not rules["power-up"]["runs"]
    assert rules["power-up"]["origin"]["line"] == 5
    assert ("power-up", "moment") not in limits
    series = {line["kind"]: (line["value"], line["origin"]["kind"]) for line in shown["series"]}
    assert series == {
        "resistor": ("E24", "default"),
        "electrolytic": ("E6", "default"),
        "film": ("E6", "file"),
        "ceramic": ("E12", "default"),
    }
    assert shown["derating"]["profile"] == "ecss-q-st-30-11"
    assert shown["plugins"] == {"allowed": None, "origin": shown["plugins"]["origin"]}
    assert len(shown["limits"]) == sum(
        len(entry.rule.limits) for entry in installed().rules if entry.slug != "power-up"
    )


def test_the_origin_of_a_left_out_rule_is_the_line_that_its_reason_names() -> None:
    other = of_rules([fake("fourth"), fake("fifth")], "other-rules")
    both = Ruleset((*RULES.rules, *other.rules))
    text = (
        '[rules]\nrun = ["first", "third", "fourth"]\nskip = ["third", "fifth"]\n'
        '[plugins]\nallowed = ["own-rules"]\n'
    )
    lines = {line["rule"]: line for line in effective(policy(text), both)["rules"]}
    assert {name: line["origin"]["line"] for name, line in lines.items() if not line["runs"]} == {
        "second": 2,
        "third": 3,
        "fourth": 5,
        "fifth": 5,
    }
    assert all(
        line["reason"].endswith(f"line {line['origin']['line']}")
        for line in lines.values()
        if not line["runs"]
    )


def test_left_out_is_told_apart_from_failed() -> None:
    made = replace(RULES, left_out=(LeftOut("gone", "own-rules", "skipped"),))
    found = reviewed(BENCH, made)
    assert [o.kind for o in found.outcomes if o.rule == "gone"] == ["not-applicable"]


def test_cures_meet_the_limit_of_the_policy_not_that_of_the_rule() -> None:
    from rules.holding_margin import RULE as HOLDING

    found = document(HOLDING.lesson.failing)
    made = apply(policy("[limits.holding-margin]\nsure = 4\nsupply_share = 0.5\n"), of_rules([HOLDING]))
    (finding,) = [f for f in review(found.circuit, made, raw=found.raw).findings if f.test.unit == ""]
    proven = [remedy.proof for remedy in finding.remedies if remedy.proof.proven]
    assert proven
    assert all(proof.after is not None and proof.after >= 4.0 for proof in proven)
    assert "1/4 of the least gain and at 50 %" in finding.remedies[0].summary
