"""A change to a circuit in a real repository: its mark and the exit status that it gets."""

from __future__ import annotations

import json
from typing import Any

import pytest

from clients.layout import WIDTH, columns
from tests.clients.gate.repo import FAULT, LAMP, RULES, WORSE, Repo, gate, lamp, waived

BASE = ("--base", "main")


@pytest.fixture
def lamps(repo: Repo) -> Repo:
    """A repository with one faulty circuit, and a branch that starts from there."""
    repo.commit({"thumbrule.toml": RULES, "bench/lamp.yaml": FAULT})
    repo.git("switch", "--quiet", "--create", "work")
    return repo


def judged(*arguments: str, **more: str) -> Any:
    """The run as data; its exit status has to be the one in it."""
    result = gate(*arguments, "--format", "json", **more)
    answer = json.loads(result.stdout)
    assert result.exit_code == answer["verdict"]["status"], result.output
    return answer


def marks(answer: Any) -> dict[str, list[tuple[str, str, bool]]]:
    """File -> rule, mark and whether it counts."""
    return {
        item["file"]: [(f["rule"], f["mark"], f["identity"] in item["counted"])
                       for f in item["comparison"]["findings"]]
        for item in answer["files"] if item["comparison"] is not None
    }  # fmt: skip


def test_nothing_changed(lamps: Repo) -> None:
    answer = judged(*BASE)
    assert answer["files"] == []
    assert answer["verdict"]["status"] == 0
    assert "no circuit to judge" in gate(*BASE).stdout


