"""The policy of the base judges: a change cannot loosen what it is judged by."""

from __future__ import annotations

import json
import os
from typing import Any

import pytest

from clients.gate import trees
from clients.gate.policy_at import Revised, policies_at, policy_folders
from service.policy import PolicyRefused, load, nearest
from tests.clients.gate.repo import FAULT, LAMP, RULES, WORSE, Repo, gate

BASE = ("--base", "main")
LOOSE = RULES + "[limits.min-beta-drive]\nsure = 1.1\n"


def judged(*arguments: str) -> Any:
    return json.loads(gate(*arguments, "--format", "json").stdout)


def test_a_policy_that_the_change_loosens_does_not_help_it(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT, "other.yaml": LAMP})
    repo.write({"thumbrule.toml": RULES + '[severity]\nmin-beta-drive = "note"\n', "lamp.yaml": WORSE})
    answer = judged(*BASE)
    assert answer["verdict"]["status"] == 1
    assert answer["policies"] == [
        {"file": "thumbrule.toml", "folder": "", "problem": None,
         "changes": ["severity of min-beta-drive: as the rules have it -> note"]}]  # fmt: skip
    text = " ".join(gate(*BASE).stdout.split())
    assert "thumbrule.toml: policy proposed, not in effect here: severity of min-beta-drive" in text


def test_every_circuit_below_a_changed_policy_is_judged(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "yard/thumbrule.toml": RULES, "yard/lamp.yaml": FAULT,
                 "yard/deep/one.yaml": LAMP, "yard/note.yaml": "a: 1", "top.yaml": FAULT})  # fmt: skip
    repo.write({"yard/thumbrule.toml": RULES + '[series]\nresistor = "E6"\n'})
    answer = judged(*BASE)
    assert [(item["file"], item["change"]) for item in answer["files"]] == [
        ("yard/deep/one.yaml", "unchanged"), ("yard/lamp.yaml", "unchanged")]  # fmt: skip
    assert answer["policies"][0]["changes"] == ["series of resistor: as the rules have it -> E6"]
    assert answer["verdict"]["status"] == 0


def test_a_policy_that_only_looks_different_is_no_change(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT})
    repo.write({"thumbrule.toml": "# the same\n" + RULES.replace("\n", "\r\n")})
    answer = judged(*BASE)
    assert answer["policies"] == []
    assert answer["files"] == []


def test_a_policy_that_another_file_extends(repo: Repo) -> None:
    extends = 'extends = ["../house.toml"]\n'
    repo.commit({"house.toml": RULES, "yard/thumbrule.toml": extends, "yard/lamp.yaml": FAULT})
    repo.write({"house.toml": '[rules]\nskip = ["min-beta-drive"]\n', "yard/lamp.yaml": WORSE})
    answer = judged(*BASE)
    assert answer["verdict"]["status"] == 1
    assert answer["policies"][0]["changes"] == [
        "rules run: min-beta-drive, saturation-headroom -> not said",
        "rules skipped: not said -> min-beta-drive"]  # fmt: skip


def test_a_new_policy_is_only_proposed(repo: Repo) -> None:
    repo.commit({"lamp.yaml": FAULT})
    repo.write({"thumbrule.toml": LOOSE, "lamp.yaml": WORSE})
    answer = judged(*BASE)
    assert answer["verdict"]["status"] == 1
    assert answer["policies"][0]["changes"] == [
        "limit min-beta-drive: sure: as the rules have it -> 1.1",
        "rules run: not said -> min-beta-drive, saturation-headroom"]  # fmt: skip


def test_a_policy_that_is_taken_away_still_judges(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT})
    repo.git("rm", "--quiet", "thumbrule.toml")
    answer = judged(*BASE)
    assert answer["policies"][0]["changes"] == [
        "rules run: min-beta-drive, saturation-headroom -> not said"]
    assert [f["rule"] for f in answer["files"][0]["comparison"]["findings"]] == ["min-beta-drive"]


def test_a_circuit_that_moves_is_judged_by_the_policy_of_where_it_was(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT,
                 "loose/thumbrule.toml": '[rules]\nskip = ["min-beta-drive"]\n'})  # fmt: skip
    repo.git("mv", "lamp.yaml", "loose/lamp.yaml")
    repo.write({"loose/lamp.yaml": WORSE})
    answer = judged(*BASE)
    assert answer["files"][0]["change"] == "renamed"
    assert [f["mark"] for f in answer["files"][0]["comparison"]["findings"]] == ["worsened"]
    assert answer["verdict"]["status"] == 1


