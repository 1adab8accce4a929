"""Every rule keeps the contract of rules: all checks of rules.conformance, and each check can fail."""

from __future__ import annotations

import copy
import importlib.metadata
import os
import subprocess
import sys
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from rules.conformance import CHECKS, Trial, check_rule, results
from rules.conformance.circuits import document, redrawn, renamed, reordered, scale
from rules.conformance.elsewhere import SEEDS, fingerprints
from rules.conformance.trial import fingerprint
from rules.contract import ENTRY_POINT_GROUP
from service.proving import prove
from tests.rules.broken_rules import (
    GOOD,
    LEAST,
    ChangesAState,
    Counts,
    Endless,
    FiresAlways,
    FiresInside,
    JudgesNothingThatIsRight,
    LeavesSomething,
    LooksAtNames,
    LooksAtOneEnd,
    LooksAtTheFirst,
    MendsNothing,
    NeverFires,
    OwnConstant,
    Raises,
    Remembers,
    Silent,
    Sound,
    TakesACrashForAPass,
    TurnsElsewhere,
    Wavy,
    WithoutDialOrReason,
    WithoutSource,
)

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = ROOT / "tests" / "example_rules"
BUILT_IN = {
    point.name: point.value
    for point in importlib.metadata.entry_points(group=ENTRY_POINT_GROUP)
    if point.value.startswith("rules.")
}


@cache
def trial(slug: str) -> Trial:
    """One trial per rule, so that the checks share its runs."""
    point = next(p for p in importlib.metadata.entry_points(group=ENTRY_POINT_GROUP) if p.name == slug)
    return Trial(point.load(), prove)


# rule by rule, so that the checks of one rule run in one process
@pytest.mark.parametrize(("slug", "check"), [(slug, check) for slug in sorted(BUILT_IN) for check in CHECKS])
def test_every_built_in_rule_keeps_the_contract(slug: str, check: str) -> None:
    (result,) = results(trial(slug), (check,))
    assert result.passed, result.detail


@pytest.mark.parametrize("seed", SEEDS)
def test_every_built_in_rule_says_the_same_under_any_hash_seed(seed: str) -> None:
    here = {name: fingerprint(trial(slug)) for slug, name in BUILT_IN.items()}
    assert fingerprints(tuple(sorted(BUILT_IN.values())), seed) == here


# each check can fail


def failed(rule: Any) -> dict[str, str]:
    return {result.check: result.detail for result in check_rule(rule, prove) if not result.passed}


def test_a_sound_rule_passes_every_check() -> None:
    found = check_rule(Sound(), prove)
    assert [result.check for result in found] == list(CHECKS)
    assert not failed(Sound())
    details = {result.check: result.detail for result in found}
    low, high = _bracket(details["both-sides"])
    assert high < 100.0 <= low < 100.02
    assert details["remedy"].startswith("1 proven")


def _bracket(detail: str) -> tuple[float, float]:
    words = detail.split(",")[0].removeprefix("crossed between ").split(" and ")
    return float(words[0]), float(words[1])


@pytest.mark.parametrize(
    ("rule", "check", "words"),
    [
        (WithoutSource(), "metadata", "grounds.source is empty"),
        (WithoutDialOrReason(), "metadata", "undialled"),
        (NeverFires(), "fires", "nothing is found"),
        (FiresAlways(), "silent", "fires on the passing circuit"),
        (JudgesNothingThatIsRight(), "silent", "not judged at all"),
        (FiresAlways(), "both-sides", "fires at the good end"),
        (NeverFires(), "both-sides", "does not fire at the bad end"),
        (TurnsElsewhere(), "both-sides", "not where its test does"),
        (FiresInside(), "both-sides", "although its test has the margin"),
        (Wavy(), "monotone", "the margin rises"),
        (LooksAtNames(), "renaming", "became not-applicable"),
        (LooksAtTheFirst(), "reordering", "at R2 became satisfied at R1"),
        (LooksAtOneEnd(), "redrawing", "violated (warning) at R2"),
        (Counts(), "deterministic", "asked twice"),
        (Remembers(), "pure", "changed its own members"),
        (LeavesSomething(), "pure", "left my_notes on the study"),
        (ChangesAState(), "pure", "changed a state"),
        (Endless(), "budget", "more than"),
        (OwnConstant(), "limits", "does not read them from itself"),
        (MendsNothing(), "remedy", "none of its proposals is proven"),
        (TakesACrashForAPass(), "crash", "still says satisfied: all is well"),
        (Raises(), "fires", "the rule raised RuntimeError: out of order"),
        (Silent(), "silent", "no outcome at all"),
    ],
    ids=lambda item: type(item).__name__ if isinstance(item, Sound) else None,
)
def test_each_check_can_fail(rule: Sound, check: str, words: str) -> None:
    (result,) = check_rule(rule, prove, only=(check,))
    assert not result.passed
    assert words in result.detail, result.detail