def test_a_margin_that_falls_is_worsened(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": WORSE})
    answer = judged(*BASE)
    assert marks(answer) == {"bench/lamp.yaml": [("min-beta-drive", "worsened", True)]}
    assert answer["verdict"]["counted"] == {"worsened": 1}
    assert answer["verdict"]["status"] == 1
    finding = answer["files"][0]["comparison"]["findings"][0]
    assert finding["margin"] < finding["before"]["margin"] - 0.01


def test_a_fall_that_is_let_pass_stays_known(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": lamp("3.05k")})
    answer = judged(*BASE, "--worse-by", "5 %")
    assert marks(answer) == {"bench/lamp.yaml": [("min-beta-drive", "known", False)]}
    assert judged(*BASE, "--worse-by", "0.1 %")["verdict"]["status"] == 1


def test_the_same_change_once_it_is_committed(lamps: Repo) -> None:
    lamps.commit({"bench/lamp.yaml": WORSE})
    assert judged(*BASE)["verdict"]["status"] == 1
    assert judged("--base", "main", "--head", "work")["verdict"]["status"] == 1
    assert judged("--base", "HEAD")["files"] == []


def test_a_mended_circuit_is_told_as_gone(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": LAMP})
    answer = judged(*BASE)
    assert [f["rule"] for f in answer["files"][0]["comparison"]["gone"]] == ["min-beta-drive"]
    assert answer["verdict"]["status"] == 0
    assert "gone      warning: min-beta-drive: Q1, R1, net base" in gate(*BASE).stdout


def test_a_waiver_that_the_change_brings_is_only_proposed(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": waived(WORSE)})
    answer = judged(*BASE)
    assert answer["verdict"]["status"] == 1
    waivers = answer["files"][0]["comparison"]["waivers"]
    assert [(item["status"], item["side"]) for item in waivers] == [("proposed", "head")]
    assert "waiver    proposed: /waivers/0" in gate(*BASE).stdout


def test_a_new_circuit_cannot_bring_its_own_waiver(lamps: Repo) -> None:
    lamps.write({"new.yaml": waived(FAULT)})
    answer = judged(*BASE)
    assert marks(answer) == {"new.yaml": [("min-beta-drive", "new", True)]}
    assert answer["files"][0]["change"] == "untracked"
    assert answer["verdict"]["status"] == 1


def test_a_waiver_of_the_base_excuses_what_it_was_given_for(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": waived(FAULT)})
    repo.write({"lamp.yaml": waived(FAULT).replace("potting", "sowing")})
    answer = judged(*BASE)
    assert answer["verdict"]["kinds"] == {"waived": 1}
    assert answer["verdict"]["status"] == 0
    assert judged(*BASE, "--strict")["verdict"]["status"] == 0


def test_a_waiver_that_has_expired_in_the_base_reopens_the_finding(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": waived(FAULT, "2026-11-28")})
    repo.write({"lamp.yaml": waived(FAULT, "2026-11-28") + "# touched\n"})
    answer = judged(*BASE)
    assert answer["verdict"]["status"] == 1
    assert answer["verdict"]["counted"] == {"reopened": 1}
    text = " ".join(gate(*BASE).stdout.split())
    assert "waiver expired: /waivers/0" in text
    assert "2026-11-28" in text
    assert judged(*BASE, date="2026-11-28")["verdict"]["status"] == 0


def test_more_time_for_a_waiver_counts_only_once_it_is_merged(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": waived(FAULT, "2026-11-28")})
    repo.write({"lamp.yaml": waived(FAULT, "2027-11-28")})
    assert judged(*BASE)["verdict"]["status"] == 1
    repo.commit()
    assert judged("--base", "main", "lamp.yaml")["verdict"]["status"] == 0


def test_a_malformed_waiver_counts_as_expired(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": waived(FAULT, "next summer")})
    repo.write({"lamp.yaml": waived(FAULT, "next summer") + "# touched\n"})
    answer = judged(*BASE)
    assert answer["verdict"]["status"] == 1
    statuses = {item["status"] for item in answer["files"][0]["comparison"]["waivers"]}
    assert "malformed" in statuses


def test_a_waiver_that_the_change_takes_out_is_withdrawn(repo: Repo) -> None:
    repo.commit({"thumbrule.toml": RULES, "lamp.yaml": waived(FAULT)})
    repo.write({"lamp.yaml": FAULT})
    answer = judged(*BASE)
    assert answer["verdict"]["counted"] == {"reopened": 1}
    assert {item["status"] for item in answer["files"][0]["comparison"]["waivers"]} == {"withdrawn"}


def test_a_renamed_part_stays_known(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": FAULT.replace("Q1:", "T7:")})
    answer = judged(*BASE)
    assert answer["files"][0]["comparison"]["renamed"]["parts"] == {"Q1": "T7"}
    assert marks(answer) == {"bench/lamp.yaml": [("min-beta-drive", "known", False)]}
    assert answer["verdict"]["status"] == 0
    assert "renamed   Q1 -> T7" in gate(*BASE).stdout


def test_moved_lines_and_another_order_stay_known(lamps: Repo) -> None:
    lines = FAULT.splitlines()
    head, parts = lines[:5], lines[5:]
    lamps.write({"bench/lamp.yaml": "\n".join(["# a", "# b", "", *head, *reversed(parts)]) + "\n"})
    answer = judged(*BASE)
    assert marks(answer) == {"bench/lamp.yaml": [("min-beta-drive", "known", False)]}
    assert answer["verdict"]["status"] == 0
    assert judged(*BASE, "--strict")["verdict"]["status"] == 1


def test_another_spelling_and_other_line_ends_stay_known(lamps: Repo) -> None:
    import yaml

    lamps.write({"bench/lamp.yaml": b"\xef\xbb\xbf" + FAULT.replace("\n", "\r\n").encode()})
    assert marks(judged(*BASE)) == {"bench/lamp.yaml": [("min-beta-drive", "known", False)]}
    (lamps.top / "bench/lamp.yaml").unlink()
    lamps.write({"bench/lamp.json": json.dumps(yaml.safe_load(FAULT), indent=1)})
    lamps.git("add", "--all")
    answer = judged(*BASE)
    # The two texts are not alike enough for git to call it a rename, so this is a new file and a deleted one.
    assert answer["deleted"] == ["bench/lamp.yaml"]
    assert marks(answer) == {"bench/lamp.json": [("min-beta-drive", "new", True)]}


def test_a_json_circuit_is_compared_the_same(repo: Repo) -> None:
    import yaml

    text = json.dumps(yaml.safe_load(FAULT), indent=1)
    repo.commit({"thumbrule.toml": RULES, "lamp.json": text})
    repo.write({"lamp.json": text.replace('"3k"', '"3.3k"')})
    assert marks(judged(*BASE)) == {"lamp.json": [("min-beta-drive", "worsened", True)]}
    assert "lamp.json (changed)" in gate(*BASE).stdout


def test_a_renamed_file_keeps_its_base(lamps: Repo) -> None:
    lamps.git("mv", "bench/lamp.yaml", "bench/glow.yaml")
    answer = judged(*BASE)
    assert (answer["files"][0]["change"], answer["files"][0]["base_file"]) == ("renamed", "bench/lamp.yaml")
    assert marks(answer) == {"bench/glow.yaml": [("min-beta-drive", "known", False)]}
    assert "(renamed, was bench/lamp.yaml)" in gate(*BASE).stdout


def test_a_deleted_circuit_is_told(lamps: Repo) -> None:
    (lamps.top / "bench/lamp.yaml").unlink()
    answer = judged(*BASE)
    assert answer["deleted"] == ["bench/lamp.yaml"]
    assert answer["verdict"]["status"] == 0
    assert judged(*BASE, "bench/lamp.yaml")["deleted"] == ["bench/lamp.yaml"]
    assert "bench/lamp.yaml: deleted" in gate(*BASE).stdout


def test_the_base_is_where_the_branch_left_it(lamps: Repo) -> None:
    lamps.commit({"other.yaml": LAMP})
    lamps.git("switch", "--quiet", "main")
    lamps.commit({"bench/lamp.yaml": LAMP})
    lamps.git("switch", "--quiet", "work")
    assert marks(judged(*BASE)) == {"other.yaml": []}
    exact = judged(*BASE, "--exact-base")
    assert marks(exact)["bench/lamp.yaml"] == [("min-beta-drive", "new", True)]
    assert exact["base"]["exact"] is True


def test_the_threshold(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": WORSE})
    assert judged(*BASE)["verdict"]["status"] == 1
    assert judged(*BASE, "--threshold", "error")["verdict"]["status"] == 0
    lamps.write({"bench/lamp.yaml": lamp("5.6k")})
    bad = judged(*BASE, "--threshold", "error")
    assert bad["verdict"]["status"] == 1
    assert marks(bad)["bench/lamp.yaml"][0] == ("min-beta-drive", "worsened", True)


def test_a_margin_that_is_kept_but_fell_counts_only_when_asked(lamps: Repo) -> None:
    lamps.git("switch", "--quiet", "main")
    lamps.commit({"bench/lamp.yaml": LAMP})
    lamps.write({"bench/lamp.yaml": lamp("1.1k")})
    answer = judged(*BASE)
    assert "min-beta-drive" in {item["rule"] for item in answer["files"][0]["comparison"]["eroded"]}
    assert answer["verdict"]["status"] == 0
    assert judged(*BASE, "--erosion")["verdict"]["status"] == 1
    assert "eroded    min-beta-drive" in gate(*BASE).stdout


def test_text_keeps_to_its_width(lamps: Repo) -> None:
    name = "a folder/" + "long-" * 20 + "\u00e4.yaml"
    lamps.write({name: waived(FAULT), "bench/lamp.yaml": WORSE.replace("Q1", "Q9"),
                 "bad.yaml": "format: thumbrule/1\n"})
    lines = gate(*BASE).stdout.splitlines()
    assert all(columns(line) <= WIDTH for line in lines)
    assert "verdict: 1 item could not be checked" in "\n".join(lines)


def test_the_same_bytes_every_time(lamps: Repo) -> None:
    lamps.write({"bench/lamp.yaml": WORSE, "b.yaml": FAULT, "a.yaml": FAULT})
    for style in ("text", "json", "sarif", "junit", "markdown"):
        assert gate(*BASE, "--format", style).stdout_bytes == gate(*BASE, "--format", style).stdout_bytes