def test_a_proposed_policy_that_cannot_be_used(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": FAULT})
    repo.write({"thumbrule.toml": RULES + "[limits.min-beta-drife]\nsure = 1\n"})
    result = gate(*BASE)
    assert result.exit_code == 2
    text = " ".join(result.stdout.split())
    assert "thumbrule.toml: policy proposed" in text
    assert "line 3: /limits/min-beta-drife: no rule has this name" in text
    assert "did you mean: min-beta-drive" in text


def test_a_policy_of_the_base_that_cannot_be_used(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": "[rules\n", "lamp.yaml": FAULT})
    repo.write({"lamp.yaml": WORSE})
    result = gate(*BASE)
    assert result.exit_code == 2
    assert "The policy thumbrule.toml cannot be used." in " ".join(result.stdout.split())


def test_a_named_policy_is_read_from_the_base(repo: Repo, monkeypatch: pytest.MonkeyPatch) -> None:
    repo.commit({"rules/house.toml": RULES, "lamp.yaml": FAULT})
    repo.write({"rules/house.toml": LOOSE, "lamp.yaml": WORSE})
    monkeypatch.chdir(repo.top / "rules")
    answer = judged(*BASE, "--policy", "house.toml")
    assert answer["verdict"]["status"] == 1
    assert answer["policies"][0]["file"] == "rules/house.toml"
    assert [f["rule"] for f in answer["files"][0]["comparison"]["findings"]] == ["min-beta-drive"]
    assert judged(*BASE, "--no-policy")["policies"] == []


def test_messages_of_findings_name_the_file_in_the_repository(repo: Repo,
                                                              monkeypatch: pytest.MonkeyPatch) -> None:
    repo.commit({"thumbrule.toml": RULES + "[limits.min-beta-drive]\nsure = 6\n", "yard/lamp.yaml": LAMP})
    repo.write({"yard/lamp.yaml": LAMP + "# touched\n"})
    monkeypatch.chdir(repo.top / "yard")
    answer = judged(*BASE)["files"][0]["comparison"]
    assert answer["review"]["policy"][0] == "from thumbrule.toml"
    assert "(thumbrule.toml, line 4)" in answer["findings"][0]["grounds"]["source"]


def test_links_lead_to_the_file_of_the_revision(repo: Repo) -> None:
    repo.write({"shared/house.toml": RULES, "yard/lamp.yaml": LAMP})
    (repo.top / "yard/thumbrule.toml").symlink_to("../shared/house.toml")
    commit = repo.commit()
    repo.write({"shared/house.toml": LOOSE})
    top = repo.found().top
    files = Revised(top, trees.revision(repo.found(), commit))
    found = nearest(os.path.join(top, "yard", "lamp.yaml"), files)
    assert found is not None
    policy = load(found, files)
    assert not policy.limits
    assert policy.run is not None


def test_files_that_extend_each_other_in_a_revision(repo: Repo) -> None:
    ring = {"thumbrule.toml": 'extends = ["b.toml"]\n', "b.toml": 'extends = ["thumbrule.toml"]\n'}
    commit = repo.commit(ring)
    top = repo.found().top
    with pytest.raises(PolicyRefused, match=r"thumbrule\.toml -> b\.toml -> thumbrule\.toml"):
        load(os.path.join(top, "thumbrule.toml"), Revised(top, trees.revision(repo.found(), commit)))


def test_a_file_that_a_revision_does_not_have(repo: Repo) -> None:
    commit = repo.commit({"thumbrule.toml": 'extends = ["hause.toml", "gone/x.toml"]\n', "house.toml": RULES})
    top = repo.found().top
    with pytest.raises(PolicyRefused) as refused:
        load(os.path.join(top, "thumbrule.toml"), Revised(top, trees.revision(repo.found(), commit)))
    assert refused.value.problems[0].nearest == "house.toml"
    assert refused.value.file == "thumbrule.toml"


def test_folders_with_a_policy(repo: Repo) -> None:
    found = repo.found
    commit = repo.commit({"thumbrule.toml": RULES, "a/b/thumbrule.toml": RULES, "a/other.toml": RULES})
    repo.write({"c/thumbrule.toml": RULES})
    top = found().top
    assert policy_folders(top, trees.revision(found(), commit), trees.working(found())) == [
        top, os.path.join(top, "a", "b"), os.path.join(top, "c")]  # fmt: skip
    assert policies_at(top, trees.working(found()), None, False).policy(top).run is not None