def test_every_check_has_a_rule_that_fails_it() -> None:
    marks = test_each_check_can_fail.pytestmark  # type: ignore[attr-defined]
    assert {case[1] for mark in marks for case in mark.args[1]} == set(CHECKS)


def test_the_hash_seed_is_found_out_in_another_process(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    module = tmp_path / "seedy_rule.py"
    module.write_text(
        "from dataclasses import replace\n"
        "from tests.rules.broken_rules import Sound\n"
        "class Seedy(Sound):\n"
        "    def judged(self, study, name, test):\n"
        "        made = super().judged(study, name, test)\n"
        "        if made.finding is None:\n"
        "            return made\n"
        "        words = ', '.join({'cellar', 'attic', 'porch', 'yard', 'shed'})\n"
        "        return replace(made, finding=replace(made.finding, message=words))\n"
        "RULE = Seedy()\n"
        "SOUND = Sound()\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.syspath_prepend(str(ROOT))
    from seedy_rule import RULE, SOUND  # type: ignore[import-not-found]

    (result,) = check_rule(RULE, name="seedy_rule:RULE", only=("deterministic",))
    assert not result.passed
    assert "PYTHONHASHSEED" in result.detail
    (result,) = check_rule(SOUND, name="seedy_rule:SOUND", only=("deterministic",))
    assert result.passed, result.detail


# what the checks are made of


def test_circuits_told_differently() -> None:
    found = document(GOOD)
    other, names = renamed(found.circuit)
    assert set(other.parts) == {"X01", "X02", "X03"}
    assert names.back().of(names.of("R1")) == "R1"
    assert other.parts[names.parts["R1"]].pins["a"] == names.nets["rail"]
    assert list(reordered(found.circuit).parts) == ["V1", "R2", "R1"]
    assert redrawn(found.circuit).parts["R1"].pins == {"a": "tap", "b": "rail"}
    assert redrawn(found.circuit).parts["V1"] == found.circuit.parts["V1"]


@pytest.mark.parametrize(
    ("good", "bad", "middle"),
    [
        ("1 kohm", "100 kohm", 10e3),
        ("5 %", "20 %", 0.1),
        ("0 degC", "20 degC", 283.15),
        ("100", "400", 200.0),
    ],
)
def test_a_dial_goes_by_ratio_or_evenly(good: str, bad: str, middle: float) -> None:
    between = scale(good, bad)
    assert between is not None
    assert between.at(0.5) == pytest.approx(middle)
    assert scale("film", "aluminium") is None


def test_a_copy_of_a_rule_with_another_limit_is_another_rule() -> None:
    mild = copy.copy(Sound())
    mild.limits = {"least": replace(LEAST, value=10.0)}
    assert "fires" in failed(mild)
    assert not failed(Sound())


# as others use it


def _shell(*arguments: str, path: str = "") -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (path, str(ROOT))))}
    command = [sys.executable, "-m", "rules.conformance", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=120, env=environment, cwd=ROOT)


def test_the_example_package_passes_from_a_shell() -> None:
    rule = next(EXAMPLE.glob("*/[a-z]*.py"))
    name = f"{rule.parent.name}.{rule.stem}:RULE"
    done = _shell(name, "--prove", "service.proving:prove", path=str(EXAMPLE))
    assert done.returncode == 0, done.stdout + done.stderr
    assert len(done.stdout.splitlines()) == len(CHECKS)
    assert "hash seeds 1, 4242" in done.stdout


def test_what_cannot_be_loaded_is_told() -> None:
    done = _shell("rules.nowhere:RULE")
    assert (done.returncode, done.stdout) == (2, "")
    assert "cannot be loaded" in done.stderr


def test_one_check_may_be_chosen_and_a_failure_gives_status_1() -> None:
    done = _shell("tests.rules.broken_rules:NEVER", "--only", "fires")
    assert done.returncode == 1
    assert done.stdout.startswith("FAILED  least-resistance: fires: nothing is found")
