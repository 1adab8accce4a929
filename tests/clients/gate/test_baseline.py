"""The file of known findings: what it excuses, how it is tightened, and what is wrong with a broken one."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from clients.gate.baseline import Baseline, Known, read, tighten, tightened
from clients.sources import CannotCheck
from tests.clients.gate.repo import FAULT, LAMP, RULES, WORSE, Repo, gate, lamp, waived

FILE = ("--baseline", "known.json")
ONE = Known("a/1/x", "a", ("Q1",), (), "warning", -0.5, 2)


def judged(*arguments: str) -> Any:
    return json.loads(gate(*arguments, "--format", "json").stdout)


def entries(folder: Path) -> Any:
    data = json.loads((folder / "known.json").read_text())
    assert data["format"] == "thumbrule-baseline/1"
    return data["files"]


@pytest.fixture
def started(repo: Repo) -> Repo:
    """One known finding, in the baseline of a repository; the policy asks two rules."""
    repo.commit({"thumbrule.toml": RULES, "yard/lamp.yaml": FAULT, "fine.yaml": LAMP})
    result = gate(*FILE, "--ratchet")
    assert result.exit_code == 1  # the run that starts it is judged without it
    assert "baseline started, 1 known now" in result.stderr
    repo.commit()
    return repo


def test_the_first_one_is_what_was_found(started: Repo) -> None:
    found = entries(started.top)
    assert list(found) == ["yard/lamp.yaml"]
    (entry,) = found["yard/lamp.yaml"]
    assert (entry["rule"], entry["parts"], entry["severity"]) == ("min-beta-drive", ["Q1", "R1"], "warning")
    assert -1 < entry["margin"] < 0
    assert entry["places"] == 1


def test_what_is_in_it_does_not_count(started: Repo) -> None:
    answer = judged(*FILE)
    assert [item["file"] for item in answer["files"]] == ["fine.yaml", "yard/lamp.yaml"]
    assert answer["verdict"]["status"] == 0
    assert answer["verdict"]["kinds"] == {"known": 1}
    assert judged(*FILE, "--strict")["verdict"]["status"] == 1


def test_what_is_not_in_it_is_new(started: Repo) -> None:
    started.write({"fine.yaml": FAULT})
    answer = judged(*FILE)
    assert answer["verdict"]["counted"] == {"new": 1}
    assert answer["verdict"]["status"] == 1


def test_what_is_worse_than_in_it_is_worsened(started: Repo) -> None:
    started.write({"yard/lamp.yaml": WORSE})
    assert judged(*FILE)["verdict"]["counted"] == {"worsened": 1}


def test_an_unchanged_file_is_written_to_the_same_bytes(started: Repo) -> None:
    before = (started.top / "known.json").read_bytes()
    result = gate(*FILE, "--ratchet")
    assert result.exit_code == 0
    assert result.stderr == ""
    assert (started.top / "known.json").read_bytes() == before


def test_the_ratchet_goes_down_and_never_up(started: Repo) -> None:
    before = entries(started.top)["yard/lamp.yaml"][0]["margin"]
    started.write({"yard/lamp.yaml": lamp("2.8k")})
    assert "can be tighter (--ratchet)" in gate(*FILE).stdout
    assert gate(*FILE, "--ratchet").exit_code == 0
    better = entries(started.top)["yard/lamp.yaml"][0]["margin"]
    assert better > before
    started.write({"yard/lamp.yaml": WORSE, "fine.yaml": FAULT})
    assert gate(*FILE, "--ratchet").exit_code == 1
    assert entries(started.top)["yard/lamp.yaml"][0]["margin"] == better
    assert list(entries(started.top)) == ["yard/lamp.yaml"]
    started.write({"yard/lamp.yaml": LAMP})
    assert gate(*FILE, "--ratchet").exit_code == 1  # fine.yaml is at fault still
    assert entries(started.top) == {}


def test_only_what_was_looked_at_is_tightened(started: Repo) -> None:
    assert gate(*FILE, "--ratchet", "fine.yaml").exit_code == 0
    assert list(entries(started.top)) == ["yard/lamp.yaml"]
    started.write({"yard/lamp.yaml": "format: thumbrule/1\n"})
    assert gate(*FILE, "--ratchet").exit_code == 2
    assert list(entries(started.top)) == ["yard/lamp.yaml"]


def test_the_baseline_of_the_base_judges(started: Repo) -> None:
    assert gate("--base", "main", *FILE, "yard/lamp.yaml").exit_code == 0
    started.write({"fine.yaml": FAULT})
    (started.top / "known.json").unlink()
    gate(*FILE, "--ratchet")
    assert list(entries(started.top)) == ["fine.yaml", "yard/lamp.yaml"]
    answer = judged("--base", "main", *FILE)
    assert answer["verdict"]["counted"] == {"new": 1}
    assert answer["verdict"]["status"] == 1


def test_a_baseline_that_the_change_brings_excuses_nothing(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES})
    repo.write({"lamp.yaml": FAULT})
    assert gate(*FILE, "--ratchet").exit_code == 1
    answer = judged("--base", "main", *FILE)
    assert answer["baseline"]["proposed"] is True
    assert answer["verdict"]["status"] == 1
    assert "baseline proposed" in " ".join(gate("--base", "main", *FILE).stdout.split())


def test_a_renamed_file_and_a_renamed_part_keep_their_entry(started: Repo) -> None:
    started.git("mv", "yard/lamp.yaml", "glow.yaml")
    started.write({"glow.yaml": FAULT.replace("Q1:", "T7:")})
    result = gate("--base", "main", *FILE, "--ratchet")
    assert result.exit_code == 0, result.output
    found = entries(started.top)
    assert list(found) == ["glow.yaml"]
    assert found["glow.yaml"][0]["parts"] == ["R1", "T7"]
    started.commit()
    assert gate(*FILE).exit_code == 0


def test_a_deleted_circuit_leaves_it(started: Repo) -> None:
    started.git("rm", "--quiet", "yard/lamp.yaml")
    result = gate("--base", "main", *FILE, "--ratchet")
    assert result.exit_code == 0
    assert "the circuit is gone" in result.stdout
    assert entries(started.top) == {}


def test_it_may_lie_elsewhere_and_the_gate_may_run_elsewhere(repo: Repo,
                                                             monkeypatch: pytest.MonkeyPatch) -> None:
    repo.commit({"thumbrule.toml": RULES, "yard/lamp.yaml": FAULT, "docs/x": "1"})
    monkeypatch.chdir(repo.top / "yard")
    assert gate("--baseline", "../docs/known.json", "--ratchet").exit_code == 1
    assert list(entries(repo.top / "docs")) == ["../yard/lamp.yaml"]
    assert gate("--baseline", "../docs/known.json").exit_code == 0
    monkeypatch.chdir(repo.top)
    assert gate("--baseline", "docs/known.json").exit_code == 0


def test_without_a_repository(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    monkeypatch.chdir(tmp_path)
    for name, text in (("thumbrule.toml", RULES), ("lamp.yaml", FAULT)):
        (tmp_path / name).write_text(text)
    (tmp_path / ".hidden").mkdir()
    (tmp_path / ".hidden" / "lamp.yaml").write_text(FAULT)
    assert gate(*FILE, "--ratchet").exit_code == 1
    assert list(entries(tmp_path)) == ["lamp.yaml"]
    assert gate(*FILE).exit_code == 0


def test_without_a_base_the_waivers_of_the_circuit_count(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": waived(FAULT),
                 "late.yaml": waived(FAULT, "2026-11-28")})
    answer = judged(*FILE, "--ratchet")
    assert answer["verdict"]["status"] == 1
    assert answer["verdict"]["kinds"] == {"new": 1, "waived": 1}
    assert list(entries(repo.top)) == ["late.yaml"]
    # A waiver that ran out reopens even what the baseline knows.
    answer = judged(*FILE)
    assert answer["verdict"]["counted"] == {"reopened": 1}


def test_a_file_that_is_not_there(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "known.jsn": "{}"})
    result = gate(*FILE)
    assert result.exit_code == 2
    assert "did you mean: known.jsn" in result.stderr
    assert "--ratchet starts one" in " ".join(result.stderr.split())


def finding(**more: Any) -> dict[str, Any]:
    return {"identity": "a/1/x", "rule": "a", "parts": ["Q1"], "nets": [], "severity": "warning",
            "margin": -0.5, "places": 1, **more}  # fmt: skip


def document(*items: Any, **more: Any) -> str:
    return json.dumps({"format": "thumbrule-baseline/1", "files": {"a.yaml": list(items)}, **more}, indent=1)


@pytest.mark.parametrize(("text", "pointer", "line"), [
    ("", "", 1), ("[]", "", 1), ("{", "", 1), ('{"format": "thumbrule/1"}', "/format", 1),
    ('{\n"format": "thumbrule-baseline/2", "files": {}}', "/format", 2),
    ('{"format": "thumbrule-baseline/1"}', "/files", 1),
    (document(extra=1), "/extra", 6), (document(1), "/files/a.yaml/0", 5),
    (document(finding(margin="big")), "/files/a.yaml/0/margin", 13),
    (document(finding(margin=True)), "/files/a.yaml/0/margin", 13),
    (document(finding(places=0)), "/files/a.yaml/0/places", 14),
    (document(finding(severity="bad")), "/files/a.yaml/0/severity", 12),
    (document(finding(parts="Q1")), "/files/a.yaml/0/parts", 8),
    (document(finding(line=3)), "/files/a.yaml/0/line", 15),
    (document(finding(), finding()), "/files/a.yaml/1", 16),
    ('{"format": "thumbrule-baseline/1", "files": {}, "files": {}}', "/files", 1),
    ('{"format": "thumbrule-baseline/1", "files": {"a": [NaN]}}', "/files/a/0", 1),
    ("[" * 5000, "/0/0/0/0/0/0/0", 1),
])  # fmt: skip
def test_a_broken_one_is_refused_with_its_place(repo: Repo, text: str, pointer: str, line: int) -> None:
    with pytest.raises(CannotCheck) as refused:
        read(text.encode(), "known.json")
    first = refused.value.problem["errors"][0]
    assert (first["pointer"], first["line"]) == (pointer, line)
    repo.commit({"thumbrule.toml": RULES, "known.json": text})
    result = gate(*FILE)
    assert result.exit_code == 2
    assert f"known.json:{line}" in result.stderr


def test_bytes_that_are_no_text() -> None:
    with pytest.raises(CannotCheck) as refused:
        read(b'{\n"\xff": 1}', "known.json")
    assert refused.value.problem["errors"][0]["line"] == 2


def test_what_is_written_is_what_is_read() -> None:
    other = Known("b/1/y", "b", (), ("n",), "error", None, 1)
    made = Baseline("docs", {"../b.yaml": (ONE,), "a.yaml": (other, ONE)})
    again = read(made.text().encode(), "docs/known.json")
    assert again.text() == made.text()
    assert set(again.files["a.yaml"]) == set(made.files["a.yaml"])
    assert list(again.files) == sorted(made.files)
    assert made.known("b.yaml") == (ONE,)


def test_many_known_findings_are_read() -> None:
    items = {f"{n}.yaml": tuple(Known(f"a/1/{k}", "a", ("Q1",), (), "note", -0.1, 1) for k in range(40))
             for n in range(100)}  # fmt: skip
    assert len(read(Baseline("", items).text().encode(), "b").files) == 100


@pytest.mark.parametrize(("now", "kept"), [
    ({"margin": -0.2}, {"margin": -0.2}), ({"margin": -0.9}, {}), ({"margin": None}, {}),
    ({"margin": -0.5 + 1e-6}, {}), ({"severity": "note"}, {"severity": "note"}), ({"severity": "error"}, {}),
    ({"places": 1}, {"places": 1}), ({"places": 5}, {}),
])  # fmt: skip
def test_of_each_number_the_better_one_stays(now: dict[str, Any], kept: dict[str, Any]) -> None:
    from dataclasses import replace

    assert tightened(ONE, replace(ONE, **now)) == replace(ONE, **kept)


def test_what_is_new_never_gets_in() -> None:
    old = Baseline("", {"a.yaml": (ONE,)})
    seen = {"a.yaml": [finding(before=None, places=2), finding(identity="b/1/z")], "b.yaml": [finding()]}
    made = tighten(old, seen, {}, ())
    assert made.baseline == old
    assert made.says == ()


def test_a_margin_without_bound_can_only_get_better() -> None:
    endless = Known.of(finding(margin=None))
    assert endless.margin is None
    assert tightened(endless, ONE).margin == -0.5


def test_rounding_makes_no_finding_worse_than_itself() -> None:
    assert Known.of(finding(margin=-1 / 3)).margin == -0.333334
    assert Known.of(finding(margin=-0.25)).margin == -0.25


def test_a_step_back_from_a_base_that_is_better_than_the_baseline(started: Repo) -> None:
    started.commit({"yard/lamp.yaml": lamp("2.8k")})
    started.write({"yard/lamp.yaml": FAULT})
    assert judged(*FILE)["verdict"]["status"] == 0
    assert judged("--base", "main", *FILE)["verdict"]["counted"] == {"worsened": 1}


def test_small_steps_are_counted_from_the_baseline(started: Repo) -> None:
    for resistance in ("3.02k", "3.04k", "3.06k"):
        started.commit({"yard/lamp.yaml": lamp(resistance).replace("Q1:", "T7:")})
    started.write({"yard/lamp.yaml": lamp("3.08k").replace("Q1:", "T7:")})
    assert judged("--base", "main")["verdict"]["status"] == 0
    started.write({"yard/lamp.yaml": lamp("3.08k")})
    assert judged("--base", "main", *FILE)["verdict"]["counted"] == {"worsened": 1}


def test_a_file_that_moves_is_held_against_its_entry(started: Repo) -> None:
    for resistance in ("3.02k", "3.04k", "3.06k"):
        started.commit({"yard/lamp.yaml": lamp(resistance)})
    started.git("mv", "yard/lamp.yaml", "glow.yaml")
    started.write({"glow.yaml": lamp("3.08k")})
    assert judged("--base", "main")["verdict"]["status"] == 0
    assert judged("--base", "main", *FILE)["verdict"]["counted"] == {"worsened": 1}
